"""The lake that sources fill: what comes is merged in its place, and nothing of what was there is lost.

Each source has files of its own in the lake, so that one never touches what another said: ``TABLE/SOURCE.parquet``, and
``TABLE/day=YYYY-MM-DD/SOURCE.parquet`` for a table that lies in days. Beside the tables, under names that are not the
lake's: ``_tankdrift/`` (how far each source was read, and its lock), ``_refused/`` (rows that could not be read as the
contract's; the load puts them into quarantine) and ``_superseded/`` (rows in whose place a corrected one came).
"""

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES, TIME_COLUMNS
from pipeline.errors import ArgumentError, LakeError
from pipeline.lake_write import put_file
from pipeline.lock import locked
from pipeline.sources.source import Fetched, is_by_day

STATE: Final = "_tankdrift"
UNDATED: Final = date(1970, 1, 1)
"""Day's folder of rows without a time; the contract refuses them, wherever they lie."""


@dataclass(frozen=True, slots=True)
class Merged:
    """What became of fetched rows: how many were new, came in the place of another, were known, and were refused."""

    new: int = 0
    corrected: int = 0
    doubles: int = 0
    refused: int = 0

    @property
    def read(self) -> int:
        """How many rows came, in all."""
        return self.new + self.corrected + self.doubles + self.refused

    def __add__(self, other: "Merged") -> "Merged":
        """Both together."""
        return Merged(
            self.new + other.new,
            self.corrected + other.corrected,
            self.doubles + other.doubles,
            self.refused + other.refused,
        )


