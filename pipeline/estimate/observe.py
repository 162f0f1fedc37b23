"""One site's tables brought to what its balances are made of: clocks set, feeds put right, drops and moves found.

Every finding carries the UTC day whose run first sees it, and what it changes (a sale's time, a meter's tank) changes
only data that this day's run is the first to see: so a day's figures never depend on a later day.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimate.feed_changes import FeedChange, feed_changes
from pipeline.estimate.kept import Shelf
from pipeline.estimate.known import DAY_S, HOLD_BACK_S, first_seen_s, seen_day
from pipeline.estimate.known_drops import KnownDrop, known_drops
from pipeline.estimate.past import Shelves
from pipeline.estimate.seen_steps import steps_of
from pipeline.estimate.silent_meters import settled_with, silent_spans, without_silent
from pipeline.estimate.site_clocks import Clocked, clocks_of, drawn_on_gauge_clock
from pipeline.features.probe import (
    JOINED_STUCK_S,
    STUCK_S,
    ProbeDay,
    StuckSpan,
    probe_days,
    stuck_spans,
    without_spans,
)
from pipeline.features.reporting import Reporting, most_hidden_mm, reporting_of
from pipeline.features.steps import Step
from pipeline.features.totals import MeterTotals, Unbooked, unbooked
from pipeline.features.transit import LEVEL_S
from pipeline.ledger.clocks import DayLag
from pipeline.ledger.dips import SETTLE_S
from pipeline.ledger.drops import Drop, find_drops, without_returns, without_stamps
from pipeline.ledger.fleet import Feed, Unit, build_unit, feeds_of, meter_flows, share_at, unit_members
from pipeline.ledger.gauge import seconds
from pipeline.ledger.loads import Span, with_loads_set
from pipeline.ledger.movements import MeterFlow, cumulative_l, in_order, open_spans, ordered_flow
from pipeline.ledger.moves import Moves, moves_of
from pipeline.ledger.stretches import is_inside

Floats = NDArray[np.float64]

TIMED_FIT = 0.95
"""Share of a day's movement that its sales explain where their stamps are right. No source."""


@dataclass(frozen=True)
class UnitObserved:
    """A unit with its meters' flows on the gauge's clock, its drops, sudden moves and the health of its readings.

    `lags` are the site's clocks, day by day; `probe` and `reporting` are by tank; `blended` are the meters of `flows`
    that draw on other units at the same time.
    """

    unit: Unit
    lags: dict[int, DayLag]
    flows: list[MeterFlow]
    drops: list[KnownDrop]
    steps: list[tuple[int, Step]]
    stuck: list[StuckSpan]
    probe: dict[str, list[ProbeDay]]
    reporting: dict[str, Reporting]
    moves: Moves
    unbooked: list[Unbooked]
    blended: tuple[str, ...] = ()


@dataclass(frozen=True)
class SiteObserved:
    """A site's units and what concerns them together; `overbooked` what its books outran the totalisers by."""

    site_id: str
    days: NDArray[np.int64]
    lags: dict[int, DayLag]
    unbooked: list[Unbooked]
    overbooked: list[Unbooked]
    feeds: list[FeedChange]
    units: list[UnitObserved]


@dataclass
class _Working:
    unit: Unit
    drops: list[KnownDrop] = field(default_factory=list)
    stuck: list[StuckSpan] = field(default_factory=list)
    own: list[MeterFlow] = field(default_factory=list)
    blended: tuple[str, ...] = ()
    returns: list[MeterFlow] = field(default_factory=list)


def observe_site(tables: Mapping[str, pl.DataFrame], shelves: Shelves | None = None) -> SiteObserved:
    """All of the above for one site; `tables` hold that site's rows alone, contract columns, cleaned.

    What was kept of past days is found in `shelves`, and what is to be kept is left there.
    """
    shelves = shelves or Shelves()
    built = [build_unit(tables, members) for members in unit_members(tables["tanks"])]
    units = [_Working(unit) for unit in built if unit is not None]
    feeds = feeds_of(tables["meter_feeds"], [item.unit for item in units])
    flows, returns = meter_flows(tables["sales"]), meter_flows(tables["sales"], "test_return")
    for item in units:
        item.returns = _own_flows(item.unit, returns, feeds, [])
        booked = _own_flows(item.unit, flows, feeds, [])
        _open(item, [in_order(flow) for flow in booked], {})
        item.own = booked
    days = (
        np.unique(np.concatenate([_days(item.unit.series.ts_s) for item in units])) if units else np.empty(0, np.int64)
    )
    booked_by = [Clocked(item.unit.series, [known.drop for known in item.drops], item.own) for item in units]
    lags = clocks_of(booked_by, days.tolist(), shelves.clocks)
    lost = _unbooked_of(tables)
    flows = {name: drawn_on_gauge_clock(flow, lags) for name, flow in flows.items()}
    for item in units:
        flows |= _loads_set(item, flows, feeds, (days, lags))
    moves = {}
    for item, unit in zip(units, [unit for unit in built if unit is not None], strict=True):
        item.unit = unit
        _open(item, _own_flows(unit, flows, feeds, []), lags)
        shares = [share_at(feeds, name, item.unit.unit_id, item.unit.series.ts_s) for name in flows]
        drops = [known.drop for known in item.drops]
        moves[unit.unit_id] = moves_of(item.unit.series, list(flows.values()), shares, drops)
    changes, moves = feed_changes(moves, feeds, sorted(flows), (days, lags), shelves.feeds)
    for item in units:
        item.own = _own_flows(item.unit, flows, feeds, changes)
        item.blended = tuple(flow.meter_id for flow in item.own if _is_blended(flow.meter_id, item.unit, feeds))
    silent = _silent_spans(tables, units, feeds, days.tolist())
    lost = settled_with(lost, [span for spans in silent.values() for span in spans])
    seen = []
    for item in units:
        clocks = (days, without_silent(lags, silent[item.unit.unit_id]))
        unbooked_here = _unbooked_here(item.unit, lost, feeds)
        seen.append(_finished(tables, item, moves[item.unit.unit_id], clocks, unbooked_here, shelves.steps))
    overbooked = _unbooked_of(tables, mirrored=True)
    return SiteObserved(str(tables["sites"]["site_id"][0]), days, lags, lost, overbooked, changes, seen)


