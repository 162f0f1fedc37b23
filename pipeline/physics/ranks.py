"""Medians and quantiles of small samples: NumPy's own to the last bit, without most of what a call of those costs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def median(sample: Floats) -> float:
    """The median of one or more numbers, none of them NaN."""
    middle = len(sample) // 2
    if len(sample) % 2:
        return float(np.partition(sample, middle)[middle])
    ordered = np.partition(sample, (middle - 1, middle))
    return float((ordered[middle - 1] + ordered[middle]) / 2.0)


def quantile(sample: Floats, share: float) -> float:
    """The quantile of one or more numbers, none of them NaN, linear between neighbours."""
    at = (len(sample) - 1) * share
    low = int(at)
    high = min(low + 1, len(sample) - 1)
    ordered = np.partition(sample, (low, high))
    return _between(float(ordered[low]), float(ordered[high]), at - low)


def _between(low: float, high: float, share: float) -> float:
    """The value so far on from `low` to `high`, reckoned from the nearer one."""
    return high - (high - low) * (1.0 - share) if share >= 0.5 else low + (high - low) * share


class RunningMedian:
    """The median of the first so many of some numbers, none of them NaN, asked of more and more of them.

    What has been asked of is kept in order, so that only what is new is sorted.
    """

    def __init__(self, values: Floats) -> None:
        self.values = values
        self._ordered = np.empty(0)

    def of_first(self, count: int) -> float:
        """The median of the first `count`, one or more of them."""
        count = min(count, len(self.values))
        if count < len(self._ordered):
            return median(self.values[:count])
        more = np.sort(self.values[len(self._ordered) : count])
        if len(more):
            self._ordered = np.insert(self._ordered, np.searchsorted(self._ordered, more), more)
        return float((self._ordered[(count - 1) // 2] + self._ordered[count // 2]) / 2.0)
