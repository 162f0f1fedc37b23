"""Shows what the stages say they are doing: a moving line on a terminal, plain lines with the time elsewhere."""

import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.status import Status
from rich.text import Text

from pipeline.plain_text import printable


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
def shown() -> Iterator[None]:
    """Show the stages' progress on standard error while it lasts."""
    console = Console(stderr=True, soft_wrap=True)
    logger = logging.getLogger("tankdrift")
    before = logger.level, logger.propagate
    with console.status("starting") as status:
        handler = _OnStatus(status) if console.is_terminal else _OnLines(console)
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
