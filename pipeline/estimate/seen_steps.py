"""A unit's sudden moves, day by day, each day's run seeing only what it may."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.kept import Shelf, key_of
from pipeline.estimate.known import DAY_S, first_seen_s
from pipeline.features.steps import LOOK_BACK_S, Step, find_steps, step_spread
from pipeline.ledger.clocks import DayLag
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.moves import Moves

Floats = NDArray[np.float64]

SPREAD_S = 10 * DAY_S
"""From so many days before is told how a day's moves scatter. No source."""
SMALLEST_CHANGES = 2.5
"""A sudden move is more than so many of the smallest changes of level that the gauge reports, by which slow cooling
shows in steps too. No source."""


def steps_of(
    moves: Moves,
    hidden_mm: Mapping[int, float],
    lags: dict[int, DayLag],
    series: GaugeSeries,
    kept: Shelf[tuple[Step, ...]] | None = None,
) -> list[tuple[int, Step]]:
    """The sudden moves of a unit, each with the UTC day number that first sees it.

    `hidden_mm` by day number, rising, the largest change that the gauges' reporting hides; `lags` the site's clocks;
    `series` the unit's readings. Those of days past are found among what was `kept`.
    """
    if not len(moves.ts_s):  # a gauge that stood still for good
        return []
    kept = Shelf() if kept is None else kept
    found: list[tuple[int, Step]] = []
    moved = moves.moved_l()
    for day, smallest_mm in hidden_mm.items():
        span = (first_seen_s(day, lags), first_seen_s(day + 1, lags))
        for step in kept.of(_key(moves, moved, span), partial(_day_steps, moves, moved, span)):
            if abs(step.litres) <= SMALLEST_CHANGES * smallest_mm * series.usual_l_per_mm(step.known_s):
                continue
            found.append((day, step))
            here = slice(int(np.searchsorted(moves.ts_s, step.start_s)), None)
            moved[here] -= step.litres * np.minimum(
                (moves.ts_s[here] - step.start_s) / max(step.end_s - step.start_s, 1.0), 1.0
            )
    return found


def _day_steps(moves: Moves, moved_l: Floats, span_s: tuple[float, float]) -> tuple[Step, ...]:
    """The sudden moves seen between two instants; `moved_l` is without those that were seen before."""
    spread = step_spread(moves, moved_l, span_s[0] - SPREAD_S, _spread_until_s(moves, span_s))
    return tuple(find_steps(moves, moved_l, spread, *span_s))


def _spread_until_s(moves: Moves, span_s: tuple[float, float]) -> float:
    """Up to when the moves tell how a day's scatter: the days before, and in the first days the day itself too. [s]"""
    return span_s[0] if span_s[0] - moves.ts_s[0] > 3 * DAY_S else span_s[1]


def _key(moves: Moves, moved_l: Floats, span_s: tuple[float, float]) -> str:
    """The key of a day's sudden moves: of all that `_day_steps` reads."""
    here = slice(*np.searchsorted(moves.ts_s, [span_s[0] - max(SPREAD_S, LOOK_BACK_S), span_s[1]]))
    until_s = _spread_until_s(moves, span_s)
    usual = (moves.usual_l_per_mm(until_s), moves.usual_l_per_mm(span_s[1]))
    rows = (moves.ts_s, moves.known_s, moved_l, moves.at_rest, moves.in_drop)
    return key_of(span_s, until_s, usual, moves.gap_s, *(one[here] for one in rows))
