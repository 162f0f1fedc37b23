"""Sudden moves against what a tank's stock does by itself: the null, the alternatives, and what a move is worth.

Null: moves that stand out come as a Poisson process whose rate and sizes the tank itself shows, as many gains as
losses; gains are all of the null, since nobody pours in by stealth. Alternative: draws come at a rate of their own, of
a size of which only the order of magnitude is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.bayes import (
    count_log_probability,
    hours_log_bayes,
    log_uniform_log_density,
    mixed_log_bayes,
    pareto_log_density,
)
from pipeline.estimate.known import DAY_S
from pipeline.estimate.observe import UnitObserved
from pipeline.features.steps import Z_FOUND
from pipeline.features.transit import Move

Floats = NDArray[np.float64]

SHAPE = 0.2
"""Tail of the moves that stand out by themselves, as a Pareto's shape: heavier than a normal's, with moments up to the
fifth. Common practice, no source."""
EXCESS, EXCESS_COUNT = 1.0, 3.0
"""Scale of their excess over the threshold in SDs before the tank has shown its own, and how many moves that is worth.
Common practice, no source."""
FIRST_GAINS, FIRST_DAYS = 1.0, 10.0
"""Before the tank has shown its own: so many gains that stand out in so many days. Common practice, no source."""
SMALLEST_L, SMALL_L, LARGEST_L = 3.0, 140.0, 10_000.0
"""A draw in a pattern is of the first to the second, a single one or one of a series of larger ones up to the third:
jerrycans to lorries. No source."""
PATTERN_PAUSE_DAYS = 2.0
"""Draws in a pattern come once in so many days. No source."""
WINDOW_H, INSIDE = 3.0, 0.9
"""Half of the patterns keep to so many hours of the day, but for one draw in ten. No source."""


@dataclass(frozen=True)
class UsualMoves:
    """A unit's null: gains so far that stand out and the days in which they came, the prior's own counts included.

    `scale` of the excess over the threshold, in SDs; `hours` (24,) the share of them that each hour of the day has.
    """

    gains: float
    days: float
    scale: float
    hours: Floats

    def size_log_bayes(self, move: Move, smallest_l: float, largest_l: float) -> float:
        """Log Bayes factor of a move's size: a draw's against the null's, both by SD."""
        z = max(abs(move.step.z), Z_FOUND)
        sd_l = abs(move.step.litres) / z
        drawn = log_uniform_log_density(z, smallest_l / sd_l, largest_l / sd_l)
        return drawn - pareto_log_density(z - Z_FOUND, self.scale, SHAPE)

    def single_log_bayes(self, move: Move) -> float:
        """Log Bayes factor, of a day, of one draw or jump against a move of the null: its size, and how often it is."""
        return self.size_log_bayes(move, SMALLEST_L, LARGEST_L) - float(np.log(self.gains / self.days))

    def pattern_log_bayes(self, draws: list[Move]) -> float:
        """Log Bayes factor of draws that follow each other against as many moves of the null.

        By how often they come after the first, by their sizes, and by their hours.
        """
        span = max((draws[-1].step.start_s - draws[0].step.start_s) / DAY_S, 1.0)
        more = len(draws) - 1
        often = count_log_probability(more, span, 1.0, PATTERN_PAUSE_DAYS)
        often -= count_log_probability(more, span, self.gains, self.days)
        largest_l = SMALL_L if all(-move.step.litres <= SMALL_L for move in draws) else LARGEST_L
        sizes = sum(self.size_log_bayes(move, SMALLEST_L, largest_l) for move in draws)
        at_h = np.array([(move.step.start_s % DAY_S) / 3600.0 for move in draws])
        return often + sizes + mixed_log_bayes(np.array([0.0, hours_log_bayes(at_h, self.hours, WINDOW_H, INSIDE)]))


def usual_moves(unit: UnitObserved, gains: list[Move], day: int, until_s: float) -> UsualMoves:
    """A unit's null as the run of a UTC day number knows it for a move that ends at `until_s`.

    `gains` are the unit's moves upward that nothing explains.
    """
    known = [move for move in gains if move.day <= day and move.step.end_s <= until_s]
    excess = sum(max(abs(move.step.z) - Z_FOUND, 0.0) for move in known)
    days = (until_s - float(unit.unit.series.ts_s[0])) / DAY_S
    sold = np.full(24, 1e-6)
    for flow in unit.flows:
        here = flow.end_s <= until_s
        at_h = (flow.end_s[here] % DAY_S / 3600.0).astype(np.int64)
        sold += np.bincount(at_h, flow.volume_l[here], minlength=24)
    return UsualMoves(
        gains=FIRST_GAINS + len(known),
        days=FIRST_DAYS + days,
        scale=(EXCESS_COUNT * EXCESS + excess) / (EXCESS_COUNT + len(known)),
        hours=0.5 / 24.0 + 0.5 * sold / sold.sum(),
    )
