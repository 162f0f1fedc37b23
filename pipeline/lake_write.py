"""Writes a lake's tables to disk as Parquet whose bytes depend on the frames alone."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, LAKE_TABLES, TIME_COLUMNS
from pipeline.errors import ArgumentError

_ROWS_A_GROUP = 1_000_000


def write_lake(frames: Mapping[str, pl.DataFrame], folder: Path, *, replace: bool = False) -> None:
    """Write the contract's tables among `frames` into `folder`; other names are left out.

    A table by day becomes `NAME/day=YYYY-MM-DD/part-0.parquet`, its rows in the order given.

    Parameters
    ----------
    frames : mapping of str to DataFrame
    folder : Path
        Made if it is not there.
    replace : bool
        Whether to take away the lake that stands in `folder` first; what is not a lake's table stays.

    Raises
    ------
    ArgumentError : if `folder` is a file, or holds something and `replace` is not set.
    """
    if folder.exists() and not folder.is_dir():
        raise ArgumentError(f"{folder}: to write a lake it must be a folder")
    if replace:
        _clear(folder)
    elif folder.exists() and any(folder.iterdir()):
        raise ArgumentError(f"{folder}: to write a lake it must be a new or an empty folder")
    folder.mkdir(parents=True, exist_ok=True)
    for name, schema in LAKE_TABLES.items():
        if name not in frames:
            continue
        table = frames[name].cast(polars_schema(schema))
        if name in BY_DAY:
            _write_days(table, TIME_COLUMNS[name], folder / name)
        else:
            _write_file(table, folder / f"{name}.parquet")


def _clear(folder: Path) -> None:
    for name in LAKE_TABLES:
        (folder / f"{name}.parquet").unlink(missing_ok=True)
        shutil.rmtree(folder / name, ignore_errors=True)


def _write_days(table: pl.DataFrame, time_column: str, folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    day = pl.col(time_column).dt.date()
    for (value,), rows in table.group_by(day.alias("day"), maintain_order=True):
        place = folder / f"day={value}"
        place.mkdir()
        _write_file(rows, place / "part-0.parquet")


def _write_file(table: pl.DataFrame, path: Path) -> None:
    arrow = table.to_arrow(compat_level=pl.CompatLevel.oldest())
    pq.write_table(arrow, path, compression="zstd", compression_level=6, row_group_size=_ROWS_A_GROUP)


def put_file(table: pl.DataFrame, path: Path) -> None:
    """Put a table in the place of a file: whoever reads, or is killed meanwhile, finds the old file or the new one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.new")
    try:
        _write_file(table, beside)
        with beside.open("rb") as written:
            os.fsync(written.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
