"""Loads of road tankers, each put where its tank's level fell.

A loading computer writes a load's end, a clerk enters it minutes later: its stamps say when to within some minutes, in
which thousands of litres go. The level says it to within seconds, as no other draw is so large.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.movements import MeterFlow, ordered_flow
from pipeline.ledger.stamps import LARGEST_TRUCK_L

Floats = NDArray[np.float64]

REACH_S, STEP_S = 20 * 60.0, 15.0
"""How far before and after its stamps a load is looked for, and how finely. Common practice, no source: a clerk enters
it within minutes."""
PACES_L_PER_MIN = (300.0, 450.0, 600.0, 800.0, 1_000.0, 1_200.0)
"""At which a load may have gone where its stamps do not show how long it took. Common practice, no source."""
CLEAR_SHARE, CLEAR_L = 0.4, 60.0
"""By what share of the misfit, and by how many litres between two readings, another place must be better. No source."""
FEWEST_READINGS = 8
PASSES = 3
"""With fewer readings about it a load stays; loads at one time are put in turn, so many times over. No source."""


@dataclass(frozen=True)
class Span:
    """The readings that a day's run has to itself, from when to when [s], and the drops (k, 2) that it knows [s].

    `is_timed`, whether the till knew how long each load took.
    """

    start_s: float
    end_s: float
    drops_s: Floats
    is_timed: bool = True


def with_loads_set(series: GaugeSeries, flows: Sequence[MeterFlow], spans: Sequence[Span]) -> list[MeterFlow]:
    """The sales of a tank's meters, each of more than a truck takes put where the level fell by as much.

    A load stays where it is stamped unless another place within `REACH_S` explains the level clearly better; one so
    near to a day's end that the readings of another day would tell stays too.

    Parameters
    ----------
    series : GaugeSeries
    flows : sequence of MeterFlow
        Of all meters that draw on the tank, on the gauge's clock.
    spans : sequence of Span
        By day, none reaching into the next.
    """
    if not any((flow.volume_l > LARGEST_TRUCK_L).any() for flow in flows):
        return list(flows)
    now = [MeterFlow(flow.meter_id, flow.start_s.copy(), flow.end_s.copy(), flow.volume_l) for flow in flows]
    for span in spans:
        loads = sorted(
            (float(flow.start_s[place]), number, int(place))
            for number, flow in enumerate(flows)
            for place in np.flatnonzero(_is_movable(flow, span))
        )
        for _ in range(PASSES if len(loads) > 1 else 1):
            for _, number, place in loads:
                _set_one(series, now, (number, place), flows[number], span)
    return [ordered_flow(flow.meter_id, flow.start_s, flow.end_s, flow.volume_l) for flow in now]


def _is_movable(flow: MeterFlow, span: Span) -> NDArray[np.bool_]:
    is_inside = (flow.start_s - REACH_S >= span.start_s) & (flow.end_s + REACH_S < span.end_s)
    return np.asarray((flow.volume_l > LARGEST_TRUCK_L) & is_inside)


def _set_one(series: GaugeSeries, now: list[MeterFlow], load: tuple[int, int], booked: MeterFlow, span: Span) -> None:
    """Puts one load, by its meter's number and its place, where the level fell; `now` holds all as they stand."""
    number, place = load
    start_s, end_s, volume_l = booked.start_s[place], booked.end_s[place], booked.volume_l[place]
    low, high = np.searchsorted(series.ts_s, [start_s - REACH_S, end_s + REACH_S])
    ts_s, fell_l = series.ts_s[low:high], -np.diff(series.gauge_l[low:high])
    if len(ts_s) < FEWEST_READINGS:
        return
    others_l = _sold_l(ts_s, now) - _between(ts_s, now[number].start_s[place], now[number].end_s[place], volume_l)
    at_s = np.arange(-REACH_S, REACH_S + STEP_S, STEP_S)
    paces = () if span.is_timed else PACES_L_PER_MIN
    lasts_s = np.array([end_s - start_s, *(60.0 * volume_l / pace for pace in paces)])
    ends_s = np.concatenate([[end_s], (end_s + at_s[:, None] + 0.0 * lasts_s).ravel()])
    takes_s = np.concatenate([[end_s - start_s], np.broadcast_to(lasts_s, (len(at_s), len(lasts_s))).ravel()])
    left_l = fell_l - others_l - _between(ts_s, ends_s - takes_s, ends_s, volume_l)
    misfit = (_less_drops(left_l, ts_s, span.drops_s) ** 2).sum(axis=1)
    best = int(np.argmin(misfit))
    better = misfit[0] - misfit[best]
    if better < CLEAR_SHARE * misfit[0] or better < CLEAR_L**2:
        best = 0
    now[number].start_s[place], now[number].end_s[place] = ends_s[best] - takes_s[best], ends_s[best]


def _less_drops(left_l: Floats, ts_s: Floats, drops_s: Floats) -> Floats:
    """What is left of each fall, shape (m, n - 1), less what drops brought: at one pace, at their edges anything."""
    left_l, apart_s = left_l.copy(), np.diff(ts_s)
    for start_s, end_s in drops_s[(drops_s[:, 1] > ts_s[0]) & (drops_s[:, 0] < ts_s[-1])]:
        is_inside = (ts_s[:-1] >= start_s) & (ts_s[1:] <= end_s)
        if is_inside.any():
            pace = left_l[:, is_inside].sum(axis=1, keepdims=True) / apart_s[is_inside].sum()
            left_l[:, is_inside] -= pace * apart_s[is_inside]
        left_l[:, (ts_s[1:] > start_s) & (ts_s[:-1] < end_s) & ~is_inside] = 0.0
    return left_l


def _sold_l(ts_s: Floats, flows: Sequence[MeterFlow]) -> Floats:
    """Litres sold between each reading and the next, shape (n - 1,), of sales in whatever order. [l]"""
    total = np.zeros(len(ts_s) - 1)
    for flow in flows:
        near = (flow.end_s > ts_s[0]) & (flow.start_s < ts_s[-1])
        total += _between(ts_s, flow.start_s[near], flow.end_s[near], flow.volume_l[near]).sum(axis=0)
    return total


def _between(ts_s: Floats, start_s: Floats, end_s: Floats, volume_l: Floats) -> Floats:
    """Litres of each of m sales between each reading and the next. Shape (m, n - 1). [l]"""
    start, end, volume = (np.atleast_1d(one)[:, None] for one in (start_s, end_s, volume_l))
    return np.diff(volume * np.clip((ts_s - start) / np.maximum(end - start, 1.0), 0.0, 1.0), axis=1)
