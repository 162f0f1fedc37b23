"""Shows what the stages say they are doing: a moving line on a terminal, elsewhere lines with the time, or JSON."""

import json
import logging
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from typing import Final

from rich.console import Console
from rich.status import Status
from rich.text import Text

from pipeline.plain_text import printable
from pipeline.sources.secrets import hidden

_PLACES: Final = ("stage", "site", "source", "table")


def as_json(level: str, message: str, at_s: float, told: Mapping[str, object]) -> str:
    """A line of JSON: `time` in UTC, `level`, what is known of `stage`, `site`, `source` and `table`, `message`."""
    at = datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")
    places = {name: hidden(printable(str(told[name]))) for name in _PLACES if told.get(name)}
    said = {"time": at, "level": level, **places, "message": hidden(printable(message))}
    return json.dumps(said, ensure_ascii=False)


class _OnJson(logging.Handler):
    def emit(self, record: logging.LogRecord) -> None:
        message = record.getMessage()
        if record.exc_info and record.exc_info[0] is not None:  # its kind alone: what it says may quote the data
            message += f": {record.exc_info[0].__name__}"
        sys.stderr.write(as_json(record.levelname.lower(), message, record.created, vars(record)) + "\n")
        sys.stderr.flush()


class _OnStatus(logging.Handler):
    def __init__(self, status: Status) -> None:
        super().__init__()
        self._status = status

    def emit(self, record: logging.LogRecord) -> None:
        self._status.update(Text(printable(record.getMessage())))


class _OnLines(logging.Handler):
    def __init__(self, console: Console) -> None:
        super().__init__()
        self._console, self._started = console, time.monotonic()

    def emit(self, record: logging.LogRecord) -> None:
        elapsed = time.monotonic() - self._started
        self._console.print(f"{elapsed:7.1f} s  {printable(record.getMessage())}", markup=False, highlight=False)


@contextmanager
def shown(log: str | None = None) -> Iterator[None]:
    """Show the stages' progress on standard error while it lasts: for people, or an object a line with `json`."""
    if log == "json":
        with _handled(_OnJson()):
            yield
        return
    console = Console(stderr=True, soft_wrap=True)
    with ExitStack() as shows:
        status = shows.enter_context(console.status("starting"))
        shows.enter_context(_handled(_OnStatus(status) if console.is_terminal else _OnLines(console)))
        yield


@contextmanager
def _handled(handler: logging.Handler) -> Iterator[None]:
    logger = logging.getLogger("tankdrift")
    before = logger.level, logger.propagate
    logger.addHandler(handler)
    # Prefect gives the root logger a handler of its own: each line would be shown twice.
    logger.setLevel(logging.INFO)
    logger.propagate = False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.setLevel(before[0])
        logger.propagate = before[1]
