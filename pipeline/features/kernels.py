"""Loops over a unit's steps and a totaliser's readings, compiled; a slow twin of each stands in tests.

What they are for is told in `steps.py` and `totals.py`.
"""

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


@njit(cache=True)
def settled_l(
    at_s: Floats, ahead_l: Floats, least_l: Floats, is_late: Flags, by: tuple[float, int, float]
) -> tuple[Floats, Ints]:  # pragma: no cover - compiled
    """Litres that count as unbooked at each of n readings, negative where given back, and which reading bears them out.

    `is_late` where litres count only once further readings bear them out, as they do from `by[0]` litres on; `by[1]` is
    how many readings, and `by[2]` how long what was counted may be given back, and what was given back counted. [s]
    """
    plenty_l, borne_out_by, remembered_s = by
    litres, borne = np.zeros(len(at_s)), np.zeros(len(at_s), dtype=np.int64)
    # The level against the books, the highest that was counted, what may come back; when it last rose and fell.
    level, top, out, rose_s, fell_s = 0.0, 0.0, 0.0, -np.inf, -np.inf
    known = 0
    for place in range(1, len(at_s)):
        is_doubted = is_late[place] or abs(ahead_l[place] - level) >= plenty_l
        known = max(known, place + (borne_out_by if is_doubted else 0))
        if known >= len(at_s):
            break
        seen = np.sort(ahead_l[place : known + 1])
        middle = seen[len(seen) // 2] if len(seen) % 2 else (seen[len(seen) // 2 - 1] + seen[len(seen) // 2]) / 2
        if at_s[place] - fell_s > remembered_s:
            top = level
        if at_s[place] - rose_s > remembered_s:
            out = 0.0
        if seen[0] >= level + least_l[place]:
            litres[place] = max(seen[0] - top, 0.0)
            level, top = seen[0], max(top, seen[0])
            if litres[place] > 0.0:
                out, rose_s = out + litres[place], at_s[place]
        elif middle <= level - least_l[place]:
            back = min(level - middle, out)
            level, fell_s, out, top = middle, at_s[place], out - back, top - back
            litres[place] = -back
        elif abs(ahead_l[place] - level) < least_l[place]:
            top, level = top + (ahead_l[place] - level), ahead_l[place]
        borne[place] = known
    return litres, borne
