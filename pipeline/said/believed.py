"""What each published run believed of each case, a row where that changed: a case's history from day to day."""

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, Final

import polars as pl

FIGURES: Final = ("probability", "litres", "litres_low", "litres_high", "urgency", "state", "is_over")
SCHEMA: Final = pl.Schema(
    {"case_id": pl.String(), "day": pl.Date(), "probability": pl.Float64(), "litres": pl.Float64(),
     "litres_low": pl.Float64(), "litres_high": pl.Float64(), "urgency": pl.String(), "state": pl.String(),
     "is_over": pl.Boolean()}
)  # fmt: skip
GONE: Final = "gone"
"""State of a case that a run no longer raised."""


def believed_with(before: pl.DataFrame, cases: Iterable[Mapping[str, Any]], day: date) -> pl.DataFrame:
    """What was believed up to now, with what a run over data to `day` believes of its cases.

    A run that is published again for a day takes the place of what it said before.

    Parameters
    ----------
    before : DataFrame
        With the columns of `SCHEMA`, what earlier runs believed.
    cases : iterable of mapping
        The run's cases, each with `case_id` and `FIGURES`.
    day : date
    """
    earlier = before.filter(pl.col("day") != day)
    last = earlier.filter(pl.col("day") < day).sort("day").unique("case_id", keep="last", maintain_order=True)
    now = pl.DataFrame(
        [{"case_id": row["case_id"], "day": day} | {name: row[name] for name in FIGURES} for row in cases],
        schema=SCHEMA,
    )
    gone = last.join(now, on="case_id", how="anti")
    told = pl.concat([now, gone.with_columns(pl.lit(day).alias("day"), pl.lit(GONE).alias("state"))])
    # An earlier version did not tell whether it was over; that it now is told is no change.
    unknown = pl.col("is_over_last").is_null()
    same = pl.all_horizontal(
        pl.col(name).eq_missing(pl.col(f"{name}_last")) | (unknown if name == "is_over" else False) for name in FIGURES
    )
    changed = told.join(last, on="case_id", how="left", suffix="_last").filter(~same | pl.col("day_last").is_null())
    return pl.concat([earlier, changed.select(SCHEMA.names())]).sort("case_id", "day")
