"""One Parquet file of a lake as rows in the contract's types, or what is wrong with it."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import IO, Final

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.contract.columns import contract_type
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.intake import PART

FILE: Final = "file_"
_COLUMN: Final = "column_"
"""How the names of rules begin that cost a whole file, and one column of it."""
BROKEN: Final = (pl.exceptions.PolarsError, pl.exceptions.PanicException, pa.ArrowException, OSError)
"""What reading a file that is no sound Parquet has been seen to raise."""

MOST_ROWS: Final = 20_000_000
MOST_BYTES: Final = 2_000_000_000
"""Rows, and bytes once they are unpacked, of the largest file that is read. So many readings take some 3 GB while they
are put in order, and a file of a few kilobytes can unpack to any number of them. [C]"""


@dataclass(frozen=True, slots=True)
class FileTrouble:
    """What is wrong with a file or a column of it: its part's day, the rules it breaks, and a line for who mends it."""

    day: date | None
    reason: str
    said: str

    @property
    def is_whole(self) -> bool:
        """Whether the whole file is refused, and not one column of it."""
        return self.reason.startswith(FILE)


@dataclass(frozen=True, slots=True)
class FileSize:
    """What a Parquet file unpacks to, as its last bytes tell."""

    rows: int
    unpacked_bytes: int

    @property
    def is_too_large(self) -> bool:
        """Whether it is more than is read."""
        return self.rows > MOST_ROWS or self.unpacked_bytes > MOST_BYTES

    @property
    def said(self) -> str:
        """What it is and what is read, as a user is told."""
        most = f"{MOST_ROWS:,} rows and {MOST_BYTES:,} bytes"
        return f"unpacks to {self.rows:,} rows and {self.unpacked_bytes:,} bytes; at most {most} are read of one file"


def file_size(file: Path | IO[bytes]) -> FileSize:
    """What a Parquet file unpacks to, without unpacking it.

    Raises
    ------
    One of `BROKEN`
        If it is no sound Parquet.
    """
    about = pq.read_metadata(file)
    groups = [about.row_group(number) for number in range(about.num_row_groups)]
    rows = max(about.num_rows, sum(group.num_rows for group in groups))
    return FileSize(rows, sum(group.total_byte_size for group in groups))


def rows_told(path: Path) -> int:
    """How many rows a file says that it holds; none where it cannot be read or is larger than any that is."""
    try:
        size = file_size(path)
    except BROKEN:
        return 0
    return 0 if size.is_too_large else size.rows


def scan_file(lake: Path, table: str, day: date | None, path: Path) -> tuple[pl.LazyFrame | None, list[FileTrouble]]:
    """A file's rows, or None where it cannot be used, and what is wrong with it."""
    where = path.relative_to(lake)
    try:
        size = file_size(path)
        found = pl.read_parquet_schema(path)
    except BROKEN:
        said = f"{where} is not readable as Parquet (truncated, or of another kind)"
        return None, [FileTrouble(day, f"{FILE}unreadable", said)]
    if size.is_too_large:
        return None, [FileTrouble(day, f"{FILE}too_large", f"{where} {size.said}; split it into smaller ones")]
    expressions, troubles = [], []
    columns = LAKE_TABLES[table].columns()
    for name, wanted in polars_schema(LAKE_TABLES[table]).items():
        cast = _cast(pl.col(name), found[name], wanted) if name in found else None
        is_needed = not columns[name].nullable
        if cast is None and name in found:
            kind = contract_type((columns[name].metadata or {})["kind"])
            said = f"{where}: column {name} is {found[name]}, expected {kind}"
            prefix = FILE if is_needed else _COLUMN
            troubles.append(FileTrouble(day, f"{prefix}{name}_of_wrong_type", said))
        elif cast is None and is_needed:
            troubles.append(FileTrouble(day, f"{FILE}without_{name}", f"{where} has no column {name}"))
        expressions.append((pl.lit(None, wanted) if cast is None else cast).alias(name))
    refused = [trouble for trouble in troubles if trouble.is_whole]
    if refused:
        return None, [FileTrouble(day, ", ".join(one.reason for one in refused), refused[0].said)]
    scan = pl.scan_parquet(path, hive_partitioning=False, glob=False)
    return scan.select(*expressions, pl.lit(day, pl.Date).alias(PART)), troubles


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
