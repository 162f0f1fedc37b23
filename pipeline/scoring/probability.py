"""From log odds to a probability that keeps its word."""

from __future__ import annotations

import math

SLOPE = 0.6
"""Log odds count for less than they say: the model is simpler than a forecourt. By experience with simulated fleets."""
CEILING = 0.9
"""No finding is surer: what is not in the model happens too. By experience with fleets from simulators that nobody here
wrote: some nine in ten of the surest were right, whatever their odds were."""


def probability(log_odds: float) -> float:
    """Chance that a finding is real and of its cause, 0..1, from its log odds against all else."""
    value = SLOPE * log_odds
    return CEILING / (1.0 + math.exp(-min(max(value, -30.0), 30.0)))
