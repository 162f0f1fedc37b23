"""The loops of the whitening filter, compiled. What they compute is told in `whiten.py`; a slow twin stands in tests.

Leading axis n: several noises at once; k dips; S states, of which state `slow` is fed by state `rate`.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@njit(cache=True)
def kalman_gains(  # noqa: C901 - one loop, compiled
    keep: Floats, carry: Floats, seen: Floats, added: Floats, first: Floats
) -> tuple[Floats, Floats]:  # pragma: no cover - compiled
    """Gains (n, k, S) and SDs of the innovations (n, k) of a Kalman filter whose states fade by `keep` (n, k, S).

    `carry` (k,) what of state 3 is added to state 2; `seen` (n, k, S) by how much each state shows; `added`
    (n, k, S + 2) the variance that each step adds to each state, then the covariance of states 2 and 3, then the
    variance of the dip itself; `first` (n, S, S) the covariance before the first dip.
    """
    count, dips, states = keep.shape
    gain = np.empty((count, dips, states))
    sd = np.empty((count, dips))
    shown = np.empty(states)
    for one in range(count):
        cov = first[one].copy()
        for dip in range(dips):
            fade = keep[one, dip]
            more = carry[dip]
            for a in range(states):
                for b in range(states):
                    cov[a, b] *= fade[a] * fade[b]
            if more != 0.0:
                # States 2 and 3 after fading: the carried part goes by state 3 before it faded.
                share = more / fade[3]
                for b in range(states):
                    cov[2, b] += share * cov[3, b]
                for a in range(states):
                    cov[a, 2] += share * cov[a, 3]
            for a in range(states):
                cov[a, a] += added[one, dip, a]
            cov[2, 3] += added[one, dip, states]
            cov[3, 2] += added[one, dip, states]
            total = added[one, dip, states + 1]
            for a in range(states):
                value = 0.0
                for b in range(states):
                    value += cov[a, b] * seen[one, dip, b]
                shown[a] = value
                total += seen[one, dip, a] * value
            for a in range(states):
                gain[one, dip, a] = shown[a] / total
            sd[one, dip] = np.sqrt(total)
            for a in range(states):
                for b in range(states):
                    cov[a, b] -= gain[one, dip, a] * shown[b]
    return gain, sd


@njit(cache=True)
def innovations(  # noqa: C901 - one loop, compiled
    columns: Floats, keep: Floats, carry: Floats, seen: Floats, gain: Floats, sd: Floats, left: Floats
) -> Floats:  # pragma: no cover - compiled
    """Innovations (n, k, c) of each column (k, c) by a filter's gains, in units of their SDs.

    `left` (n, S, c) is what the dips before have left in each column's states; it is carried on in place.
    """
    count, dips, states = keep.shape
    width = columns.shape[1]
    out = np.empty((count, dips, width))
    carried, away = np.empty(width), np.empty(width)
    for one in range(count):
        state = left[one]
        for dip in range(dips):
            more, sigma = carry[dip], sd[one, dip]
            # A state at a time over all columns, which lie side by side.
            for c in range(width):
                carried[c] = more * state[3, c]
            for a in range(states):
                fade = keep[one, dip, a]
                for c in range(width):
                    state[a, c] *= fade
            for c in range(width):
                state[2, c] += carried[c]
                away[c] = 0.0
            for a in range(states):
                shows = seen[one, dip, a]
                for c in range(width):
                    away[c] += shows * state[a, c]
            for c in range(width):
                away[c] = columns[dip, c] - away[c]
                out[one, dip, c] = away[c] / sigma
            for a in range(states):
                share = gain[one, dip, a]
                for c in range(width):
                    state[a, c] += share * away[c]
    return out
