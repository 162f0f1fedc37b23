"""Asks the lake by SQL: a table's files of some days, a few questions at once."""

import glob
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from threading import BoundedSemaphore
from typing import Any, Final

import duckdb
import polars as pl

from pipeline.errors import LakeError
from pipeline.lake import find_parts
from pipeline.resources import query_text

MOST_AT_ONCE: Final = 2
"""So many are answered at once, each with files of the lake in memory; no source."""
_MEMORY: Final = "1GB"
_WAIT_S: Final = 10.0
_DAY: Final = timedelta(days=1)
_asking = BoundedSemaphore(MOST_AT_ONCE)


def files_between(lake: Path, table: str, start: datetime, end: datetime) -> list[str]:
    """A table's files that may have rows from `start` to `end`, as a query takes them.

    Raises
    ------
    LakeError
        If there is no such lake, or it has no such table.
    """
    first, last = start.date() - _DAY, end.date() + _DAY
    parts = [p for p in find_parts(lake, tables=[table]) if p.day is None or first <= p.day <= last]
    # Names are taken as they are: what would be a pattern in them is none.
    return [glob.escape(str(path)) for part in parts for path in part.files]


def asked(
    query: str, parameters: Mapping[str, Any], frames: Mapping[str, pl.DataFrame] | None = None, *, table: str
) -> pl.DataFrame:
    """What a query gives, which reads the files among its parameters and `frames` by their names.

    Raises
    ------
    LakeError
        If files of `table` cannot be read, or too many ask at once.
    """
    if not _asking.acquire(timeout=_WAIT_S):
        raise LakeError(f"others are asking for {table} just now; try again in a moment")
    try:
        with duckdb.connect(config={"threads": 1, "memory_limit": _MEMORY}) as connection:
            connection.execute("set TimeZone = 'UTC'")
            for name, frame in (frames or {}).items():
                connection.register(name, frame)
            found: pl.DataFrame = connection.sql(query_text(query), params=dict(parameters)).pl()
            return found
    except duckdb.Error as error:
        raise LakeError(f"the lake's {table} cannot be read: {error}") from error
    finally:
        _asking.release()
