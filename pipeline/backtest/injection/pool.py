"""A pool of tanks as injections see it: its gauges, its meters' sales, its drops with their tickets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.backtest.injection.fault import CannotHoldError, Course, Injection, Outcome, Tables
from pipeline.backtest.injection.levels import Gauge, gauge_of, moved_levels, shift_mm
from pipeline.ledger.drop_tickets import match_tickets, tickets_of
from pipeline.ledger.drops import Drop, find_drops
from pipeline.ledger.fleet import unit_members
from pipeline.ledger.gauge import GaugeSeries, seconds, strapping_of
from pipeline.ledger.movements import MeterFlow, OpenSpans, cumulative_l, open_spans, ordered_flow

Floats = NDArray[np.float64]

COMPARTMENT_L = 500.0
"""What is missing is made up by the next loads in such steps, as it would have been ordered."""


@dataclass(frozen=True)
class Pool:
    """Tanks that act as one, with what came and went.

    `flows` are the sales booked to the pool, each times its share, on the till's clock; `tickets` its deliveries in
    order; `drops` what the level shows arriving, with rows of `tickets`.
    """

    site_id: str
    members: tuple[str, ...]
    tanks: pl.DataFrame
    gauges: list[Gauge]
    flows: list[MeterFlow]
    tickets: pl.DataFrame
    drops: list[Drop]

    @property
    def first_s(self) -> float:
        """The first usable reading. [s]"""
        return float(self.gauges[0].ts_s[0])

    @property
    def last_s(self) -> float:
        """The last usable reading. [s]"""
        return float(self.gauges[0].ts_s[-1])

    @property
    def open_spans(self) -> OpenSpans:
        """Times in which a hose of the pool is open."""
        return open_spans(self.flows)

    def volume_l(self, at_s: Floats) -> Floats:
        """Litres by the charts, water included. Shape of `at_s`. [l]"""
        return np.asarray(np.sum([gauge.volume_at(at_s) for gauge in self.gauges], axis=0))

    def ticketed(self) -> list[Drop]:
        """Drops that have one ticket, so that it is known which."""
        return [drop for drop in self.drops if len(drop.tickets) == 1]


def outcome(injection: Injection, pool: Pool, **known: object) -> Outcome:
    """What an injection came to: at its own tank and times, but for what is `known` otherwise."""
    made = Outcome(injection, pool.site_id, injection.tank_id, injection.start_s, injection.end_s)
    for name, value in known.items():
        setattr(made, name, value)
    return made


def pool_of(tables: Tables, tank_id: str) -> Pool:
    """The pool that a tank is part of.

    Raises
    ------
    CannotHoldError
        If there is no such tank, or it has no chart or hardly a reading.
    """
    members = next((group for group in unit_members(tables["tanks"]) if tank_id in group), None)
    if members is None:
        raise CannotHoldError(f"there is no tank {tank_id} in the lake")
    tanks = tables["tanks"].filter(pl.col("tank_id").is_in(members)).sort("tank_id")
    gauges = []
    for name in members:
        chart = tables["strapping"].filter(pl.col("tank_id") == name)
        if not chart.height:
            raise CannotHoldError(f"tank {name} has no chart")
        gauges.append(gauge_of(tables.readings_of(name), strapping_of(chart)))
    flows = booked_flows(tables, members)
    tickets = tables["deliveries"].filter(pl.col("tank_id").is_in(members)).sort("ts_ticket", "delivery_id")
    series = _series(gauges)
    sold = np.sum([cumulative_l(flow, series.ts_s) for flow in flows], axis=0) if flows else np.zeros(len(series))
    seen = find_drops(series, sold)
    last_s = float(series.ts_s[-1])
    drops = match_tickets(seen, tickets_of(tickets), last_s)
    return Pool(str(tanks["site_id"][0]), members, tanks, gauges, flows, tickets, drops)


def booked_flows(tables: Tables, members: tuple[str, ...]) -> list[MeterFlow]:
    """Sales booked to the tanks, test returns left out, by meter; each times the share that the feeds give then."""
    feeds = tables["meter_feeds"].filter(pl.col("tank_id").is_in(members))
    mine = (pl.col("kind") == "sale") & pl.col("meter_id").is_in(feeds["meter_id"].unique().implode())
    sales = tables["sales"].filter(mine).unique("sale_id", keep="first", maintain_order=True)
    rows = (
        sales.join(feeds.select("meter_id", "share", "valid_from", "valid_to"), on="meter_id")
        .filter(
            (pl.col("ts_end") >= pl.col("valid_from"))
            & (pl.col("valid_to").is_null() | (pl.col("ts_end") < pl.col("valid_to")))
        )
        .group_by("meter_id", "ts_start", "ts_end", "sale_id")
        .agg((pl.col("volume_l") * pl.col("share")).sum())
        .sort("meter_id", "ts_end", "sale_id")
    )
    parts = rows.partition_by("meter_id", as_dict=True, maintain_order=True)
    return [
        ordered_flow(str(name), seconds(part["ts_start"]), seconds(part["ts_end"]), part["volume_l"].to_numpy())
        for (name,), part in parts.items()
    ]


def _series(gauges: list[Gauge]) -> GaugeSeries:
    """The pool's stock at the first gauge's readings; what is not needed to find drops is not filled in."""
    lead = gauges[0]
    stock = np.asarray(np.sum([gauge.volume_at(lead.ts_s) for gauge in gauges], axis=0))
    slope = np.asarray(
        np.sum([one.strapping.surface_l_per_mm(one.level_at(lead.ts_s), lead.ts_s) for one in gauges], axis=0)
    )
    unknown = np.full(len(lead.ts_s), np.nan)
    keep = np.isfinite(stock)
    return GaugeSeries(
        ts_s=lead.ts_s[keep], level_mm=lead.level_mm[keep], water_mm=unknown[keep], temp_c=unknown[keep],
        density_kg_m3=unknown[keep], gauge_l=stock[keep], surface_l_per_mm=slope[keep],
        apart_l=np.zeros(int(keep.sum())), nominal_s=max(float(np.median(np.diff(lead.ts_s))), 1.0),
    )  # fmt: skip


def put_litres(tables: Tables, pool: Pool, course: Course, rng: np.random.Generator) -> None:
    """Let the pool's readings show `course` more litres, and its later loads make up for it.

    A later ticketed load is larger by the whole compartments that are missing by then (or smaller, where there is too
    much), ticket and drop alike: a site orders by what it sees in the tank, and the balance does not notice.

    Raises
    ------
    CannotHoldError
        If the pool runs dry or over before a load can make up for it.
    """
    makeup, tickets = _made_up(pool, course)
    _put_tickets(tables, tickets)

    for number, gauge in enumerate(pool.gauges):

        def shift_of(at_s: Floats, number: int = number) -> Floats:
            return shift_mm(pool.gauges, number, at_s, course.until(at_s) + makeup.until(at_s))

        moved = moved_levels(gauge, shift_of, rng)
        put_levels(tables, gauge.tank_id, moved.ts_s, moved.level_mm)
        _drop_rows(tables, gauge.tank_id, moved.dropped_s)
        _add_rows(tables, gauge.tank_id, moved.added_s, moved.added_mm)


def _made_up(pool: Pool, course: Course) -> tuple[Course, dict[str, float]]:
    at, litres, tickets = [0.0], [0.0], dict[str, float]()
    total = 0.0
    for drop in pool.ticketed():
        # What the load itself is short or over is seen only once it is in.
        missing = -float(course.until(np.array([drop.start_s]))[0]) - total
        extra = float(np.trunc(missing / COMPARTMENT_L)) * COMPARTMENT_L
        row = pool.tickets.row(drop.tickets[0], named=True)
        if extra == 0.0 or row["ticket_volume_l"] + extra < 2.0 * COMPARTMENT_L:
            continue
        tickets[row["delivery_id"]] = extra
        at += [drop.start_s, max(drop.end_s, drop.start_s + 1.0)]
        litres += [total, total + extra]
        total += extra
    return Course(np.array(at), np.array(litres)), tickets


def _put_tickets(tables: Tables, tickets: dict[str, float]) -> None:
    extra = (
        pl.col("delivery_id").replace_strict(tickets, default=0.0, return_dtype=pl.Float64) if tickets else pl.lit(0.0)
    )
    tables.put("deliveries", tables["deliveries"].with_columns(ticket_volume_l=pl.col("ticket_volume_l") + extra))


def put_levels(tables: Tables, tank_id: str, ts_s: Floats, level_mm: Floats) -> None:
    """Let the usable readings of a tank at those instants show other levels; rows marked bad stay as they are."""
    if not len(ts_s):
        return
    new = pl.DataFrame({"ts": stamps(ts_s), "_new": level_mm})
    rows = tables.readings_of(tank_id).join(new, on="ts", how="left", maintain_order="left")
    is_used = pl.col("_new").is_not_null() & (pl.col("quality") != "bad") & pl.col("level_mm").is_not_null()
    level = pl.when(is_used).then(pl.col("_new")).otherwise(pl.col("level_mm"))
    tables.readings[tank_id] = rows.with_columns(level_mm=level).drop("_new")


def _drop_rows(tables: Tables, tank_id: str, ts_s: Floats) -> None:
    if not len(ts_s):
        return
    gone = pl.col("ts").is_in(stamps(ts_s).implode()) & (pl.col("quality") != "bad")
    tables.readings[tank_id] = tables.readings_of(tank_id).filter(~gone)


def _add_rows(tables: Tables, tank_id: str, ts_s: Floats, level_mm: Floats) -> None:
    """New rows, each right after the last older row of its tank, with that row's water, temperature and density."""
    if not len(ts_s):
        return
    rows = tables.readings_of(tank_id)
    before = rows.filter(pl.col("quality") == "good").sort("ts")
    new = pl.DataFrame({"ts": stamps(ts_s), "level_mm": level_mm}).sort("ts")
    made = new.join_asof(before.drop("level_mm"), on="ts", strategy="backward").drop_nulls("tank_id")
    tables.readings[tank_id] = pl.concat([rows, made.with_columns(pl.col("_row") + 0.5).select(rows.columns)])


def stamps(ts_s: Floats) -> pl.Series:
    """Instants in the contract's type, to the microsecond."""
    return pl.Series(np.round(ts_s * 1e6).astype(np.int64)).cast(pl.Datetime("us", "UTC"))