@dataclass(frozen=True, slots=True)
class Landing:
    """A lake that is filled. Writing asks for `held`; a dot parts a source's name from what follows it in a file's."""

    lake: Path

    def merge(self, table: str, source: str, fetched: Fetched) -> Merged:
        """Merge rows in: a row takes the place of what this source said before under the same key.

        Rows that come together under one key all stay: which of them counts is the contract's to say.
        """
        counts = Merged(refused=self._refuse(table, source, fetched.refused))
        for path, rows in self._places(table, source, fetched.rows):
            counts += self._merge_file(table, source, path, rows)
        return counts

    def replace(self, table: str, source: str, fetched: Fetched) -> Merged:
        """Put rows in the place of everything that this source said of the table before."""
        counts = Merged(refused=self._refuse(table, source, fetched.refused))
        places = dict(self._places(table, source, fetched.rows))
        before = [path for path in self.files(table, source) if path not in places]
        for path, rows in places.items():
            was = _rows_of(table, path)
            content = rows.unique().sort(pl.all(), nulls_last=True)
            if was is not None and was.equals(content):
                counts += Merged(doubles=rows.height)
                continue
            put_file(content, path)
            known, gone = 0, 0
            if was is not None:
                known = content.join(was, on=content.columns, how="semi", nulls_equal=True).height
                gone = _corrected(table, was, content).height
            new = max(content.height - known - gone, 0)
            counts += Merged(new=new, corrected=gone, doubles=rows.height - content.height + known)
        for path in before:
            path.unlink()
        return counts

    def expect(self, table: str) -> None:
        """Have a place for a table that a source tells: one of which nothing has come yet is empty, not missing."""
        (self.lake / table).mkdir(parents=True, exist_ok=True)

    def _places(self, table: str, source: str, rows: pl.DataFrame) -> Iterator[tuple[Path, pl.DataFrame]]:
        self.expect(table)
        if not is_by_day(table):
            yield self.lake / table / f"{source}.parquet", rows
            return
        day = pl.col(TIME_COLUMNS[table]).dt.date().fill_null(UNDATED).alias("_day")
        keyed = rows.with_columns(day).partition_by("_day", as_dict=True, include_key=False, maintain_order=True)
        for (value,), part in sorted(keyed.items(), key=lambda entry: entry[0]):
            yield self.lake / table / f"day={value}" / f"{source}.parquet", part

    def files(self, table: str, source: str) -> list[Path]:
        """Files that a source has of a table."""
        return sorted((self.lake / table).glob(f"day=*/{source}.parquet" if is_by_day(table) else f"{source}.parquet"))

    def _merge_file(self, table: str, source: str, path: Path, rows: pl.DataFrame) -> Merged:
        key = LAKE_TABLES[table].primary_key()
        incoming = rows.unique()
        was = _rows_of(table, path)
        if was is None:
            put_file(incoming.sort([*key, *incoming.columns], nulls_last=True), path)
            return Merged(new=incoming.height, doubles=rows.height - incoming.height)
        everything = incoming.columns
        fresh = incoming.join(was, on=everything, how="anti", nulls_equal=True)
        gone = _corrected(table, was, incoming)
        known = rows.height - fresh.height
        if fresh.is_empty() and gone.is_empty():
            return Merged(doubles=known)
        self._keep_superseded(table, source, gone)
        stays = was.join(incoming, on=key, how="anti", nulls_equal=True)
        put_file(pl.concat([stays, incoming]).sort([*key, *everything], nulls_last=True), path)
        return Merged(new=max(fresh.height - gone.height, 0), corrected=gone.height, doubles=known)

    def _keep_superseded(self, table: str, source: str, gone: pl.DataFrame) -> None:
        if gone.is_empty():
            return
        content = gone.sort(pl.all(), nulls_last=True)
        name = hashlib.sha256(content.write_json().encode()).hexdigest()[:16]
        put_file(content, self.lake / "_superseded" / table / f"{source}.{name}.parquet")

    def _refuse(self, table: str, source: str, refused: pl.DataFrame) -> int:
        """Keep refused rows, each once; how many of them were not known."""
        if refused.is_empty():
            return 0
        path = self.lake / "_refused" / f"{source}.{table}.parquet"
        known = pl.read_parquet(path) if path.is_file() else refused.clear()
        every = pl.concat([known, refused]).unique().sort(pl.all())
        if every.height > known.height:
            put_file(every, path)
        return every.height - known.height

    def forget_refused(self, table: str, source: str) -> None:
        """Take away what was refused of a table that is about to be read anew from the beginning."""
        (self.lake / "_refused" / f"{source}.{table}.parquet").unlink(missing_ok=True)

    @contextmanager
    def held(self, source: str, wait_s: float) -> Iterator[None]:
        """Keep everybody else from writing what a source says; readers and other sources go on.

        Raises
        ------
        StoreError
            If somebody else writes it for longer than `wait_s`.
        ArgumentError
            If nothing can be written there.
        """
        place = self.lake / STATE
        with ExitStack() as stack:
            try:
                place.mkdir(parents=True, exist_ok=True)
                busy = f"{self.lake}: another load of {source} is at work here"
                stack.enter_context(locked(place / f"{source}.lock", busy, wait_s=wait_s))
            except OSError as error:
                raise ArgumentError(f"{self.lake}: nothing can be written here: {error.strerror}") from error
            self._clear_away(source)
            yield

    def _clear_away(self, source: str) -> None:
        """Remove what a load of the source that was killed had half written."""
        for pattern in (f".{source}.parquet.new", f".{source}.*.parquet.new"):
            for path in self.lake.rglob(pattern):
                path.unlink()

    def marks(self, source: str) -> "Marks":
        """How far a source was read."""
        path = self.lake / STATE / f"{source}.json"
        try:
            found = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
        except (ValueError, OSError) as error:
            raise LakeError(
                f"{path}: how far {source} was read is not readable; remove it to read all again"
            ) from error
        return Marks(path, found)


@dataclass(frozen=True, slots=True)
class Marks:
    """How far a source was read, table by table: the end of the last window, or the files with their marks."""

    path: Path
    found: dict[str, Any]

    def with_(self, table: str, mark: object) -> "Marks":
        """The same with another mark for a table, on disk, too."""
        marks = replace(self, found={**self.found, table: mark})
        beside = self.path.with_suffix(".new")
        with beside.open("w", encoding="utf-8") as file:
            json.dump(marks.found, file, indent=1, sort_keys=True)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.path)
        return marks


def _corrected(table: str, was: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """Rows that were told otherwise before, under the key of one that is told now."""
    hit = was.join(told, on=LAKE_TABLES[table].primary_key(), how="semi", nulls_equal=True)
    return hit.join(told, on=told.columns, how="anti", nulls_equal=True)


def _rows_of(table: str, path: Path) -> pl.DataFrame | None:
    if not path.is_file():
        return None
    try:
        return pl.read_parquet(path, hive_partitioning=False).cast(polars_schema(LAKE_TABLES[table]))
    except (pl.exceptions.PolarsError, OSError) as error:
        raise LakeError(
            f"{path} is damaged; put it back from a copy, or remove it and run: tankdrift backfill"
        ) from error
