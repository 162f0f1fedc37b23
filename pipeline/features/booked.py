"""What the meters booked about the time of a sudden draw: a clock that is off shows a sale as a draw, and a gain."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.features.steps import Step
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.movements import MeterFlow, cumulative_l

Floats = NDArray[np.float64]

LOOK_BACK_S = 3 * 3600.0
LOOK_AFTER_S = 900.0
ALIKE_SHARE = 0.15
BOOKED_SHARE = 0.7
FEWEST_READINGS = 3
LATEST_READINGS = 10
"""How far to look for the sales of a draw before and after it [s], to what share the stock must be as before them, what
share of the draw they must make up, and by how many readings the stock is told. No source."""


def booked_l(flows: list[MeterFlow], start_s: float, end_s: float) -> float:
    """Litres that the meters booked in a stretch of time. [l]"""
    return float(sum(np.diff(cumulative_l(flow, np.array([start_s, end_s])))[0] for flow in flows))


def booked_before(series: GaugeSeries, flows: list[MeterFlow], step: Step) -> bool:
    """Whether a draw only takes out what was booked in the three hours before, and had not left the tank then.

    That is so where the stock with the sales added back is after the draw what it was before those sales. The clock
    that is off then shows the gain of that sale in a gap of the readings, or too slowly to be seen.
    """
    low, high = np.searchsorted(series.ts_s, [step.start_s - LOOK_BACK_S, step.end_s + LOOK_AFTER_S], "right")
    ts = series.ts_s[low:high]
    sold = np.sum([cumulative_l(flow, ts) for flow in flows], axis=0) if flows else np.zeros(len(ts))
    moved = series.gauge_l[low:high] + sold
    size = abs(step.litres)
    after = ts >= step.end_s
    until = float(np.interp(step.start_s, ts, sold)) if len(ts) else 0.0
    before = (ts <= step.start_s) & (until - sold >= BOOKED_SHARE * size)
    if step.litres >= 0 or before.sum() < FEWEST_READINGS or not after.any():
        return False
    was = float(np.median(moved[before][-LATEST_READINGS:]))
    return abs(was - float(np.median(moved[after]))) <= ALIKE_SHARE * size + 3.0 * step.sd_l
