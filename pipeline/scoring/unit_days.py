"""One unit's trading days: stock at each boundary, what was sold and ticketed in between, and which run saw it.

A trading day's run is that of the UTC day in which it ended. Stock, sales and all that is judged of the day come from
data up to the end of that UTC day, so no later data changes them. A ticket is booked to the day of its drop even when
it is written hours later, so the book itself closes one UTC day after the day's run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimate.known import known_day, used_lag_s
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.features.probe import STUCK_S, STUCK_SOLD_MM, StuckSpan
from pipeline.features.reporting import Reporting
from pipeline.features.trading_days import DAY_S, TradingDays, day_end_s
from pipeline.ledger.drop_tickets import LOADED_BEFORE_S
from pipeline.ledger.fleet import Feed, Unit, feeds_of
from pipeline.ledger.gauge import GaugeSeries, seconds
from pipeline.ledger.movements import MeterFlow, cumulative_l, ordered_flow
from pipeline.physics.products import held_in_range, product_vcf

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Booked:
    """Sales as the site books them to a unit, on the till's clock: `flows` by meter, the unit's share of each sale."""

    flows: tuple[MeterFlow, ...]

    def in_days_l(self, days: TradingDays) -> Floats:
        """Litres of the sales that ended on each trading day, by meter. Shape (n, meters). [l]"""
        columns = []
        for flow in self.flows:
            total = np.concatenate([[0.0], np.cumsum(flow.volume_l)])
            columns.append(np.diff(total[np.searchsorted(flow.end_s, days.bounds_s, "left")]))
        return np.column_stack(columns) if columns else np.zeros((len(days), 0))

    def ended_l(self, at_s: Floats) -> Floats:
        """Litres of the sales that had ended before each instant. Shape of `at_s`. [l]"""
        ended = np.zeros(len(at_s))
        for flow in self.flows:
            total = np.concatenate([[0.0], np.cumsum(flow.volume_l)])
            ended += total[np.searchsorted(flow.end_s, at_s, "left")]
        return ended

    def until_l(self, at_s: Floats, known_s: Floats) -> Floats:
        """Litres poured up to each instant by the sales that had ended before `known_s`. Shape of `at_s`. [l]"""
        poured = np.zeros(len(at_s))
        for flow in self.flows:
            total = np.concatenate([[0.0], np.cumsum(flow.volume_l)])
            known = total[np.searchsorted(flow.end_s, known_s, "left")]
            # Sales of a meter follow each other, so those known come first.
            poured += np.minimum(cumulative_l(flow, at_s), known)
        return poured


def booked_of(sales: pl.DataFrame, feeds: pl.DataFrame, members: tuple[str, ...]) -> Booked:
    """The sales booked to `members` by the site's feeds in force when each sale ended; test returns left out.

    Reads of `sales`: meter_id, ts_start, ts_end, volume_l, kind; of `feeds`: meter_id, tank_id, share, valid_from,
    valid_to.
    """
    ours = feeds.filter(pl.col("tank_id").is_in(members)).select("meter_id", "share", "valid_from", "valid_to")
    rows = (
        sales.lazy()
        .filter(pl.col("kind") == "sale")
        .join(ours.lazy(), on="meter_id")
        .filter(
            (pl.col("ts_end") >= pl.col("valid_from"))
            & (pl.col("valid_to").is_null() | (pl.col("ts_end") < pl.col("valid_to")))
        )
        .group_by("meter_id", "ts_start", "ts_end", "sale_id")
        .agg((pl.col("volume_l") * pl.col("share")).sum())
        .sort("meter_id", "ts_end", "sale_id")
        .collect()
    )
    parts = rows.partition_by("meter_id", as_dict=True, maintain_order=True)
    return Booked(
        tuple(
            ordered_flow(str(name), seconds(part["ts_start"]), seconds(part["ts_end"]), part["volume_l"].to_numpy())
            for (name,), part in parts.items()
        )
    )


@dataclass(frozen=True)
class UnitDays:
    """A unit's n trading days.

    `run_day` (n + 1,) the UTC day number of the run that saw each boundary; `is_over` (n,) that the data reach the
    day's end; `stock_l`, `level_mm` (n + 1,) gauge stock and mean level at each boundary, NaN where no reading held;
    `lag_s` (n + 1,) by how much the till's clock was ahead; `feeds` what the site believes feeds what; `sold_l`
    (n, meters) booked sales by `booked.flows`; `tickets` rows of the unit's tickets booked on each day, `ticketed_l`
    (n,) their litres; `ticket_vcf` (tickets,) litres at 15 °C of a litre on each ticket, NaN where it gives no
    temperature; `drop_day` (drops,) the day that each drop is booked on; `last_dip` (n + 1,) the last settled dip
    before each boundary that its run had seen, -1 where there was none.
    """

    days: TradingDays
    run_day: Whole
    is_over: NDArray[np.bool_]
    stock_l: Floats
    level_mm: Floats
    lag_s: Floats
    feeds: list[Feed]
    booked: Booked
    sold_l: Floats
    tickets: tuple[tuple[int, ...], ...]
    ticket_vcf: Floats
    ticketed_l: Floats
    drop_day: Whole
    last_dip: Whole

    @property
    def variance_l(self) -> Floats:
        """Closing stock − (opening stock + tickets − sales), shape (n,). NaN where a stock is not known. [l]"""
        return np.asarray(np.diff(self.stock_l) - self.ticketed_l + self.sold_l.sum(axis=1))

    def __len__(self) -> int:
        """How many trading days there are."""
        return len(self.days)


def unit_days(
    days: TradingDays,
    tables: Mapping[str, pl.DataFrame],
    site: SiteObserved,
    seen: UnitObserved,
    dips: tuple[Floats, Whole],
    last_day: int,
) -> UnitDays:
    """The trading days of one unit.

    `tables` are the site's contract tables, `site` and `seen` what was observed of it and of the unit. `dips` are the
    time of each settled dip [s] and the UTC day number whose run first sees it, shape (k,) each, empty where nothing
    settled; `last_day` is the UTC day number of the last data.
    """
    run_day = days.run_days()
    is_known = run_day <= last_day
    booked = booked_of(tables["sales"], tables["meter_feeds"], seen.unit.members)
    lag = np.array([_lag_s(site, at, day) for at, day in zip(days.bounds_s, run_day, strict=True)])
    stock, level = _at_bounds(days, seen, booked, lag)
    tickets, drop_day = _booked_tickets(days, seen, last_day)
    litres = seen.unit.tickets["ticket_volume_l"].to_numpy()
    dips_s, dips_day = dips
    dip = np.minimum(np.searchsorted(dips_s, days.bounds_s, "right"), np.searchsorted(dips_day, run_day, "right"))
    return UnitDays(
        days=days,
        run_day=run_day,
        is_over=is_known[1:],
        stock_l=np.where(is_known, stock, np.nan),
        level_mm=np.where(is_known, level, np.nan),
        lag_s=lag,
        feeds=feeds_of(tables["meter_feeds"], [seen.unit]),
        booked=booked,
        sold_l=booked.in_days_l(days),
        tickets=tickets,
        ticket_vcf=_ticket_vcf(seen.unit),
        ticketed_l=np.array([litres[list(rows)].sum() for rows in tickets]),
        drop_day=drop_day,
        last_dip=dip - 1,
    )


def _at_bounds(days: TradingDays, seen: UnitObserved, booked: Booked, lag_s: Floats) -> tuple[Floats, Floats]:
    """Gauge stock and mean level at each boundary, by the last reading before it less what was sold since. (n + 1,)"""
    run_day, members = days.run_days(), seen.unit.members
    reads = [
        _last_readings(series, seen, days.bounds_s, run_day, seen.reporting[name])
        for name, series in zip(members, seen.unit.member_series, strict=True)
    ]
    # Joined tanks are brought to the boundary from the first member's reading: gauges of a site report together.
    since_s = np.nan_to_num(reads[0][0]) + lag_s
    known_s = day_end_s(run_day)
    poured = booked.until_l(days.bounds_s + lag_s, known_s) - booked.until_l(since_s, known_s)
    stock = np.sum([read[1] for read in reads], axis=0) - poured
    return stock, np.asarray(np.mean([read[2] for read in reads], axis=0))


def _ticket_vcf(unit: Unit) -> Floats:
    temp = unit.tickets["ticket_temp_c"].cast(pl.Float64).to_numpy()
    return np.asarray(product_vcf(unit.product, held_in_range(temp)), dtype=np.float64)


def _lag_s(site: SiteObserved, at_s: float, run_day: int) -> float:
    return used_lag_s(site.lags.get(min(known_day(at_s), run_day)))


def _last_readings(
    series: GaugeSeries, seen: UnitObserved, at_s: Floats, run_day: Whole, reporting: Reporting
) -> tuple[Floats, Floats, Floats]:
    """Time, gauge stock and level of the last reading before each instant; NaN where it is too old to hold."""
    time_s, stock, level = (np.full(len(at_s), np.nan) for _ in range(3))
    hold = reporting.hold_on(run_day)
    place = np.searchsorted(series.ts_s, at_s, "right") - 1
    for span in seen.stuck:
        for number in np.flatnonzero((at_s > span.start_s) & (at_s <= span.end_s + hold)):
            if series.ts_s[place[number]] >= span.start_s and was_stuck(span, seen, int(run_day[number])):
                last_inside = int(np.searchsorted(series.ts_s, span.end_s, "right")) - 1
                if place[number] <= last_inside:
                    place[number] = int(np.searchsorted(series.ts_s, span.start_s, "right")) - 1
    there = place >= 0
    there[there] = at_s[there] - series.ts_s[place[there]] <= hold[there]
    for out, values in ((time_s, series.ts_s), (stock, series.gauge_l), (level, series.level_mm)):
        out[there] = values[place[there]]
    return time_s, stock, level


def was_stuck(span: StuckSpan, seen: UnitObserved, run_day: int) -> bool:
    """Whether the run of a day could tell already that the gauge stood still."""
    until_s = min(span.end_s, (run_day + 1) * DAY_S)
    edges = np.array([span.start_s, until_s])
    sold = sum(float(np.diff(cumulative_l(flow, edges))[0]) for flow in seen.flows)
    place = min(int(np.searchsorted(seen.unit.series.ts_s, span.start_s)), len(seen.unit.series) - 1)
    surface = seen.unit.series.surface_l_per_mm
    limit = STUCK_SOLD_MM * float(surface[place]) if len(surface) else 0.0
    return until_s - span.start_s >= STUCK_S and sold >= limit


def _booked_tickets(days: TradingDays, seen: UnitObserved, last_day: int) -> tuple[tuple[tuple[int, ...], ...], Whole]:
    """Rows of the tickets booked on each day, and the day of each drop.

    A drop belongs to the day on which it ended. A ticket without a drop is booked by its own time, once the time in
    which its drop might yet come is over.
    """
    ticket_s = seconds(seen.unit.tickets["ts_ticket"])
    drop_day = days.index_of(np.array([known.drop.end_s for known in seen.drops]))
    booked: list[list[int]] = [[] for _ in range(len(days))]
    matched: set[int] = set()
    for known, day in zip(seen.drops, drop_day.tolist(), strict=True):
        matched |= set(known.drop.tickets)
        if 0 <= day < len(days):
            booked[day] += list(known.drop.tickets)
    waited = ticket_s + LOADED_BEFORE_S <= (last_day + 1) * DAY_S
    for row, day in enumerate(days.index_of(ticket_s).tolist()):
        if row not in matched and waited[row] and 0 <= day < len(days):
            booked[day].append(row)
    return tuple(tuple(sorted(rows)) for rows in booked), drop_day
