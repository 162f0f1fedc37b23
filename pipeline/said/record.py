"""The record on disk: one file a saying in the folder `said` of a run, numbered in the order in which they were said.

Nothing in it is ever changed or removed, and the store is not opened for it: a night that writes the store and who
speaks at the desk do not wait for each other. A file appears whole or not at all. Two who speak at once take turns by a
lock that is held while one file is written, so that each has its own number; a clock that goes back moves no order.
"""

import json
from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipeline.errors import StoreError
from pipeline.lock import locked
from pipeline.rights import make_private
from pipeline.said.sayings import SCHEMA, labels
from pipeline.text_file import put_text

FOLDER: Final = "said"
EXPORT: Final = "labels.parquet"
"""File, in the folder of a run, that has what was said as the contract's labels."""
_LOCK: Final = ".lock"
_WAIT_S: Final = 20.0


def say(out: Path, row: Mapping[str, Any], *, now: datetime) -> int:
    """Number of the saying in the record, after adding it as said at `now`, and the labels anew where it bears on them.

    Raises
    ------
    StoreError
        If another holds the record for longer than any saying takes, or what is there cannot be read.
    """
    folder = out / FOLDER
    make_private(folder)
    with locked(folder / _LOCK, f"{folder}: another process writes what was said", wait_s=_WAIT_S):
        seq = newest(out) + 1
        told = dict(row) | {"seq": seq, "at": now, "learned_on": row["learned_on"]}
        if row["kind"] == "closed" and row["learned_on"] is None:
            told["learned_on"] = now.date()
        text = json.dumps(told, default=_plain, ensure_ascii=False, indent=1)
        put_text(text, folder / f"{seq:08d}.json", is_private=True)
        if row["kind"] in ("closed", "reopened"):
            put_labels(out)
    return seq


def put_labels(out: Path) -> None:
    """Write what was said as the contract's labels, where anything was that bears on them.

    Raises
    ------
    StoreError
        If a file of the record is not as it was written.
    """
    said = read(out)
    if said["kind"].is_in(["closed", "reopened"]).any():
        beside = out / f".{EXPORT}.new"
        labels(said).write_parquet(beside)
        beside.replace(out / EXPORT)


def read(out: Path, known: pl.DataFrame | None = None) -> pl.DataFrame:
    """All that was said, in the columns of the contract's table `sayings` and in its order.

    Parameters
    ----------
    out : Path
    known : DataFrame, optional
        What was read before: as nothing in the record is ever changed, only what came since is opened.

    Raises
    ------
    StoreError
        If a file of the record is not as it was written.
    """
    before = SCHEMA.to_frame() if known is None else known
    last = "" if before.is_empty() else f"{int(before['seq'][-1]):08d}"
    paths = [path for path in sorted((out / FOLDER).glob("*.json")) if path.stem > last]
    return before.vstack(pl.DataFrame([_read_one(path) for path in paths], schema=SCHEMA, orient="row"))


def newest(out: Path) -> int:
    """Number of the last saying; -1 where nothing was said yet."""
    return max((int(path.stem) for path in (out / FOLDER).glob("*.json") if path.stem.isdecimal()), default=-1)


def _read_one(path: Path) -> list[Any]:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        return [_typed(told.get(name), dtype) for name, dtype in SCHEMA.items()]
    except (ValueError, AttributeError, TypeError) as error:
        raise StoreError(f"{path}: this is not a saying as it was written; put the file back or away") from error


def _typed(value: Any, dtype: pl.DataType) -> Any:
    if value is None:
        return None
    if dtype == pl.Date:
        return date.fromisoformat(value)
    if isinstance(dtype, pl.Datetime):
        return datetime.fromisoformat(value)
    if dtype.is_float():
        return float(value)
    return int(value) if dtype.is_integer() else str(value)


def _plain(value: object) -> str:
    return value.isoformat() if isinstance(value, date) else str(value)
