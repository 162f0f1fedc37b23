"""What the last published runs showed, in the folder of the run, by which a page says what is new."""

import json
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipeline.errors import StoreError
from pipeline.said.believed import SCHEMA
from pipeline.said.record import read
from pipeline.said.since import Shown
from pipeline.text_file import put_text

FILE: Final = "since.json"
BELIEVED: Final = "believed.parquet"


def last_shown(out: Path, mark: str | None = None) -> Shown | None:
    """What was shown before the run over the data of `mark`, or before the last one; None where there was no run.

    A run that is published again, over the same data, still has the one before it to be compared with.

    Raises
    ------
    StoreError
        If the file is not as it was written.
    """
    kept = _read(out)
    return _shown(kept.get("before" if mark in (None, kept.get("mark")) else "now"))


def keep_shown(out: Path, mark: str, now: Shown) -> None:
    """Keep what the run over the data of `mark` shows, beside what was shown before it."""
    before = last_shown(out, mark)
    kept = {"mark": mark, "before": None if before is None else asdict(before), "now": asdict(now)}
    put_text(json.dumps(kept, default=str, indent=1), out / FILE)


def read_believed(out: Path) -> pl.DataFrame:
    """What the runs published in a folder believed of each case, in the columns of `believed.SCHEMA`.

    Raises
    ------
    StoreError
        If the file is not as it was written.
    """
    path = out / BELIEVED
    if not path.is_file():
        return SCHEMA.to_frame()
    try:
        kept = pl.read_parquet(path)
        # An earlier version's file has no `is_over`.
        whole = kept if "is_over" in kept.columns else kept.with_columns(is_over=pl.lit(None, pl.Boolean()))
        return whole.select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())
    except (pl.exceptions.PolarsError, OSError) as error:
        raise StoreError(f"{path}: this is not as it was written; put it back from a backup, or remove it") from error


def said_frames(out: Path, mark: str | None = None, known: pl.DataFrame | None = None) -> dict[str, pl.DataFrame]:
    """What people said and what was shown before, as the report takes it; `known` are sayings that were read before.

    `sayings`, `before`, `last_run`, and `believed` of each case by the runs so far.
    """
    last = last_shown(out, mark)
    cases = [] if last is None else [{"case_id": case_id} | dict(row) for case_id, row in last.cases.items()]
    return {
        "sayings": read(out, known),
        "before": pl.DataFrame(cases, infer_schema_length=None),
        "believed": read_believed(out),
        "last_run": pl.DataFrame({"day": [] if last is None else [last.day]}, schema={"day": pl.Date}),
    }


def _read(out: Path) -> dict[str, Any]:
    path = out / FILE
    if not path.is_file():
        return {}
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        _shown(found["now"])
        _shown(found["before"])
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{path}: this is not as it was written; remove it, and nothing is new to the next run"
        ) from error
    return found


def _shown(kept: dict[str, Any] | None) -> Shown | None:
    return None if kept is None else Shown(date.fromisoformat(kept["day"]), kept["cases"])
