"""Faults of the books: sales that are missing, booked elsewhere or at the wrong time, tickets lost, charts replaced."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import polars as pl

from pipeline.backtest.injection.fault import CannotHoldError, Injection, Outcome, Tables, stamp
from pipeline.backtest.injection.pool import Pool, outcome
from pipeline.backtest.injection.stock import busiest, end_of, next_drop

Maker = Callable[[Injection, Pool, Tables, np.random.Generator], Outcome]

SHIFT_H: Final = 8.0
"""How long a shift lasts, for a hose that is booked wrongly during one. Common practice, no source. [h]"""


def missing_sales(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """`size` per cent of a meter's sales in one shift of eight hours are not booked; its totaliser counts on."""
    meter = busiest(injection, pool).meter_id
    shift_h = float(rng.uniform(0.0, 24.0))
    hour = (pl.col("ts_start").dt.timestamp("us") / 3.6e9 - shift_h) % 24.0
    sales = tables["sales"].with_columns(_chance=pl.Series(rng.random(tables["sales"].height)))
    gone = (
        (pl.col("meter_id") == meter)
        & (pl.col("kind") == "sale")
        & (pl.col("ts_start") >= stamp(injection.start_s))
        & (pl.col("ts_end") <= stamp(end_of(injection, pool)))
        & (hour < SHIFT_H)
        & (pl.col("_chance").first().over("sale_id") < injection.size / 100.0)
    )
    lost = sales.filter(gone).unique("sale_id")
    if not lost.height:
        raise CannotHoldError(f"meter {meter} has no sale to lose after the fault's start")
    tables.put("sales", sales.filter(~gone).drop("_chance"))
    return outcome(injection, pool, meter_id=meter, litres=-float(lost["volume_l"].sum()))


def wrong_feed(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """From the start on the books have one of the pool's meters draw on a neighbour; the pipes stay as they are."""
    meter = busiest(injection, pool).meter_id
    feeds = tables["meter_feeds"]
    now = feeds.filter(
        (pl.col("meter_id") == meter)
        & (pl.col("valid_from") <= stamp(injection.start_s))
        & (pl.col("valid_to").is_null() | (pl.col("valid_to") > stamp(injection.start_s)))
    )
    others = tables["tanks"].filter((pl.col("site_id") == pool.site_id) & ~pl.col("tank_id").is_in(pool.members))
    mine = _family(str(pool.tanks["product"][0]))
    likely = sorted(
        name for name, product in others.select("tank_id", "product").iter_rows() if _family(product) == mine
    )
    if now.height != 1 or not likely:
        raise CannotHoldError(f"tank {injection.tank_id} has no neighbour of its kind to book its sales to")
    other = likely[int(rng.integers(len(likely)))]
    row = now.row(0, named=True)
    is_now = (
        (pl.col("meter_id") == meter)
        & (pl.col("tank_id") == row["tank_id"])
        & (pl.col("valid_from") == row["valid_from"])
    )
    ends = pl.when(is_now).then(stamp(injection.start_s)).otherwise(pl.col("valid_to"))
    kept = feeds.with_columns(valid_to=ends)
    fresh = now.with_columns(tank_id=pl.lit(other), valid_from=stamp(injection.start_s))
    tables.put("meter_feeds", pl.concat([kept, fresh]))
    booked = tables["sales"].filter(
        (pl.col("meter_id") == meter)
        & (pl.col("kind") == "sale")
        & (pl.col("ts_end") >= stamp(injection.start_s))
        & (pl.col("ts_end") <= stamp(pool.last_s))
    )
    litres = float(booked.unique("sale_id")["volume_l"].sum())
    return outcome(injection, pool, tank_id=other, meter_id=meter, end_s=None, litres=litres)


def _family(product: str) -> str:
    return product.split("_")[0]


def missing_ticket(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """The ticket of a drop is lost."""
    drop = next_drop(injection, pool, least_l=injection.size)
    delivery = str(pool.tickets["delivery_id"][drop.tickets[0]])
    tables.put("deliveries", tables["deliveries"].filter(pl.col("delivery_id") != delivery))
    return outcome(injection, pool, start_s=drop.start_s, end_s=drop.end_s, litres=drop.gain_l)


def clock_skew(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """The till's clock is set `size` seconds ahead: its sales and totals bear later times."""
    meters = tables["meters"].filter(pl.col("site_id") == pool.site_id)["meter_id"].to_list()
    wrong = pl.duration(microseconds=round(injection.size * 1e6))
    for name, columns in (("sales", ("ts_start", "ts_end")), ("meter_totals", ("ts",))):
        rows = tables[name]
        during = pl.col("meter_id").is_in(meters) & (pl.col(columns[-1]) >= stamp(injection.start_s))
        if injection.end_s is not None:
            during &= pl.col(columns[-1]) < stamp(injection.end_s)
        moved = [pl.when(during).then(pl.col(c) + wrong).otherwise(pl.col(c)).alias(c) for c in columns]
        tables.put(name, rows.with_columns(moved))
    return outcome(injection, pool, tank_id=None)


def chart_error(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """The chart is replaced by one whose volumes are `size` per cent too large, and the site's log says so."""
    chart = tables["strapping"].filter(
        (pl.col("tank_id") == injection.tank_id) & (pl.col("valid_from") <= stamp(injection.start_s))
    )
    if not chart.height:
        raise CannotHoldError(f"tank {injection.tank_id} has no chart before the fault's start")
    latest = chart.filter(pl.col("valid_from") == pl.col("valid_from").max())
    fresh = latest.with_columns(
        valid_from=stamp(injection.start_s), volume_l=(pl.col("volume_l") * (1.0 + injection.size / 100.0)).round(1)
    )
    tables.put("strapping", pl.concat([tables["strapping"], fresh]))
    log = {
        "event_id": f"INJ-{injection.tank_id}-{round(injection.start_s)}", "site_id": pool.site_id,
        "tank_id": injection.tank_id, "kind": "chart_replaced",
    }  # fmt: skip
    events = tables["events"]
    row = pl.DataFrame([log]).with_columns(ts=stamp(injection.start_s))
    tables.put("events", pl.concat([events, row], how="diagonal_relaxed").select(events.columns))
    return outcome(injection, pool, end_s=None)


MAKERS: Final[Mapping[str, Maker]] = {
    "missing_sales": missing_sales,
    "wrong_feed": wrong_feed,
    "missing_ticket": missing_ticket,
    "clock_skew": clock_skew,
    "chart_error": chart_error,
}
"""Causes that leave the readings alone."""
