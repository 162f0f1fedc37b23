"""From log odds to a probability that keeps its word."""

from __future__ import annotations

import math
from typing import Final

CEILING: Final = 0.9
"""No finding is surer: what is not in the model happens too. By experience with fleets from simulators that nobody here
wrote: some nine in ten of the surest were right, whatever their odds were."""
WORTH_A_CASE: Final = 0.2
"""Chance below which a finding is no case: four in five who looked would look for nothing. No source."""


def probability(log_odds: float) -> float:
    """Chance that a finding is real and of its cause, 0..1, from its log odds against all else.

    The odds count for what they say, no curve between; judged on fleets from elsewhere, where six tenths of them said
    too little of what was likely and too much of what was not.
    """
    return CEILING / (1.0 + math.exp(-min(max(log_odds, -30.0), 30.0)))
