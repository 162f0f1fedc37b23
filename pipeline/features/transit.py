"""How a sudden move went: as a ramp, as product does, or from one reading to the next, as a gauge that jumps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.features.steps import Step
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.movements import MeterFlow, cumulative_l

Floats = NDArray[np.float64]

SLOWEST_PUMP_L_PER_MIN, FASTEST_PUMP_L_PER_MIN = 20.0, 550.0
"""What draws by stealth gives so much: a hand pump to a lorry's (common practice, no source)."""
DRAWS_PER_JUMP = 3.0
"""Large draws for each gauge that jumps down, on the tanks of a fleet: one in eight years against one of eight ills of
a gauge, that has one in three years. Common practice, no source."""
JUMP_MM = 3.0
JUMP_SDS = 7.0
"""A jump is more than so many millimetres, and than so many SDs of what the stock moves by itself. No source."""
LEVEL_S = 1200.0
LEVEL_SPAN_S = 2 * 3600.0
"""Joined tanks stand level again some 20 minutes after a draw; over how long their difference is taken. No source."""
ALONE_SHARE = 0.6
"""How much of a move one tank's level must keep, and at most its inverse, to show it alone. No source."""
FEWEST_READINGS = 3
"""With fewer readings before or after a move it is not told. No source."""


@dataclass(frozen=True)
class Move:
    """A sudden move, the day that first saw it, and how long the level took.

    `transit_s` from a tenth to nine tenths of the move; `samples` readings strictly in between; `undone` that the
    opposite move followed, or went before, within hours. The step's `z` is what is left when its sales had their share.
    """

    day: int
    step: Step
    transit_s: float
    samples: int
    nominal_s: float
    undone: bool = False


def transit(series: GaugeSeries, flows: list[MeterFlow], step: Step) -> tuple[float, int]:
    """How long the level took from a tenth to nine tenths of a move, at full resolution, and readings in between."""
    side = max(1200.0, 2.5 * series.nominal_s)
    low, high = np.searchsorted(series.ts_s, [step.start_s - side, step.end_s + side])
    ts = series.ts_s[low:high]
    if len(ts) < 4:
        return step.end_s - step.start_s, 0
    sold = np.sum([cumulative_l(flow, ts) for flow in flows], axis=0) if flows else 0.0
    moved = series.gauge_l[low:high] + sold
    before, after = ts <= step.start_s + 60.0, ts >= step.end_s - 60.0
    if not before.any() or not after.any():
        return step.end_s - step.start_s, 0
    base, top = float(np.median(moved[before])), float(np.median(moved[after]))
    share = (moved - base) / (top - base) if abs(top - base) > 1e-6 else np.zeros(len(ts))
    started = np.flatnonzero(share < 0.1)
    last_before = int(started[-1]) if len(started) else 0
    ended = np.flatnonzero((share > 0.9) & (np.arange(len(ts)) > last_before))
    first_after = int(ended[0]) if len(ended) else len(ts) - 1
    return float(ts[first_after] - ts[last_before]), first_after - last_before - 1


def drawn_share(move: Move) -> float:
    """Chance that a fall is a draw rather than a gauge that jumped, 0..1.

    Whatever takes a reading on its way is drawn. A jump never does; a draw does not where it begins and ends between
    two neighbours, as one of V litres at q l/min has the chance 1 - V / (q T) to do in their T minutes. With ln q even
    between the slowest pump and the fastest, a and b, and c = max(a, V / T), that is
    (ln(b / c) + V / (T b) - V / (T c)) / ln(b / a).
    """
    if move.samples > 0:
        return 1.0
    least = abs(move.step.litres) / max(move.transit_s / 60.0, 0.25)
    low, high = max(SLOWEST_PUMP_L_PER_MIN, least), FASTEST_PUMP_L_PER_MIN
    if low >= high:
        return 0.0
    between = (np.log(high / low) + least / high - least / low) / np.log(high / SLOWEST_PUMP_L_PER_MIN)
    return float(DRAWS_PER_JUMP * between / (1.0 + DRAWS_PER_JUMP * between))


def is_jump(move: Move) -> bool:
    """Whether the gauge jumped rather than the product moved: a gain at once that is no drop, or a fall likelier so."""
    if move.step.litres > 0:
        return move.samples == 0
    return drawn_share(move) < 0.5


def is_large(series: GaugeSeries, move: Move) -> bool:
    """Whether a jump is more than a gauge's quirks: three millimetres, and well beyond the scatter."""
    return abs(move.step.litres) > JUMP_MM * surface_l_per_mm(series, move) and abs(move.step.z) > JUMP_SDS


def surface_l_per_mm(series: GaugeSeries, move: Move) -> float:
    """The chart's usual slope, by the readings up to a move. [l/mm]"""
    return series.usual_l_per_mm(move.step.known_s)


def moved_mm(series: GaugeSeries, move: Move) -> float:
    """By how much a move changed the level where that stood. [mm]"""
    place = min(int(np.searchsorted(series.ts_s, move.step.start_s)), len(series) - 1)
    return move.step.litres / float(series.surface_l_per_mm[place])


def moves_of_steps(series: GaugeSeries, flows: list[MeterFlow], steps: list[tuple[int, Step]]) -> list[Move]:
    """Each step with the day that saw it, as a move."""
    return [Move(day, step, *transit(series, flows, step), series.nominal_s) for day, step in steps]


def lone_member(members: tuple[GaugeSeries, ...], step: Step, until_s: float) -> int | None:
    """The place of the one of joined tanks that alone shows a move, so that its gauge moved and no product; else None.

    What is drawn from one or poured into one comes to stand in both: their levels' difference is soon what it was. A
    gauge that jumped keeps it. By readings before `until_s` alone.
    """
    if len(members) < 2:
        return None
    stepped = [_stepped_mm(one, step.start_s, step.end_s) for one in members]
    place = int(np.argmax(np.abs(stepped)))
    one, others = members[place], [other for number, other in enumerate(members) if number != place]
    apart = one.level_mm - np.mean([_level_by(other, one.ts_s, until_s) for other in others], axis=0)
    before = apart[(one.ts_s > step.start_s - LEVEL_SPAN_S) & (one.ts_s <= step.start_s)]
    settled_s = step.end_s + LEVEL_S
    after = apart[(one.ts_s > settled_s) & (one.ts_s < min(settled_s + LEVEL_SPAN_S, until_s))]
    if min(len(before), len(after)) < FEWEST_READINGS:
        return None
    shift_mm = float(np.median(after) - np.median(before))
    alone_mm = step.litres / one.usual_l_per_mm(until_s)
    is_alone = abs(shift_mm) > JUMP_MM and ALONE_SHARE < shift_mm / alone_mm < 1.0 / ALONE_SHARE
    return place if is_alone else None


def _level_by(series: GaugeSeries, at_s: Floats, until_s: float) -> Floats:
    """Level at each instant, by straight lines between the readings before `until_s`. Shape of `at_s`. [mm]"""
    seen = max(int(np.searchsorted(series.ts_s, until_s)), 1)
    return np.interp(at_s, series.ts_s[:seen], series.level_mm[:seen])


def _stepped_mm(series: GaugeSeries, start_s: float, end_s: float) -> float:
    """By how much a level changed from the last reading before a move to the first after it. [mm]"""
    first = max(int(np.searchsorted(series.ts_s, start_s, "right")) - 1, 0)
    last = min(int(np.searchsorted(series.ts_s, end_s)), len(series) - 1)
    return float(series.level_mm[last] - series.level_mm[first])
