"""Parquet in: finds a lake's files, reads them into the contract's types, and cuts them at a day. Never writes.

The layout is the contract's; a table may also be a single file where a folder is expected, and the other way round.
Hidden files, and those whose name begins with an underscore, are not the lake's.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, LAKE_TABLES, OPTIONAL_TABLES, TIME_COLUMNS
from pipeline.errors import LakeError
from pipeline.intake import PART, REFUSED_SCHEMA, Admitted, Registry, admit, without_lone
from pipeline.lake_file import BROKEN, FILE, FileTrouble, scan_file

REGISTRY_TABLES = {"sites": "site_id", "tanks": "tank_id", "meters": "meter_id"}
"""Tables that others refer to, with the column that does."""

READ_TABLES = tuple(table for table in LAKE_TABLES if table != "labels")
"""Tables that a run reads, in the order in which they lean on each other. Labels are for backtests alone."""


@dataclass(frozen=True, slots=True)
class Part:
    """The files of one table that lie in one folder: a UTC day's, or all that lie in no day's folder (`day` null)."""

    table: str
    day: date | None
    files: tuple[Path, ...]
    digest: str


@dataclass(frozen=True, slots=True)
class Lake:
    """A lake in memory: tables by name, in the contract's columns and ordered by key, and what became of every row."""

    tables: dict[str, pl.DataFrame]
    admitted: dict[str, Admitted]

    @property
    def quarantine(self) -> pl.DataFrame:
        """What was refused: `table`, `row` and `reason`, each row once, in order."""
        refused = pl.concat([admitted.refused for admitted in self.admitted.values()])
        return refused.select("table", "row", "reason").unique().sort("table", "row", "reason")


def find_parts(lake: Path, *, until: date | None = None, tables: Sequence[str] = READ_TABLES) -> list[Part]:
    """Return the parts of a lake's tables that hold what happened up to a UTC day, in order.

    Raises
    ------
    LakeError
        If there is no such folder, or a table is missing that the contract asks for.
    """
    if not lake.is_dir():
        raise LakeError(f"{lake}: there is no such folder")
    parts = []
    for table in tables:
        files = _files(lake, table)
        if not files and table not in OPTIONAL_TABLES and not (lake / table).is_dir():
            expected = f"{table}/day=YYYY-MM-DD/*.parquet" if table in BY_DAY else f"{table}.parquet"
            raise LakeError(f"{lake}: table {table} is missing (expected {expected})")
        by_day: dict[date | None, list[Path]] = {}
        for path in files:
            by_day.setdefault(_folder_day(path), []).append(path)
        for day in sorted(by_day, key=lambda day: day or date.min):
            if day is None or until is None or day <= until:
                cut = until if day is None and table in TIME_COLUMNS else None
                parts.append(Part(table, day, tuple(by_day[day]), _digest(lake, by_day[day], cut)))
    return parts


def _files(lake: Path, table: str) -> list[Path]:
    single = lake / f"{table}.parquet"
    found = [path for path in (lake / table).rglob("*.parquet") if path.is_file()]
    if single.is_file():
        found.append(single)
    below = len(lake.parts)
    return sorted(path for path in found if not any(step[0] in "._" for step in path.parts[below:]))


def _folder_day(path: Path) -> date | None:
    key, _, value = path.parent.name.partition("=")
    try:
        return date.fromisoformat(value) if key == "day" else None
    except ValueError:
        return None


def _digest(lake: Path, files: Iterable[Path], cut: date | None) -> str:
    """Of names, sizes and times of change: content is not read to find out whether it changed."""
    digest = hashlib.sha256(str(cut).encode())
    for path in files:
        stat = path.stat()
        digest.update(f"\n{path.relative_to(lake)} {stat.st_size} {stat.st_mtime_ns}".encode())
    return digest.hexdigest()


def read_files(
    lake: Path, table: str, parts: Sequence[Part], *, until: date | None = None
) -> tuple[pl.DataFrame, list[FileTrouble]]:
    """Return rows of a table as they stand in some of its parts, up to a UTC day, and what of them cannot be used.

    Columns are the contract's in its types and `PART`. What casts without loss is cast; a column that may be null may
    be absent; what is not a finite number is null. A file that cannot be read to its end, or lacks a column, costs its
    own rows; a column that may be null and has the wrong type costs what it carries.
    """
    scans: list[tuple[FileTrouble, pl.LazyFrame]] = []
    troubles: list[FileTrouble] = []
    for part in parts:
        for path in part.files:
            scan, found = scan_file(lake, table, part.day, path)
            troubles += found
            if scan is not None:
                said = f"{path.relative_to(lake)} is damaged: it cannot be read to its end"
                damaged = FileTrouble(part.day, f"{FILE}damaged", said)
                scans.append((damaged, scan if until is None else _cut(scan, table, until)))
    empty = polars_schema(LAKE_TABLES[table]).to_frame().with_columns(pl.lit(None, pl.Date).alias(PART))
    try:
        return pl.concat([empty.lazy(), *(scan for _, scan in scans)]).collect(), troubles
    except BROKEN:
        whole, damaged_files = _one_by_one(scans)
        if not damaged_files:
            raise
        return pl.concat([empty, *whole]), troubles + damaged_files


