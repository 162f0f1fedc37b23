"""Spans of OpenTelemetry around what takes time. Nothing is kept or sent unless its SDK is installed and set up."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

Fail = Callable[[str], None]
"""Says of a span that what it is around has failed, and how."""
Around = Callable[[str], AbstractContextManager[Fail]]
"""What makes a span around a piece of work, by its name."""


@contextmanager
def no_span(name: str, **told: str) -> Iterator[Fail]:
    """Nothing."""
    yield lambda _: None


@contextmanager
def span(name: str, **told: str) -> Iterator[Fail]:
    """A span of a name, with what is told of it as attributes that begin with `tankdrift.`.

    What an error says may quote the data or a secret: of one that goes through, its kind alone is told.
    """
    from opentelemetry.trace import Status, StatusCode, get_tracer

    attributes = {f"tankdrift.{key}": text for key, text in told.items()}
    with get_tracer("tankdrift").start_as_current_span(
        name, attributes=attributes, record_exception=False, set_status_on_exception=False
    ) as current:
        try:
            yield lambda why: current.set_status(Status(StatusCode.ERROR, why))
        except BaseException as error:
            current.set_status(Status(StatusCode.ERROR, type(error).__name__))
            raise


def spans(is_on: bool) -> Callable[..., AbstractContextManager[Fail]]:
    """What makes spans, or nothing where they are off."""
    return span if is_on else no_span
