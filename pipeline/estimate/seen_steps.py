"""A unit's sudden moves, day by day, each day's run seeing only what it may."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.known import DAY_S, first_seen_s
from pipeline.features.reporting import Reporting, most_hidden_mm
from pipeline.features.steps import Step, find_steps, step_spread
from pipeline.ledger.clocks import DayLag
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.moves import Moves

SMALLEST_CHANGES = 2.5
"""A sudden move is more than so many of the smallest changes of level that the gauge reports, by which slow cooling
shows in steps too. No source."""


def steps_of(
    moves: Moves,
    days: NDArray[np.int64],
    lags: dict[int, DayLag],
    series: GaugeSeries,
    reporting: Sequence[Reporting],
) -> list[tuple[int, Step]]:
    """The sudden moves of a unit, each with the UTC day number that first sees it.

    `days` the day numbers, rising; `lags` the site's clocks; `series` the unit's readings, and how its gauges report.
    """
    if not len(moves.ts_s):  # a gauge that stood still for good
        return []
    found: list[tuple[int, Step]] = []
    moved = moves.moved_l()
    for day in days.tolist():
        start, end = first_seen_s(day, lags), first_seen_s(day + 1, lags)
        before = start if start - moves.ts_s[0] > 3 * DAY_S else end
        spread = step_spread(moves, moved, start - 10 * DAY_S, before)
        smallest_mm = SMALLEST_CHANGES * most_hidden_mm(reporting, day)
        for step in find_steps(moves, moved, spread, start, end):
            if abs(step.litres) <= smallest_mm * series.usual_l_per_mm(step.known_s):
                continue
            found.append((day, step))
            here = slice(int(np.searchsorted(moves.ts_s, step.start_s)), None)
            moved[here] -= step.litres * np.minimum(
                (moves.ts_s[here] - step.start_s) / max(step.end_s - step.start_s, 1.0), 1.0
            )
    return found
