"""The interface of every source: a time window in, contract frames out."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol, runtime_checkable

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, LAKE_TABLES

REFUSED: Final = pl.Schema({"table": pl.String, "row": pl.String, "reason": pl.String})
"""Columns of rows that could not be read as the contract's: the row as it came, in JSON, and why."""

STANDING: Final = ("sites", "tanks", "strapping", "meters", "meter_feeds")
"""Tables that a source always tells whole: what it says replaces all that it said before."""


@dataclass(frozen=True, slots=True)
class Fetched:
    """What came of a table: `rows` in the contract's columns and types, `refused` in those of `REFUSED`.

    `spread` counts the sales that stand for both passes of the hour that a clock change repeats. `columns` are those of
    the contract that the source has, none where it has no columns. `missed` is a line about what could not be read;
    the rest is here, and the window is asked for again.
    """

    rows: pl.DataFrame
    refused: pl.DataFrame = field(default_factory=lambda: REFUSED.to_frame())
    spread: int = 0
    columns: tuple[str, ...] = ()
    missed: str | None = None


@runtime_checkable
class Source(Protocol):
    """A place that data is fetched from.

    `fetch` gives what the place holds of a table from `start` (in) to `end` (out), by the time at which a row became
    known. Of a table in `STANDING` it gives all, whatever the window. Rows may repeat; nothing is asked of their order.
    """

    @property
    def name(self) -> str:
        """Name in the settings."""

    @property
    def tables(self) -> Sequence[str]:
        """Tables of the contract that this source has."""

    def fetch(self, table: str, start: datetime, end: datetime) -> Fetched:
        """Return the rows of a window.

        Raises
        ------
        SourceError
            If the source cannot be reached, or its columns are not as the settings say.
        """

    def check(self) -> None:
        """Reach for the source and come back; raise SourceError, which says how to mend it, where that fails."""


@runtime_checkable
class Arriving(Protocol):
    """A source that is made of files: what is new is known by the file, not by the time that its rows speak of."""

    def files(self, table: str) -> Mapping[str, str]:
        """Name of each file of a table, with a mark that changes when the file does."""

    def read(self, table: str, name: str) -> Fetched:
        """Return the rows of one file."""


@runtime_checkable
class Historian(Protocol):
    """A source that is asked by time and can say where its past begins, so that no empty years are walked through."""

    def first(self, table: str, start: datetime, end: datetime) -> datetime | None:
        """Instant, to a day, of the first row from `start` (in) to `end` (out); None where there is none.

        Raises
        ------
        SourceError
            As `Source.fetch`.
        """


def nothing(table: str) -> Fetched:
    """No row of a table."""
    return Fetched(polars_schema(LAKE_TABLES[table]).to_frame())


def joined(table: str, parts: Sequence[Fetched]) -> Fetched:
    """The rows of several, one after the other."""
    every = [nothing(table), *parts]
    return Fetched(
        pl.concat([part.rows for part in every]),
        pl.concat([part.refused for part in every]),
        sum(part.spread for part in every),
    )


def in_window(frame: pl.DataFrame, column: str, start: datetime, end: datetime) -> pl.DataFrame:
    """Rows from `start` (in) to `end` (out); those without a time stay, for the contract to refuse."""
    return frame.filter(((pl.col(column) >= start) & (pl.col(column) < end)).fill_null(True))


def is_by_day(table: str) -> bool:
    """Whether a table lies in UTC days."""
    return table in BY_DAY


def windows(table: str, start: datetime, end: datetime) -> Iterator[tuple[datetime, datetime]]:
    """The window in pieces of a UTC day for a table that lies in days, else in one."""
    start = start.astimezone(UTC)
    while is_by_day(table) and start < end:
        midnight = datetime.combine(start.date() + timedelta(days=1), datetime.min.time(), UTC)
        yield start, min(midnight, end)
        start = midnight
    if not is_by_day(table) and start <= end:
        yield start, end
