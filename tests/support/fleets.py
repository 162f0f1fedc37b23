"""Simulated fleets as a run's analysis sees them: contract tables in order, and the same tables cut after a day."""

from datetime import date

import polars as pl

from pipeline.contract.lake import LAKE_TABLES, TIME_COLUMNS
from pipeline.features.trading_days import trading_days
from pipeline.ledger.gauge import seconds

Tables = dict[str, pl.DataFrame]

ORDER = {"readings": ("tank_id", "ts"), "sales": ("meter_id", "ts_end"), "meter_totals": ("meter_id", "ts")}
KEYS = {"readings": ["tank_id", "ts"], "sales": ["sale_id"], "meter_totals": ["meter_id", "ts"]}


def clean(frames: Tables) -> Tables:
    """What the store holds of a simulated lake: no labels, doubles once, rows in order."""
    tables = {name: frames[name] for name in LAKE_TABLES if name != "labels"}
    for name, order in ORDER.items():
        tables[name] = tables[name].unique(KEYS[name], keep="last", maintain_order=True).sort(order)
    return tables


def cut(tables: Tables, last: date) -> Tables:
    """The tables as they stood at the end of a UTC day."""
    out = {}
    for name, frame in tables.items():
        seen = frame
        if name in TIME_COLUMNS:
            seen = seen.filter(pl.col(TIME_COLUMNS[name]).dt.date() <= last)
        if name == "meter_feeds":
            ended = pl.col("valid_to").dt.date() <= last
            seen = seen.with_columns(pl.when(ended).then(pl.col("valid_to")).alias("valid_to"))
        out[name] = seen
    return out


def run_days(tables: Tables) -> pl.DataFrame:
    """The UTC day in which each tank's trading day ended: tank_id, trading_day, run_day."""
    ends = seconds(pl.Series([tables["readings"]["ts"].min(), tables["readings"]["ts"].max()]))
    rows = []
    for site in tables["sites"].iter_rows(named=True):
        days = trading_days(site["timezone"], site["trading_day_start"], float(ends[0]), float(ends[1]))
        runs = [date.fromordinal(date(1970, 1, 1).toordinal() + int(day)) for day in days.run_days()[1:]]
        rows.append(pl.DataFrame({"site_id": site["site_id"], "trading_day": list(days.dates), "run_day": runs}))
    homes = tables["tanks"].select("tank_id", "site_id")
    return homes.join(pl.concat(rows), on="site_id").drop("site_id")
