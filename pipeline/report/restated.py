"""What an old chart put into its days' variance, once a new one is in force: chart, and neither loss nor gain."""

from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.features.trading_days import trading_days
from pipeline.report.tables import Tables

Row = dict[str, Any]

NEAR: Final = timedelta(days=7)
"""A new chart is that of an entry `chart_replaced` so near to the instant from which it holds. No source."""
_SCHEMA: Final = pl.Schema({"tank_id": pl.String(), "trading_day": pl.Date(), "chart_l": pl.Float64()})


def chart_litres(tables: Tables) -> pl.DataFrame:
    """Litres of a day's variance that are the old chart's: `tank_id`, `trading_day`, `chart_l` (less is less stock).

    Of each day before an entry `chart_replaced` the stocks are read anew by the chart that followed, by the levels that
    they stood for; water is passed over. Where the days do not close better by it they stay as they were: the new chart
    may be the wrong one, and is judged afresh.
    """
    frames = [_SCHEMA.to_frame()]
    sites = {row["site_id"]: row for row in tables.rows("sites")}
    replaced = tables["events"].filter(kind="chart_replaced").drop_nulls("tank_id")
    for tank in tables.rows("tanks"):
        events = replaced.filter(tank_id=tank["tank_id"])["ts"].to_list()
        site = sites.get(tank["site_id"])
        if events and site is not None:
            frames += _of_tank(tables, tank["tank_id"], site, events)
    return pl.concat(frames).group_by("tank_id", "trading_day", maintain_order=True).agg(pl.col("chart_l").sum())


def _of_tank(tables: Tables, tank_id: str, site: Row, events: list[datetime]) -> list[pl.DataFrame]:
    """The days of each chart of a tank that was replaced, those alone that close better by the next."""
    charts = tables.of_tank("strapping", tank_id).partition_by("valid_from", maintain_order=True)
    days = tables.of_tank("tank_days", tank_id)
    found = []
    since = date.min
    for old, new in pairwise(charts):
        start = new["valid_from"][0]
        at_s = start.timestamp()
        changed_on = trading_days(site["timezone"], site["trading_day_start"], at_s, at_s).dates[0]
        if any(abs(start - at) <= NEAR for at in events):
            mine = days.filter(pl.col("trading_day").is_between(since, changed_on)).drop_nulls("variance_l")
            restated = mine.with_columns(chart_l=_chart_l(mine, changed_on, old, new))
            if _closes_better(restated.filter(pl.col("trading_day") < changed_on)):
                found.append(restated.select(pl.col(name).cast(kind) for name, kind in _SCHEMA.items()))
        since = changed_on + timedelta(days=1)
    return found


def _closes_better(days: pl.DataFrame) -> bool:
    """Whether days close better without what the old chart put into them; the day of the change closes so anyhow."""
    variance_l, chart_l = days["variance_l"].to_numpy(), days["chart_l"].to_numpy()
    return bool(np.square(variance_l - chart_l).sum() < np.square(variance_l).sum())


def _chart_l(days: pl.DataFrame, changed_on: date, old: pl.DataFrame, new: pl.DataFrame) -> np.ndarray:
    """What the old chart gave beyond the new one at each day's end, less what it gave at its start. [l]"""

    def beyond(stock: str) -> np.ndarray:
        litres = days[stock].to_numpy()
        level = np.interp(litres, old["volume_l"].to_numpy(), old["level_mm"].to_numpy())
        return np.asarray(litres - np.interp(level, new["level_mm"].to_numpy(), new["volume_l"].to_numpy()))

    at_end = np.where((days["trading_day"] < changed_on).to_numpy(), beyond("closing_stock_l"), 0.0)
    return np.asarray(at_end - beyond("opening_stock_l"))