def _one_by_one(scans: Iterable[tuple[FileTrouble, pl.LazyFrame]]) -> tuple[list[pl.DataFrame], list[FileTrouble]]:
    """Rows of each file that can be read to its end, and the trouble of each whose head can be read and body cannot."""
    frames, troubles = [], []
    for damaged, scan in scans:
        try:
            frames.append(scan.collect())
        except BROKEN:
            troubles.append(damaged)
    return frames, troubles


def read_parts(lake: Path, table: str, parts: Sequence[Part], *, until: date | None = None) -> pl.DataFrame:
    """Return the same rows where every file and column can be used.

    Raises
    ------
    LakeError
        If a file cannot be read, lacks a column or has one of the wrong type.
    """
    rows, troubles = read_files(lake, table, parts, until=until)
    if troubles:
        raise LakeError(f"{lake}: {troubles[0].said}")
    return rows


def _cut(query: pl.LazyFrame, table: str, until: date) -> pl.LazyFrame:
    """Leave nothing that became known after a UTC day."""
    if table in TIME_COLUMNS:
        # Null stays: it is for the rules to refuse.
        query = query.filter((pl.col(TIME_COLUMNS[table]).dt.date() <= until).fill_null(True))
    if "valid_to" in polars_schema(LAKE_TABLES[table]):
        ends = pl.col("valid_to")
        query = query.with_columns(pl.when(ends.dt.date() <= until).then(ends).alias("valid_to"))
    return query


def _as_rows(table: str, troubles: Sequence[FileTrouble]) -> pl.DataFrame:
    """Rows of quarantine for what is wrong with a table's files."""
    return pl.DataFrame(
        [(table, json.dumps({"said": one.said}, ensure_ascii=False), one.reason, one.day) for one in troubles],
        schema=REFUSED_SCHEMA,
        orient="row",
    )


def require_a_file(lake: Path, table: str, parts: Sequence[Part], refused: Sequence[str]) -> None:
    """Raise where no file of a table that the contract asks for can be used.

    Parameters
    ----------
    lake, table, parts
    refused : sequence of str
        A line about each of its files that is refused as a whole.

    Raises
    ------
    LakeError
        If every one is, and the table is not one that a lake may leave out.
    """
    count = sum(len(part.files) for part in parts)
    if table in OPTIONAL_TABLES or not refused or len(refused) < count:
        return
    others = f"; none of the table's {count} files can be used" if count > 1 else ""
    raise LakeError(f"{lake}: {refused[0]}{others}")


def require_usable(admitted: Admitted) -> None:
    """Raise where a table that every result leans on is left with no row.

    Raises
    ------
    LakeError
        If `admitted`, of tanks or of readings, holds no row.
    """
    if admitted.rows.height:
        return
    if not admitted.rows_read:
        raise LakeError(f"the lake's table {admitted.table} holds no row, or none so early")
    reasons = admitted.refused["reason"].value_counts(sort=True)
    raise LakeError(
        f"no row of the lake's table {admitted.table} is usable: {admitted.refused.height} refused, "
        f"most of them for {reasons['reason'][0]}"
    )


def admit_part_of(
    lake: Path,
    table: str,
    parts: Sequence[Part],
    registry: Registry,
    *,
    until: date | None = None,
    instead: Callable[[pl.DataFrame], pl.DataFrame] | None = None,
) -> Admitted:
    """Return what is let in of some parts of a table, and enter it into the registry where others refer to it.

    A file that cannot be used is refused as one row. `instead` may put other rows in the place of the table's.
    """
    rows, troubles = read_files(lake, table, parts, until=until)
    rows = rows if instead is None else instead(rows)
    admitted = admit(table, rows, registry).beside(_as_rows(table, troubles))
    if table in REGISTRY_TABLES:
        registry.add(REGISTRY_TABLES[table], admitted, rows)
    return admitted


def refused_files(refused: pl.DataFrame) -> list[str]:
    """A line about each file that is refused as a whole, from rows that are refused."""
    files = refused.filter(pl.col("reason").str.starts_with(FILE)).sort("row")
    return files["row"].str.json_path_match("$.said").to_list()


def read_lake(lake: Path, *, until: date | None = None) -> Lake:
    """Return all of a lake that a run may see, in memory.

    Raises
    ------
    LakeError
        If the lake is unusable: see `find_parts`, `require_a_file` and `require_usable`.
    """
    parts = find_parts(lake, until=until)
    registry = Registry()
    admitted: dict[str, Admitted] = {}
    for table in READ_TABLES:
        own = [part for part in parts if part.table == table]
        admitted[table] = admit_part_of(lake, table, own, registry, until=until)
        require_a_file(lake, table, own, refused_files(admitted[table].refused))
        if table == "readings":
            admitted[table] = without_lone(admitted[table])
        if table in ("tanks", "readings"):
            require_usable(admitted[table])
    return Lake({table: entry.rows.drop(PART) for table, entry in admitted.items()}, admitted)


def read_labels(lake: Path) -> pl.DataFrame:
    """Return what was found out afterwards; no row where the lake has no labels. For backtests alone.

    Raises
    ------
    LakeError
        If the file cannot be read or its columns are not the contract's.
    """
    parts = find_parts(lake, tables=["labels"])
    return admit("labels", read_parts(lake, "labels", parts), Registry()).rows.drop(PART)
