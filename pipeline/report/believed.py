"""A case's history: what the runs so far believed of it, from day to day, in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import polars as pl

from pipeline.report import format as fmt
from pipeline.report import said_text, text
from pipeline.report.case import Case
from pipeline.report.tables import Tables
from pipeline.said.believed import GONE

MOST_ROWS: Final = 30
"""Changes that a case shows, its newest. No source: a month of nights."""
STATES: Final = {**text.STATES, GONE: said_text.NOT_RAISED}


@dataclass(frozen=True, slots=True)
class Believed:
    """Rows in words, the newest first, each with `day`, `probability`, `litres`, `urgency` and `state`."""

    rows: list[dict[str, str]]
    left_out: int


def believed_before(tables: Tables, as_of: date) -> dict[str, tuple[Mapping[str, Any], ...]]:
    """What the runs over data that ended before a day believed of each case, by its key, the oldest first."""
    rows = tables["believed"].filter(pl.col("day") < as_of)
    parts = rows.partition_by("case_id", as_dict=True, maintain_order=True)
    return {str(key): tuple(part.to_dicts()) for (key,), part in parts.items()}


def told(case: Case) -> Believed:
    """A case's history with how it now stands, a row where what a reader sees of it has changed."""
    now = dict(case.row) | {"day": case.as_of, "state": case.state}
    rows: list[dict[str, str]] = []
    for row in [*case.believed, now]:
        words = _words(row)
        if not rows or {**words, "day": ""} != {**rows[-1], "day": ""}:
            rows.append(words)
    return Believed(rows[: -MOST_ROWS - 1 : -1], max(len(rows) - MOST_ROWS, 0))


def _words(row: Mapping[str, Any]) -> dict[str, str]:
    litres = fmt.estimate(row["litres"], row["litres_low"], row["litres_high"], "l", signed=True)
    return {
        "day": fmt.day(row["day"]),
        "probability": fmt.probability(row["probability"]),
        "litres": "" if row["litres"] is None else litres,
        "urgency": text.URGENCY.get(row["urgency"], row["urgency"] or ""),
        "state": STATES.get(row["state"], row["state"]),
    }
