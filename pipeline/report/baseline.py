"""By how much a tank's sound days scatter: what its other days are measured against."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.report.case import Case
from pipeline.report.tables import Tables

FEWEST_DAYS: Final = 14
"""Sound days from which a tank's own scatter is told. No source. [d]"""
LEAST_L: Final = 1.0
"""Scatter below which none is taken to be: below a litre a day nothing is news. No source. [l]"""
MAD_TO_SD: Final = 1.4826
"""Makes a median absolute deviation the standard deviation of a normal spread: 1 / Φ⁻¹(3/4)."""


@dataclass(frozen=True, slots=True)
class Spread:
    """A tank's usual scatter in a day, its own or, where too few of its days are sound, the fleet's middle one. [l]"""

    litres: float
    is_own: bool


def sound_days(tables: Tables, cases: Sequence[Case]) -> pl.DataFrame:
    """Days with a variance on which nothing was odd and no case of the tank was at work."""
    days = tables["tank_days"].drop_nulls("variance_l").filter(~pl.col("is_anomalous").fill_null(False))
    spans = [
        (tank_id, case.row["ts_start"].date(), (case.row["ts_end"].date() if case.row["ts_end"] else case.as_of))
        for case in cases
        if case.row["ts_start"] is not None and not case.is_ruled_out
        for tank_id in case.tanks
    ]
    at_work = pl.DataFrame(
        spans, schema={"tank_id": pl.String, "_first": pl.Date, "_last": pl.Date}, orient="row"
    ).with_columns(trading_day=pl.date_ranges("_first", "_last")).explode("trading_day")  # fmt: skip
    return days.join(at_work, on=["tank_id", "trading_day"], how="anti")


def usual_spread(tables: Tables, cases: Sequence[Case]) -> dict[str, Spread]:
    """Of each tank by how much its variance scatters about nought on a sound day: 1.4826 times the middle size.

    About nought and not about the tank's own middle: a steady loss is to be seen, and not to be taken off.
    """
    own = (
        sound_days(tables, cases)
        .group_by("tank_id")
        .agg(n=pl.len(), spread=pl.col("variance_l").abs().median() * MAD_TO_SD)
        .filter(pl.col("n") >= FEWEST_DAYS)
        .sort("tank_id")
    )
    by_tank = {t: max(s, LEAST_L) for t, s in own.select("tank_id", "spread").iter_rows()}
    middle = pl.Series([*by_tank.values()], dtype=pl.Float64).median()
    usual = Spread(max(float(middle), LEAST_L), is_own=False) if isinstance(middle, float) else Spread(LEAST_L, False)
    return {
        t: Spread(by_tank[t], is_own=True) if t in by_tank else usual for t in tables["tanks"]["tank_id"].drop_nulls()
    }
