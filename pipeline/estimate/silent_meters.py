"""Meters whose sales stop while their tank goes on being drawn from: an interface that has died, with its totaliser.

What left such a tank beyond its books is that meter's, and the tank's balance says nothing on those days. A hose that
is out of order draws nothing, so what leaves must be of the size of what it usually sells; and it must leave as sales
do, in uneven lots over many hours: a leak runs evenly, a theft at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

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
"""A meter whose silence for a day tells something sells on so many of its days. No source."""
FEWEST_SALES = 8.0
"""In part of a day a meter is silent where it usually makes so many sales then: by chance none one time in 3,000."""
LEAST_L = 60.0
"""And sells so much: two cars' fill. No source."""
LOW_SHARE, HIGH_SHARE = 0.3, 3.0
"""What leaves beyond the books is its sales where it comes to so much of them. No source."""
UNEVEN_SHARE, LARGEST_SHARE = 0.4, 0.5
"""Sales leave unevenly: hours differ by so much of their mean, SD, and none takes more than so much of them all. No
source."""
FEWEST_HOURS = 6
HOUR_S = 3600.0
WHOLE_SHARE = 0.99
"""A meter counts that draws so much of each sale from the one tank."""


@dataclass(frozen=True)
class _Hours:
    """Each hour's start, and the litres that left in it beyond the books, NaN where a drop or a gap hides them."""

    start_s: Floats
    lost_l: Floats


@dataclass(frozen=True)
class _Quiet:
    """A silence: from when to when [s], what is usually sold in it [l], and whether it goes on from the day before."""

    start_s: float
    end_s: float
    usual_l: float
    goes_on: bool


@dataclass
class _Meter:
    """A meter day by day: litres and sales of each hour, shape (days, 24); when its sales and readings tell something.

    `usual` are the places of the days on which it was not silent; `silent_until_s` when it last was.
    """

    name: str
    litres: Floats
    count: Floats
    flow: MeterFlow
    read_s: Floats
    usual: list[int] = field(default_factory=list)
    silent_until_s: float = -np.inf


def silent_spans(
    unit: Clocked, shares: Mapping[str, Floats], totals_s: Mapping[str, Floats], days: Sequence[int]
) -> list[Unbooked]:
    """What a unit lost by meters that were silent, a span for each meter and UTC day, by that day and those before.

    Parameters
    ----------
    unit : Clocked
        Readings, drops and the sales that left the unit.
    shares : mapping of meter to the share of its sales that the unit gives at the end of each day, shape (days,)
    totals_s : mapping of meter to when its totaliser was read, rising
        A totaliser that is read tells by itself what was not booked.
    days : sequence of UTC day numbers, rising
    """
    if not unit.flows or not len(days) or not len(unit.series.ts_s):
        return []
    hours = _hours(unit, days)
    every = [_meter(flow, totals_s.get(flow.meter_id, np.empty(0)), days) for flow in unit.flows]
    found: list[Unbooked] = []
    for number, day in enumerate(days):
        start_s = day * DAY_S - HOLD_BACK_S
        meters = [meter for meter in every if shares[meter.name][number] >= WHOLE_SHARE]
        quiet = {meter.name: one for meter in meters if (one := _quiet(meter, start_s)) is not None}
        told = _lost(quiet, hours) or [one for name in quiet for one in _lost({name: quiet[name]}, hours)]
        found += told
        silent_s = {one.meter_id: one.end_s for one in told}
        for meter in meters:
            if meter.name in silent_s:
                meter.silent_until_s = silent_s[meter.name]
            else:
                meter.usual.append(number)
    return found


