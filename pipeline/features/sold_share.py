"""What a sudden move may owe to the sales about it: chart and meters are off by a share of what is sold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.features.steps import SIDE, Step
from pipeline.ledger.movements import MeterFlow, cumulative_l
from pipeline.ledger.moves import Moves

Floats = NDArray[np.float64]

SHARE_SD = 0.015
"""How far stock may go beside the meters, as a share of what is sold: a chart's slope by tilt and shape, and meters.
Common practice, no source."""
UNEVEN_SD = 0.006
"""By how much that share differs within `ALIKE_MM` of level. Common practice, no source."""
FAST_L_PER_MIN = 150.0
"""Hoses for cars give up to 45 l/min and for lorries up to 130 (common practice, no source); faster ones load ships,
aircraft and road tankers."""
STAMP_S = 30.0
"""By how much the instant at which a sale's litres left may miss its stamps. Common practice, no source."""
ALIKE_MM = 100.0
"""Levels so far apart have like walls. No source."""


def with_share(moves: Moves, moved_l: Floats, step: Step, until_s: float) -> Step:
    """A step with the score of what is left without its sales' share, in SDs that hold the doubt about that share.

    The share is what all steps known before `until_s` near the move's level show, but for the move itself, shrunk to
    none.
    """
    seen = int(np.searchsorted(moves.known_s, until_s))
    first = int(np.searchsorted(moves.ts_s, step.start_s - 1.0))
    last = int(np.searchsorted(moves.ts_s, step.end_s - 1.0))
    sold = np.cumsum((np.diff(moves.sold_l, axis=0, prepend=moves.sold_l[:1]) * moves.own).sum(axis=1)[:seen])
    if last >= seen or first >= seen:
        return step
    taken = _mean(sold, last, last + SIDE) - _mean(sold, first - SIDE + 1, first + 1)
    share, sd = _share(moves, moved_l[:seen], sold, (first, last))
    litres = step.litres - share * taken
    spread = float(np.hypot(step.sd_l, taken * np.hypot(sd, UNEVEN_SD)))
    if not spread or not step.litres:
        return step
    return replace(step, z=step.z * (litres / step.litres) * (step.sd_l / spread))


def with_stamp_doubt(flows: Sequence[MeterFlow], step: Step) -> Step:
    """A step whose score allows for what fast hoses gave at its edges: half a minute to either side nobody knows when.

    They fill ships and lorries with a hundred litres and more in that time; what cars' hoses give is in the spread.
    """
    edges = np.array([step.start_s, step.end_s])
    doubt_l = 0.5 * float(np.hypot(*sum((_fast_l(one, edges) for one in flows), np.zeros(2))))
    if not doubt_l:
        return step
    return replace(step, z=step.z * step.sd_l / float(np.hypot(step.sd_l, doubt_l)))


def _fast_l(flow: MeterFlow, at_s: Floats) -> Floats:
    """Litres of fast sales within `STAMP_S` of each instant. Shape of `at_s`. [l]"""
    fast = flow.volume_l > FAST_L_PER_MIN / 60.0 * np.maximum(flow.end_s - flow.start_s, 1.0)
    near = MeterFlow(flow.meter_id, flow.start_s[fast], flow.end_s[fast], flow.volume_l[fast])
    return np.asarray(cumulative_l(near, at_s + STAMP_S) - cumulative_l(near, at_s - STAMP_S))


def _mean(values: Floats, low: int, high: int) -> float:
    return float(values[max(low, 0) : max(min(high, len(values)), 1)].mean())


def _share(moves: Moves, moved_l: Floats, sold_l: Floats, span: tuple[int, int]) -> tuple[float, float]:
    """Litres that the stock gains for each one sold near a move's level, and the SD."""
    seen = len(moved_l)
    middle = float(moves.level_mm[span[0]])
    rise, sold = np.diff(moved_l), np.diff(sold_l)
    place = np.arange(1, seen)
    usable = ~moves.in_drop[1:seen] & ~moves.in_drop[: seen - 1] & (np.diff(moves.ts_s[:seen]) <= moves.gap_s)
    usable &= (place <= span[0] - SIDE + 1) | (place > span[1] + SIDE)
    weight = np.exp(-0.5 * ((moves.level_mm[1:seen] - middle) / ALIKE_MM) ** 2) * usable * (sold > 0.0)
    if not weight.sum() > 0.0:
        return 0.0, SHARE_SD
    scale = 1.4826 * float(np.median(np.abs(rise[weight > 0.0]))) + 0.1
    most = 5.0 * (scale + SHARE_SD * sold)
    rise = np.clip(rise, -most, most)
    precise = float((weight * sold**2).sum()) / scale**2 + 1.0 / SHARE_SD**2
    return float((weight * sold * rise).sum()) / scale**2 / precise, float(precise**-0.5)
