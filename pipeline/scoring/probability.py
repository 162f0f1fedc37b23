"""From log odds to a probability that keeps its word."""

from __future__ import annotations

import math

SLOPE = 0.6
SHIFT: dict[str, float] = {}


def probability(cause: str, log_odds: float) -> float:
    """Chance that a finding is real and of its cause, 0..1."""
    value = SHIFT.get(cause, 0.0) + SLOPE * log_odds
    return 1.0 / (1.0 + math.exp(-min(max(value, -30.0), 30.0)))
