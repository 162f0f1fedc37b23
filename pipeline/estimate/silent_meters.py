"""Meters whose sales stop while their tank goes on being drawn from: an interface that has died, with its totaliser.

What left such a tank beyond its books is that meter's, and the tank's balance says nothing on those days. A hose that
is out of order draws nothing, so what leaves must be of the size of what it usually sells; and it must leave as sales
do, in uneven lots over many hours: a leak runs evenly, a theft at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.known import DAY_S, HOLD_BACK_S
from pipeline.estimate.site_clocks import Clocked
from pipeline.features.totals import SMALLEST_L, Unbooked
from pipeline.ledger.clocks import SILENT, DayLag
from pipeline.ledger.dips import SETTLE_S
from pipeline.ledger.drops import Drop
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.movements import MeterFlow, cumulative_l

Floats = NDArray[np.float64]

USUAL_DAYS, FEWEST_DAYS = 14, 7
"""What a meter usually sells is told from so many days before, at the most and at the least. No source."""
SELLING_SHARE = 0.9
"""A meter whose silence tells something sells on so many of its days. No source."""
LEAST_L = 60.0
"""And usually sells so much a day: two cars' fill. No source."""
LOW_SHARE, HIGH_SHARE = 0.3, 3.0
"""What leaves beyond the books is its sales where it comes to so much of them. No source."""
UNEVEN_SHARE, LARGEST_SHARE = 0.4, 0.5
"""Sales leave unevenly: hours differ by so much of their mean, SD, and none takes more than so much of the day's. No
source."""
FEWEST_HOURS = 12
HOUR_S = 3600.0
WHOLE_SHARE = 0.99
"""A meter counts that draws so much of each sale from the one tank."""


@dataclass(frozen=True)
class _Hours:
    """Each hour's start, and the litres that left in it beyond the books, NaN where a drop or a gap hides them."""

    start_s: Floats
    lost_l: Floats


def silent_spans(
    unit: Clocked, shares: Mapping[str, float], totals_s: Mapping[str, Floats], days: Sequence[int]
) -> list[Unbooked]:
    """What a unit lost by meters that were silent, a span for each meter and UTC day, by that day and those before.

    Parameters
    ----------
    unit : Clocked
        Readings, drops and the sales that left the unit.
    shares : mapping of meter to the share of its sales that the unit gives
    totals_s : mapping of meter to when its totaliser was read, rising
        A totaliser that is read on a day tells by itself what was not booked.
    days : sequence of UTC day numbers, rising
    """
    flows = [flow for flow in unit.flows if shares.get(flow.meter_id, 0.0) >= WHOLE_SHARE]
    if not flows or not len(days):
        return []
    hours = _hours(unit, days)
    sold = {flow.meter_id: _by_day(flow, days) for flow in flows}
    usual: dict[str, list[float]] = {flow.meter_id: [] for flow in flows}
    found: list[Unbooked] = []
    for number, day in enumerate(days):
        start_s, end_s = day * DAY_S - HOLD_BACK_S, (day + 1) * DAY_S - HOLD_BACK_S
        missed = {
            name: _usual_l(usual[name])
            for name in usual
            if sold[name][number] == 0.0 and not _is_read(totals_s.get(name), start_s, end_s)
        }
        missed = {name: litres for name, litres in missed.items() if litres >= LEAST_L}
        lost_l = _sold_unseen_l(hours, (start_s, end_s), sum(missed.values())) if missed else 0.0
        for name in usual:
            if lost_l > 0.0 and name in missed:
                share = missed[name] / sum(missed.values())
                found.append(Unbooked(name, start_s, end_s - 1.0, lost_l * share, is_counted=False))
            else:
                usual[name].append(float(sold[name][number]))
    return found


