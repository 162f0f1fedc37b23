"""Tanks whose stock nobody can tell, for want of readings or of a chart: their sales and tickets alone."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.estimate.observe import SiteObserved
from pipeline.ledger.gauge import seconds
from pipeline.physics.regulatory import monthly_allowance_l
from pipeline.scoring.unit_days import booked_of
from pipeline.scoring.unit_sheet import trading_days_of

NO_STOCK = "too few days: the gauge has no readings, or the tank no chart"

Frames = dict[str, pl.DataFrame]


def bare_tanks(tables: Mapping[str, pl.DataFrame], site: SiteObserved) -> list[str]:
    """The site's tanks that belong to no observed unit."""
    held = {name for seen in site.units for name in seen.unit.members}
    return [name for name in sorted(tables["tanks"]["tank_id"].to_list()) if name not in held]


def bare_rows(tables: Mapping[str, pl.DataFrame], tank_id: str) -> Frames:
    """Rows of `tank_days` and `statements` of one such tank: what was sold and ticketed, and that no more is known.

    A ticket is booked by its own time, since no drop is seen.
    """
    days = trading_days_of(tables, (tank_id,))
    if days is None:
        return {}
    sold = booked_of(tables["sales"], tables["meter_feeds"], (tank_id,)).in_days_l(days).sum(axis=1)
    tickets = tables["deliveries"].filter(pl.col("tank_id") == tank_id)
    at, litres = days.index_of(seconds(tickets["ts_ticket"])), tickets["ticket_volume_l"].to_numpy()
    rows = pl.DataFrame(
        {
            "tank_id": pl.repeat(tank_id, len(days), eager=True),
            "trading_day": list(days.dates),
            "deliveries_l": np.bincount(at, litres, minlength=len(days)) if len(at) else np.zeros(len(days)),
            "sales_l": sold,
        }
    )
    return {"tank_days": rows, "statements": _statements(rows, tank_id)}


def _statements(rows: pl.DataFrame, tank_id: str) -> pl.DataFrame:
    months = rows.group_by(month=pl.col("trading_day").dt.month_start()).agg(pl.col("sales_l").sum()).sort("month")
    throughput = months["sales_l"].to_numpy()
    return months.select(
        pl.lit(tank_id).alias("tank_id"),
        "month",
        pl.col("sales_l").alias("throughput_l"),
        pl.Series("allowance_l", np.atleast_1d(monthly_allowance_l(throughput))),
        pl.lit("inconclusive").alias("verdict"),
        pl.lit(NO_STOCK).alias("reason"),
    )
