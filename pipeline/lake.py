"""Parquet in: finds a lake's files, reads them into the contract's types, and cuts them at a day. Never writes.

The layout is the contract's; a table may also be a single file where a folder is expected, and the other way round.
Hidden files, and those whose name begins with an underscore, are not the lake's.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.contract.columns import contract_type
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, LAKE_TABLES, OPTIONAL_TABLES, TIME_COLUMNS
from pipeline.errors import LakeError
from pipeline.intake import PART, Admitted, Registry, admit

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


def read_parts(lake: Path, table: str, parts: Sequence[Part], *, until: date | None = None) -> pl.DataFrame:
    """Return rows of a table as they stand in some of its parts, up to a UTC day, and the part that each is from.

    Columns are the contract's in its types and `PART`. What casts without loss is cast; a column that may be null may
    be absent; what is not a finite number is null.

    Raises
    ------
    LakeError
        If a file cannot be read, lacks a column or has one of the wrong type.
    """
    scans = [_scan(lake, table, part, path) for part in parts for path in part.files]
    empty = polars_schema(LAKE_TABLES[table]).to_frame().with_columns(pl.lit(None, pl.Date).alias(PART))
    query = pl.concat([empty.lazy(), *scans])
    if until is not None:
        query = _cut(query, table, until)
    try:
        return query.collect()
    except (pl.exceptions.ComputeError, OSError):
        _name_the_unreadable(lake, parts)
        raise


def _scan(lake: Path, table: str, part: Part, path: Path) -> pl.LazyFrame:
    where = path.relative_to(lake)
    try:
        found = pl.read_parquet_schema(path)
    except (pl.exceptions.PolarsError, OSError) as error:
        raise LakeError(f"{lake}: {where} is not readable as Parquet (truncated, or of another kind)") from error
    expressions = []
    schema = LAKE_TABLES[table]
    for name, wanted in polars_schema(schema).items():
        column = schema.columns()[name]
        if name not in found:
            if not column.nullable:
                raise LakeError(f"{lake}: {where} has no column {name}")
            expressions.append(pl.lit(None, wanted).alias(name))
            continue
        cast = _cast(pl.col(name), found[name], wanted)
        if cast is None:
            kind = contract_type((column.metadata or {})["kind"])
            raise LakeError(f"{lake}: {where}: column {name} is {found[name]}, expected {kind}")
        expressions.append(cast.alias(name))
    return pl.scan_parquet(path, hive_partitioning=False, glob=False).select(
        *expressions, pl.lit(part.day, pl.Date).alias(PART)
    )


def _cast(value: pl.Expr, found: pl.DataType, wanted: pl.DataType) -> pl.Expr | None:
    """The value in the type wanted; None where that would lose or guess something."""
    if found == pl.Null:
        return value.cast(wanted)
    if isinstance(wanted, pl.Float64) and found.is_numeric():
        number = value.cast(pl.Float64)
        return pl.when(number.is_finite()).then(number) if found.is_float() else number
    if wanted.is_integer() and found.is_integer():
        return value.cast(wanted, strict=False)
    if wanted.is_integer() and found.is_float():
        return pl.when(value == value.round()).then(value).cast(wanted, strict=False)
    if isinstance(wanted, pl.String) and isinstance(found, pl.String | pl.Categorical | pl.Enum):
        return value.cast(pl.String)
    if isinstance(wanted, pl.Date) and isinstance(found, pl.Date | pl.Datetime):
        return value.dt.date()
    if isinstance(wanted, pl.Datetime) and isinstance(found, pl.Date | pl.Datetime):
        return _as_utc(value, found)
    return value if found == wanted else None


def _as_utc(value: pl.Expr, found: pl.DataType) -> pl.Expr:
    """The instant in UTC; where the file names no zone the contract does."""
    zone = found.time_zone if isinstance(found, pl.Datetime) else None
    instant = value.cast(pl.Datetime("us", zone))
    return instant.dt.replace_time_zone("UTC") if zone is None else instant.dt.convert_time_zone("UTC")


def _cut(query: pl.LazyFrame, table: str, until: date) -> pl.LazyFrame:
    """Leave nothing that became known after a UTC day."""
    if table in TIME_COLUMNS:
        # Null stays: it is for the rules to refuse.
        query = query.filter((pl.col(TIME_COLUMNS[table]).dt.date() <= until).fill_null(True))
    if "valid_to" in polars_schema(LAKE_TABLES[table]):
        ends = pl.col("valid_to")
        query = query.with_columns(pl.when(ends.dt.date() <= until).then(ends).alias("valid_to"))
    return query


def _name_the_unreadable(lake: Path, parts: Sequence[Part]) -> None:
    """Raise the error that names the file whose head can be read and whose body cannot."""
    for part in parts:
        for path in part.files:
            try:
                pl.read_parquet(path, hive_partitioning=False, glob=False)
            except (pl.exceptions.PolarsError, OSError) as error:
                raise LakeError(f"{lake}: {path.relative_to(lake)} is damaged: it cannot be read to its end") from error


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
    lake: Path, table: str, parts: Sequence[Part], registry: Registry, *, until: date | None = None
) -> Admitted:
    """Return what is let in of some parts of a table, and enter it into the registry where others refer to it.

    Raises
    ------
    LakeError
        As `read_parts`.
    """
    rows = read_parts(lake, table, parts, until=until)
    admitted = admit(table, rows, registry)
    if table in REGISTRY_TABLES:
        registry.add(REGISTRY_TABLES[table], admitted, rows)
    return admitted


def read_lake(lake: Path, *, until: date | None = None) -> Lake:
    """Return all of a lake that a run may see, in memory.

    Raises
    ------
    LakeError
        If the lake is unusable: see `find_parts`, `read_parts` and `require_usable`.
    """
    parts = find_parts(lake, until=until)
    registry = Registry()
    admitted: dict[str, Admitted] = {}
    for table in READ_TABLES:
        own = [part for part in parts if part.table == table]
        admitted[table] = admit_part_of(lake, table, own, registry, until=until)
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
