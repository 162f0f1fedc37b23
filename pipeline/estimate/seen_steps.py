"""A unit's sudden moves, day by day, each day's run seeing only what it may."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.known import DAY_S, first_seen_s
from pipeline.estimate.noise import RESOLUTION_READINGS, resolution_mm
from pipeline.features.steps import Step, find_steps, step_spread
from pipeline.ledger.clocks import DayLag
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.moves import Moves

SMALLEST_CHANGES = 2.5
"""A sudden move is more than so many of the gauge's smallest changes of level."""


def _is_told(series: GaugeSeries, step: Step) -> bool:
    """Whether a move is more than the gauge's smallest change, by which slow cooling shows in steps too."""
    known = int(np.searchsorted(series.ts_s, step.known_s))
    smallest_mm = resolution_mm(series.level_mm[: min(known, RESOLUTION_READINGS)])
    return abs(step.litres) > SMALLEST_CHANGES * smallest_mm * series.usual_l_per_mm(step.known_s)


def steps_of(
    moves: Moves, days: NDArray[np.int64], lags: dict[int, DayLag], series: GaugeSeries
) -> list[tuple[int, Step]]:
    """The sudden moves of a unit, each with the UTC day number that first sees it.

    `days` the day numbers, rising; `lags` the site's clocks; `series` the unit's readings.
    """
    if not len(moves.ts_s):  # a gauge that stood still for good
        return []
    found: list[tuple[int, Step]] = []
    moved = moves.moved_l()
    for day in days.tolist():
        start, end = first_seen_s(day, lags), first_seen_s(day + 1, lags)
        before = start if start - moves.ts_s[0] > 3 * DAY_S else end
        spread = step_spread(moves, moved, start - 10 * DAY_S, before)
        for step in find_steps(moves, moved, spread, start, end):
            if not _is_told(series, step):
                continue
            found.append((day, step))
            here = slice(int(np.searchsorted(moves.ts_s, step.start_s)), None)
            moved[here] -= step.litres * np.minimum(
                (moves.ts_s[here] - step.start_s) / max(step.end_s - step.start_s, 1.0), 1.0
            )
    return found