def _meter(flow: MeterFlow, read_s: Floats, days: Sequence[int]) -> _Meter:
    at = flow.end_s + HOLD_BACK_S
    place = np.searchsorted(np.array(days), np.floor(at / DAY_S))
    inside = place < len(days)
    cell = place[inside] * 24 + (at[inside] % DAY_S // HOUR_S).astype(np.int64)
    litres = np.bincount(cell, flow.volume_l[inside], minlength=24 * len(days)).reshape(-1, 24)
    count = np.bincount(cell, minlength=24 * len(days)).reshape(-1, 24)
    return _Meter(flow.meter_id, litres.astype(np.float64), count.astype(np.float64), flow, read_s)


def _quiet(meter: _Meter, day_s: float) -> _Quiet | None:
    """The part of a day from `day_s` on without sales or readings of a meter, if its silence tells something.

    To the day's end, or from its start where the meter was silent up to then.
    """
    span_s = (day_s, day_s + DAY_S)
    goes_on = meter.silent_until_s >= day_s - HOUR_S
    read_s = _within(meter.read_s, span_s)
    if goes_on:
        began_s = np.concatenate([_within(meter.flow.start_s, span_s), read_s])
        quiet = _Quiet(day_s, float(began_s.min(initial=span_s[1])), 0.0, goes_on)
    else:
        ended_s = np.concatenate([_within(meter.flow.end_s, span_s), read_s])
        quiet = _Quiet(float(ended_s.max(initial=day_s)), span_s[1], 0.0, goes_on)
    usual_l = _usual_l(meter, quiet, day_s)
    return replace(quiet, usual_l=usual_l) if usual_l >= LEAST_L else None


def _within(at_s: Floats, span_s: tuple[float, float]) -> Floats:
    return at_s[slice(*np.searchsorted(at_s, span_s))]


def _usual_l(meter: _Meter, quiet: _Quiet, day_s: float) -> float:
    """What a meter usually sells in a part of the day from `day_s` on, 0 where its silence then tells nothing. [l]"""
    recent = meter.usual[-USUAL_DAYS:]
    if len(recent) < FEWEST_DAYS:
        return 0.0
    first, last = (quiet.start_s - day_s) / HOUR_S, (quiet.end_s - day_s) / HOUR_S
    share = np.clip(np.minimum(np.arange(1.0, 25.0), last) - np.maximum(np.arange(24.0), first), 0.0, 1.0)
    litres, count = meter.litres[recent], meter.count[recent]
    is_daily = share.min() >= 1.0 and np.mean(litres.sum(axis=1) > 0.0) >= SELLING_SHARE
    if not (is_daily or quiet.goes_on) and float(count.mean(axis=0) @ share) < FEWEST_SALES:
        return 0.0
    each, a_day_l = litres.sum(axis=0), float(np.median(litres.sum(axis=1)))
    return a_day_l * float(each @ share) / max(float(each.sum()), 1e-9)


def _lost(quiet: Mapping[str, _Quiet], hours: _Hours) -> list[Unbooked]:
    """What left while some meters were silent, dealt by what they usually sell; none where it left otherwise."""
    if not quiet:
        return []
    together = _Quiet(
        max(one.start_s for one in quiet.values()),
        min(one.end_s for one in quiet.values()),
        sum(one.usual_l for one in quiet.values()),
        all(one.goes_on for one in quiet.values()),
    )
    lost_l = _sold_unseen_l(hours, together)
    return [
        Unbooked(
            name, together.start_s, together.end_s - 1.0, lost_l * one.usual_l / together.usual_l, is_counted=False
        )
        for name, one in quiet.items()
        if lost_l > 0.0
    ]


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


def _sold_unseen_l(hours: _Hours, quiet: _Quiet) -> float:
    """What left in a silence beyond the books, where it left as its usual sales would; else 0. [l]

    Of a silence that goes on the size alone is asked.
    """
    lost_l = hours.lost_l[slice(*np.searchsorted(hours.start_s, [quiet.start_s - HOUR_S + 1.0, quiet.end_s]))]
    told_l = lost_l[np.isfinite(lost_l)]
    if len(told_l) < FEWEST_HOURS:
        return 0.0
    total_l = float(told_l.sum())
    whole_l = total_l * len(lost_l) / len(told_l)
    if not LOW_SHARE * quiet.usual_l <= whole_l <= HIGH_SHARE * quiet.usual_l:
        return 0.0
    is_uneven = float(told_l.std()) >= UNEVEN_SHARE * total_l / len(told_l)
    return whole_l if quiet.goes_on or (is_uneven and float(told_l.max()) <= LARGEST_SHARE * total_l) else 0.0


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