def _days(ts_s: Floats) -> NDArray[np.int64]:
    return np.unique(((ts_s + HOLD_BACK_S) // DAY_S).astype(np.int64))


def _loads_set(
    item: _Working, flows: dict[str, MeterFlow], feeds: list[Feed], clocks: tuple[NDArray[np.int64], dict[int, DayLag]]
) -> dict[str, MeterFlow]:
    """The flows of the meters that draw on a unit alone, their loads put where its level fell, by each day's run.

    A day whose sales explain the falls as they are stamped needs none of it.
    """
    days, lags = clocks
    shares = {name: share_at(feeds, name, item.unit.unit_id, flow.end_s) for name, flow in flows.items()}
    own = [flows[name] for name, share in shares.items() if len(share) and (share == 1.0).all()]
    spans = [
        Span(
            first_seen_s(day, lags),
            first_seen_s(day + 1, lags),
            np.array([(known.drop.start_s, known.drop.end_s) for known in item.drops if known.day <= day]).reshape(
                -1, 2
            ),
            is_timed=lags[day].stamp == "both",
        )
        for day in days.tolist()
        if day in lags and lags[day].fit < TIMED_FIT
    ]
    return {flow.meter_id: flow for flow in with_loads_set(item.unit.series, own, spans)}


def _own_flows(
    unit: Unit, flows: dict[str, MeterFlow], feeds: list[Feed], changes: list[FeedChange]
) -> list[MeterFlow]:
    """The flows that drew on the unit, each sale times the unit's share then, feeds put right by `changes`."""
    own = []
    for name, flow in sorted(flows.items()):
        share = share_at(feeds, name, unit.unit_id, flow.end_s)
        for change in changes:
            if change.meter_id == name:
                share[flow.end_s >= change.from_s] = float(change.to_unit == unit.unit_id)
        used = share > 0
        if used.any():
            own.append(MeterFlow(name, flow.start_s[used], flow.end_s[used], (flow.volume_l * share)[used]))
    return own


def _open(item: _Working, own: list[MeterFlow], lags: dict[int, DayLag]) -> None:
    """Takes stuck readings out of the unit's series and finds its drops."""
    item.own = own
    item.stuck = _stuck_spans(item.unit, own)
    since = [
        replace(span, start_s=max(span.start_s, first_seen_s(seen_day(span.known_s, lags), lags)))
        for span in item.stuck
    ]
    series = without_spans(item.unit.series, since)
    item.unit = replace(item.unit, series=series)
    sold_l = _sold_l(own, series.ts_s)
    drops = without_returns(without_stamps(find_drops(series, sold_l), series, own), item.returns)
    item.drops = known_drops([_since_still(drop, since) for drop in drops], item.unit, sold_l)


def _since_still(drop: Drop, still: list[StuckSpan]) -> Drop:
    """A drop while the gauge stood still begins with that: what was read before, its day saw without the drop."""
    starts = [span.start_s for span in still if drop.start_s < span.start_s < drop.end_s]
    return replace(drop, start_s=max([drop.start_s, *starts]))


def _stuck_spans(unit: Unit, own: list[MeterFlow]) -> list[StuckSpan]:
    """Stuck readings of a unit.

    Of joined tanks, those of any member; since the others may give more of the sales for a while, only a third of its
    equal share counts.
    """
    count = len(unit.members)
    share = 1.0 if count == 1 else 1.0 / (3.0 * count)
    series = [unit.series] if count == 1 else list(unit.member_series)
    least_s = STUCK_S if count == 1 else JOINED_STUCK_S
    found = [span for one in series for span in stuck_spans(one, own, share=share, least_s=least_s)]
    return sorted(found, key=lambda span: span.start_s)


def _sold_l(flows: list[MeterFlow], at_s: Floats) -> Floats:
    return np.asarray(np.sum([cumulative_l(flow, at_s) for flow in flows], axis=0)) if flows else np.zeros(len(at_s))


def _unbooked_of(tables: Mapping[str, pl.DataFrame], *, mirrored: bool = False) -> list[Unbooked]:
    meters: list[MeterTotals] = []
    draws = tables["sales"].sort("meter_id", "ts_end").partition_by("meter_id", as_dict=True, maintain_order=True)
    totals = tables["meter_totals"].sort("meter_id", "ts").partition_by("meter_id", as_dict=True, maintain_order=True)
    for (meter_id,), rows in totals.items():
        sold = draws.get((meter_id,))
        if sold is None:
            continue
        flow = ordered_flow(
            str(meter_id), seconds(sold["ts_start"]), seconds(sold["ts_end"]), sold["volume_l"].to_numpy()
        )
        meters.append(MeterTotals(str(meter_id), seconds(rows["ts"]), rows["total_l"].to_numpy(), flow))
    return unbooked(meters, mirrored=mirrored)


def _silent_spans(
    tables: Mapping[str, pl.DataFrame], units: list[_Working], feeds: list[Feed], days: list[int]
) -> dict[str, list[Unbooked]]:
    """By unit, what it lost by meters that were silent."""
    read = tables["meter_totals"].sort("meter_id", "ts").partition_by("meter_id", as_dict=True, maintain_order=True)
    totals_s = {str(meter_id): seconds(rows["ts"]) for (meter_id,), rows in read.items()}
    found = {}
    for item in units:
        unit, ends_s = item.unit, np.array(days) * DAY_S + (DAY_S - HOLD_BACK_S)
        shares = {flow.meter_id: share_at(feeds, flow.meter_id, unit.unit_id, ends_s) for flow in item.own}
        clocked = Clocked(unit.series, [known.drop for known in item.drops], item.own)
        found[unit.unit_id] = silent_spans(clocked, shares, totals_s, days)
    return found


def _unbooked_here(unit: Unit, lost: list[Unbooked], feeds: list[Feed]) -> list[Unbooked]:
    """The unbooked litres of meters that the site books to the unit, each times the unit's share."""
    here = []
    for one in lost:
        share = float(share_at(feeds, one.meter_id, unit.unit_id, np.array([one.end_s - 1.0]))[0])
        if share > 0:
            here.append(replace(one, litres=one.litres * share))
    return here


def _finished(
    tables: Mapping[str, pl.DataFrame],
    item: _Working,
    moves: Moves,
    clocks: tuple[NDArray[np.int64], dict[int, DayLag]],
    lost: list[Unbooked],
    kept: Shelf[tuple[Step, ...]],
) -> UnitObserved:
    days, lags = clocks
    rest = open_spans(item.own).rest_s
    # Until joined tanks stand level again, what their levels do is the siphon's doing and not their gauges'.
    level_s = LEVEL_S if len(item.unit.members) > 1 else 0.0
    probe, reporting = {}, {}
    for name, series in zip(item.unit.members, item.unit.member_series, strict=True):
        readings = tables["readings"].filter(pl.col("tank_id") == name)
        reporting[name] = reporting_of(readings)
        is_calm = _is_seen(series.ts_s, lags) & ~_in_drop(series.ts_s, item.drops)
        probe[name] = probe_days(readings, series, np.where(is_calm, rest(series.ts_s) - level_s, 0.0))
    hidden_mm = {day: most_hidden_mm(reporting.values(), day) for day in days.tolist()}
    steps = steps_of(moves, hidden_mm, lags, item.unit.series, kept)
    return UnitObserved(
        item.unit, lags, item.own, item.drops, steps, item.stuck, probe, reporting, moves, lost, item.blended
    )


def _is_blended(meter_id: str, unit: Unit, feeds: list[Feed]) -> bool:
    """Whether a unit at times gives a part of a meter's litres."""
    return any(one.meter_id == meter_id and one.unit_id == unit.unit_id and 0.0 < one.share < 1.0 for one in feeds)


def _is_seen(ts_s: Floats, lags: dict[int, DayLag]) -> NDArray[np.bool_]:
    """Whether the run of its own UTC day knows what the meters did at each instant. Shape of `ts_s`."""
    numbers, place = np.unique(np.floor(ts_s / DAY_S).astype(np.int64), return_inverse=True)
    ends = np.array([first_seen_s(int(day) + 1, lags) for day in numbers])
    return np.asarray(ts_s < ends[place]) if len(ts_s) else np.zeros(0, dtype=bool)


def _in_drop(ts_s: Floats, drops: list[KnownDrop]) -> NDArray[np.bool_]:
    """Whether a drop was going on or settling at each instant, as its own UTC day's run knows. Shape of `ts_s`."""
    # From its day on, the first instant of it included.
    since_s = [np.nextafter(known.day * DAY_S, -np.inf) for known in drops]
    return is_inside(
        ts_s,
        [(max(known.drop.start_s, at), known.drop.end_s + SETTLE_S) for known, at in zip(drops, since_s, strict=True)],
    )
