"""Loops over a unit's steps, compiled. What they are for is told in `steps.py`; a slow twin stands in tests."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]


@njit(cache=True)
def differences(
    moved: Floats, rest: Flags, block: Ints, widths: Ints, sides: tuple[int, int]
) -> tuple[Floats, Flags, Ints]:  # pragma: no cover - compiled
    """Litres moved from each of n places to each of w widths on, whether no hose was open meanwhile, the last step.

    Shape (w, n) each; litres are NaN where a side is missing or another block begins. A side is the mean of `sides[0]`
    steps; where the data end, of `sides[1]` steps after the move, if no hose was open.
    """
    size, side, few = len(moved), sides[0], sides[1]
    open_so_far = np.zeros(size + 1, dtype=np.int64)
    means = np.full(size, np.nan)
    for n in range(size):
        open_so_far[n + 1] = open_so_far[n] + (0 if rest[n] else 1)
        if n + side <= size:
            total = 0.0
            for k in range(side):
                total += moved[n + k] * (1.0 / side)
            means[n] = total
    litres = np.full((len(widths), size), np.nan)
    quiet = np.zeros((len(widths), size), dtype=np.bool_)
    until = np.zeros((len(widths), size), dtype=np.int64)
    for one in range(len(widths)):
        width = widths[one]
        for n in range(size - width):
            last, is_few = n + width + side - 1, False
            if last >= size:
                is_few = n + width + few <= size
                last = n + width + few - 1 if is_few else size - 1
            first = max(n - side + 1, 0)
            quiet[one, n] = open_so_far[last + 1] == open_so_far[first]
            until[one, n] = last
            if n < side - 1 or block[last] != block[first]:
                continue
            after = means[n + width]
            if is_few and quiet[one, n]:
                after = 0.0
                for k in range(few):
                    after += moved[n + width + k] * (1.0 / few)
            litres[one, n] = after - means[n - side + 1]
    return litres, quiet, until
