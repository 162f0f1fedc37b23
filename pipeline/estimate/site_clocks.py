"""A site's clocks, day by day, and its sales brought to when they were drawn by the gauge's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipeline.estimate.kept import Shelf, key_of
from pipeline.estimate.known import DAY_S, HOLD_BACK_S, agrees, first_seen_s, used_lag_s
from pipeline.ledger.clocks import FEWEST_LITRES, SILENT, DayLag, TankMovement, day_clock
from pipeline.ledger.drops import Drop
from pipeline.ledger.gauge import GaugeSeries, kept
from pipeline.ledger.movements import MeterFlow, ordered_flow
from pipeline.ledger.stamps import stamped

FEWEST_READINGS = 20
"""A day with fewer readings of a tank says nothing of its clock."""
FEWEST_DAYS, USUAL_DAYS = 5, 14
"""What a site usually sells is told from so many days before, at the least and at the most. No source."""
MANY_DRAWS = 2
"""On so many days litres left a site that has never sold: they are sold, and its sales are not there. No source."""
SILENT_SHARE = 0.3
"""A day without a sale on which the tanks fell by so much of it has lost its sales. No source."""
BEFORE_S = 3 * 3600.0
"""Sales that ended so long before a day may still have been drawn on it, where the clocks are apart."""


@dataclass(frozen=True)
class Clocked:
    """A unit's readings, its drops and its meters' sales as booked."""

    series: GaugeSeries
    drops: list[Drop]
    flows: list[MeterFlow]


def clocks_of(
    units: Sequence[Clocked], days: Sequence[int], kept: Shelf[DayLag | None] | None = None
) -> dict[int, DayLag]:
    """The clocks of each UTC day that tells, by its number, and of each whose sales are not there.

    Those of days past are found among what was `kept`.
    """
    kept = Shelf() if kept is None else kept
    told = {}
    for day in days:
        tanks = _moved_on(units, day)
        read = [
            (tank.series.ts_s, tank.series.gauge_l, tank.series.nominal_s, tank.flows, tank.usable) for tank in tanks
        ]
        lag = kept.of(key_of(read), partial(day_clock, tanks))
        if lag is not None:
            told[day] = lag
    told = {day: replace(lag, agrees=agrees(lag, told.get(day - 1))) for day, lag in told.items()}
    return told | dict.fromkeys(silent_days(units, days), SILENT)


def silent_days(units: Sequence[Clocked], days: Sequence[int]) -> list[int]:
    """UTC days, of some in order, without a sale of any meter on which the tanks fell by much of what is usually sold.

    A till whose sales do not arrive, or never have; a site that is closed does not fall. By the days before alone.
    """
    found: list[int] = []
    usual_l: list[float] = []
    unsold_l: list[float] = []
    for day in days:
        start, end = day * DAY_S - HOLD_BACK_S, (day + 1) * DAY_S - HOLD_BACK_S
        sold_l = sum(float(_between(flow, start, end).volume_l.sum()) for unit in units for flow in unit.flows)
        if sold_l == 0.0:
            unsold_l.append(sum(_fell_l(unit, start, end) for unit in units))
            least_l = _least_l(usual_l, unsold_l)
            if least_l is not None and unsold_l[-1] >= least_l:
                found.append(day)
                continue
        usual_l.append(sold_l)
    return found


def _least_l(usual_l: Sequence[float], unsold_l: Sequence[float]) -> float | None:
    """What must leave on a day without a sale for its sales to be missed; None where that is not known.

    `usual_l` what was sold on the days before, `unsold_l` what left on all days so far without a sale. Where nothing
    was ever sold one draw may be anything, and draws on several days are sales.
    """
    if not any(usual_l):
        return FEWEST_LITRES if sum(litres >= FEWEST_LITRES for litres in unsold_l) >= MANY_DRAWS else None
    recent = usual_l[-USUAL_DAYS:]
    usual = float(np.median(recent))
    return SILENT_SHARE * usual if len(recent) >= FEWEST_DAYS and usual >= FEWEST_LITRES else None


def _fell_l(unit: Clocked, start_s: float, end_s: float) -> float:
    """By how much a unit's stock fell between two instants, what drops brought added. [l]"""
    stock = unit.series.gauge_l[slice(*np.searchsorted(unit.series.ts_s, [start_s, end_s]))]
    came = sum(drop.gain_l for drop in unit.drops if start_s <= drop.start_s and drop.end_s < end_s)
    return float(stock[0] - stock[-1]) + came if len(stock) else 0.0


def _moved_on(units: Sequence[Clocked], day: int) -> list[TankMovement]:
    """The tanks that were read often enough on a UTC day, and their sales about it."""
    start, end = day * DAY_S - HOLD_BACK_S, (day + 1) * DAY_S - HOLD_BACK_S
    tanks = []
    for unit in units:
        low, high = np.searchsorted(unit.series.ts_s, [start, end])
        if high - low < FEWEST_READINGS:
            continue
        part = kept(unit.series, slice(low, high))
        usable = np.ones(len(part), dtype=bool)
        for drop in unit.drops:
            if drop.end_s + HOLD_BACK_S < start or drop.start_s > end:
                continue
            usable &= (part.ts_s < drop.start_s) | (part.ts_s > drop.end_s + HOLD_BACK_S)
        flows = [_between(flow, start - BEFORE_S, (day + 1) * DAY_S) for flow in unit.flows]
        tanks.append(TankMovement(part, flows, usable))
    return tanks


def _between(flow: MeterFlow, start_s: float, end_s: float) -> MeterFlow:
    low, high = np.searchsorted(flow.end_s, [start_s, end_s])
    return MeterFlow(flow.meter_id, flow.start_s[low:high], flow.end_s[low:high], flow.volume_l[low:high])


def drawn_on_gauge_clock(flow: MeterFlow, lags: dict[int, DayLag]) -> MeterFlow:
    """The sales as drawn and on the gauge's clock, none of them before the time that its day's run is first to see.

    The day is that of a sale's end: a sale at the half hour's edge is known in time for all that came before it.
    """
    numbers, place = np.unique((flow.end_s // DAY_S).astype(np.int64), return_inverse=True)
    clocks = [lags.get(int(day)) for day in numbers]
    shift = np.array([used_lag_s(clock) for clock in clocks])[place]
    least = np.array([first_seen_s(int(day), lags) for day in numbers])[place]
    start_s, end_s = flow.start_s, flow.end_s
    known = {(clock.stamp, clock.load_l_per_min) for clock in clocks if clock is not None and clock.stamp != "both"}
    for stamp, rate in sorted(known):
        is_so = [clock is not None and (clock.stamp, clock.load_l_per_min) == (stamp, rate) for clock in clocks]
        here, drawn = np.array(is_so, dtype=bool)[place], stamped(flow, stamp, rate)
        start_s, end_s = np.where(here, drawn.start_s, start_s), np.where(here, drawn.end_s, end_s)
    start, end = np.maximum(start_s - shift, least), np.maximum(end_s - shift, least)
    return ordered_flow(flow.meter_id, start, end, flow.volume_l)