def _hours(unit: Clocked, days: Sequence[int]) -> _Hours:
    at_s = np.arange(days[0] * DAY_S - HOLD_BACK_S, (days[-1] + 1) * DAY_S - HOLD_BACK_S + 1.0, HOUR_S)
    booked_l = np.sum([cumulative_l(flow, at_s) for flow in unit.flows], axis=0)
    lost_l = -np.diff(np.interp(at_s, unit.series.ts_s, unit.series.gauge_l) + booked_l)
    hidden = _is_gap(unit.series, at_s) | _in_drops(unit.drops, at_s)
    return _Hours(at_s[:-1], np.where(hidden, np.nan, lost_l))


def _is_gap(series: GaugeSeries, at_s: Floats) -> NDArray[np.bool_]:
    """Whether an hour holds no reading. Shape (len(at_s) - 1,)."""
    return np.asarray(np.diff(np.searchsorted(series.ts_s, at_s)) == 0)


def _in_drops(drops: Sequence[Drop], at_s: Floats) -> NDArray[np.bool_]:
    """Whether an hour touches a drop, or the settling after it. Shape (len(at_s) - 1,)."""
    touched = np.zeros(len(at_s) - 1, dtype=bool)
    for drop in drops:
        touched |= (at_s[1:] > drop.start_s) & (at_s[:-1] < drop.end_s + SETTLE_S)
    return touched


def _by_day(flow: MeterFlow, days: Sequence[int]) -> Floats:
    place = np.searchsorted(np.array(days), np.floor((flow.end_s + HOLD_BACK_S) / DAY_S))
    inside = place < len(days)
    return np.bincount(place[inside], flow.volume_l[inside], minlength=len(days)).astype(np.float64)


def _usual_l(sold_l: Sequence[float]) -> float:
    """What a meter sells a day, by the days before; 0 where it does not sell daily or they are too few. [l]"""
    recent = np.array(sold_l[-USUAL_DAYS:])
    if len(recent) < FEWEST_DAYS or np.mean(recent > 0.0) < SELLING_SHARE:
        return 0.0
    return float(np.median(recent))


def _is_read(totals_s: Floats | None, start_s: float, end_s: float) -> bool:
    return totals_s is not None and bool(np.diff(np.searchsorted(totals_s, [start_s, end_s]))[0] > 0)


def _sold_unseen_l(hours: _Hours, span_s: tuple[float, float], usual_l: float) -> float:
    """What left in a day beyond the books, where it left as sales of about `usual_l` would; else 0. [l]"""
    lost_l = hours.lost_l[slice(*np.searchsorted(hours.start_s, span_s))]
    lost_l = lost_l[np.isfinite(lost_l)]
    if len(lost_l) < FEWEST_HOURS:
        return 0.0
    total_l = float(lost_l.sum())
    a_day_l = total_l * 24.0 / len(lost_l)
    is_sized = LOW_SHARE * usual_l <= a_day_l <= HIGH_SHARE * usual_l
    is_uneven = float(lost_l.std()) >= UNEVEN_SHARE * a_day_l / 24.0 and float(lost_l.max()) <= LARGEST_SHARE * total_l
    return a_day_l if is_sized and is_uneven else 0.0


def without_silent(lags: Mapping[int, DayLag], spans: Sequence[Unbooked]) -> dict[int, DayLag]:
    """The clocks of a unit, those days silent on which one of its meters was."""
    days = {int((one.start_s + HOLD_BACK_S) // DAY_S) for one in spans}
    return dict(lags) | {day: replace(lags.get(day, SILENT), is_silent=True) for day in sorted(days)}


def settled_with(counted: Sequence[Unbooked], silent: Sequence[Unbooked]) -> list[Unbooked]:
    """Both in order of time, what a totaliser counted at last less what was put down to its silent days."""
    left = []
    for one in counted:
        told_l = sum(
            span.litres
            for span in silent
            if span.meter_id == one.meter_id and one.start_s <= span.end_s and span.start_s <= one.end_s
        )
        left += [one] if not told_l else [replace(one, litres=one.litres - told_l)]
    kept = [one for one in left if abs(one.litres) >= SMALLEST_L]
    return sorted([*kept, *silent], key=lambda one: (one.end_s, one.meter_id))
