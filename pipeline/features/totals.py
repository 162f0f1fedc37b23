"""Totaliser against sales: litres that a meter counted and nobody booked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.movements import MeterFlow, cumulative_l

Floats = NDArray[np.float64]

SMALLEST_L = 2.0
"""Smaller differences are rounding, or a sale caught in mid-flow."""


@dataclass(frozen=True)
class Unbooked:
    """Litres that a meter's totaliser moved between two readings beyond its booked sales. Times in seconds."""

    meter_id: str
    start_s: float
    end_s: float
    litres: float


def unbooked(meter_id: str, total_s: Floats, total_l: Floats, booked: MeterFlow) -> list[Unbooked]:
    """Spans in which the totaliser outran sales and test returns, in order.

    Readings taken while a hose was open are passed over, and so is a fall of the totaliser (a reset or a roll-over):
    what was counted across it is unknown.

    Parameters
    ----------
    total_s, total_l : ndarrays, shape (n,)
        Totaliser readings in order of time, on the till's clock.
    booked : MeterFlow
        All the meter's draws: sales and test returns, whole (no shares).
    """
    if len(total_s) < 2:
        return []
    inside = np.searchsorted(booked.start_s, total_s + 15.0, "right") - np.searchsorted(
        booked.end_s, total_s - 15.0, "left"
    )
    keep = inside <= 0
    at, total = total_s[keep], total_l[keep]
    if len(at) < 2:
        return []
    moved = np.diff(total)
    excess = moved - np.diff(cumulative_l(booked, at))
    places = np.flatnonzero((moved >= 0) & (excess >= SMALLEST_L) & (excess < 1e5))
    return [Unbooked(meter_id, float(at[k]), float(at[k + 1]), float(excess[k])) for k in places]
