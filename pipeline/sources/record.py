"""What devices say as time goes by, appended to the lake."""

import logging
import time
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime

from pipeline.errors import SourceError
from pipeline.sources.landing import Landing, Merged
from pipeline.sources.modbus import Answer, ModbusSource

_LOG = logging.getLogger("tankdrift.sources")


def record(
    source: ModbusSource, landing: Landing, instants: Iterable[datetime], *, batch: int = 1, lock_wait_s: float = 60.0
) -> Merged:
    """Ask a device at every instant that `instants` gives, and put what it says into the lake; the counts come out.

    A device that does not answer leaves a gap and is asked again at the next instant.

    Parameters
    ----------
    source, landing
    instants : iterable of datetime
        Gives an instant when it has come.
    batch : int
        Answers that are put into the lake at once; the last few are lost if the recorder is killed.
    """
    waiting: list[Answer] = []
    counts = Merged()
    moments = iter(instants)
    asked, is_over = 0, False
    while not is_over:
        try:
            with source.opened() as client:
                for ts in moments:
                    waiting += source.ask(client, ts)
                    asked += 1
                    if asked % batch == 0:
                        counts += _put(source, landing, waiting, lock_wait_s)
                is_over = True
        except SourceError as error:
            _LOG.warning("%s", error, extra={"stage": "record", "source": source.name})
            is_over = next(moments, None) is None
        finally:
            counts += _put(source, landing, waiting, lock_wait_s)
    return counts


def _put(source: ModbusSource, landing: Landing, waiting: list[Answer], lock_wait_s: float) -> Merged:
    counts = Merged()
    if waiting:
        with landing.held(source.name, lock_wait_s):
            for table, told in source.rows(waiting).items():
                counts += landing.merge(table, source.name, told)
        waiting.clear()
    return counts


def ticks(every_s: float, *, until: datetime | None = None) -> Iterator[datetime]:
    """Instants, `every_s` apart on the clock's round marks, each given when it has come; seconds are whole."""
    while until is None or datetime.now(UTC) < until:
        now = time.time()
        time.sleep(every_s - now % every_s)
        yield datetime.fromtimestamp(round(time.time()), UTC)
