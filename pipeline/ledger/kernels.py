"""Loops over readings and sales, compiled. What they are for is told where they are called; twins stand in tests."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@njit(cache=True)
def add_between(knots_s: Floats, knots_l: Floats, at_s: Floats, total_l: Floats) -> None:  # pragma: no cover - compiled
    """Adds to `total_l` (n,) the straight lines through some knots at instants `at_s` (n,), which must not fall.

    As `numpy.interp` has them: before the first knot and after the last one its own value, and of knots at one instant
    the last.
    """
    last = len(knots_s) - 1
    knot = max(np.searchsorted(knots_s, at_s[0], "right") - 1, 0) if len(at_s) else 0
    for n in range(len(at_s)):
        now = at_s[n]
        while knot < last and knots_s[knot + 1] <= now:
            knot += 1
        if knot == last or now < knots_s[0]:
            total_l[n] += knots_l[knot]
        else:
            slope = (knots_l[knot + 1] - knots_l[knot]) / (knots_s[knot + 1] - knots_s[knot])
            total_l[n] += slope * (now - knots_s[knot]) + knots_l[knot]


@njit(cache=True)
def misfits(
    at_s: Floats, fall_l: Floats, evenly_l: Floats, first_s: float, step_s: float, lags_s: Floats
) -> Floats:  # pragma: no cover - compiled
    """Sum of squares of a tank's falls less its sales between the same readings, at each lag. Shape of `lags_s`.

    `fall_l` (n,) between two of the readings `at_s` (n + 1,), NaN where it does not count; `evenly_l` litres sold up to
    instants `step_s` apart from `first_s` on, straight lines between.
    """
    out = np.zeros(len(lags_s))
    last = len(evenly_l) - 1
    for one in range(len(lags_s)):
        before, total = 0.0, 0.0
        for n in range(len(at_s)):
            place = min(max((at_s[n] + lags_s[one] - first_s) / step_s, 0.0), float(last))
            knot = min(int(place), last - 1)
            now = evenly_l[knot] + (place - knot) * (evenly_l[knot + 1] - evenly_l[knot])
            if n > 0 and not np.isnan(fall_l[n - 1]):
                off = fall_l[n - 1] - (now - before)
                total += off * off
            before = now
        out[one] = total
    return out
