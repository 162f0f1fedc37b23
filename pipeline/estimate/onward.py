"""The whitening filter carried on from where it stood: columns are whitened as their days come, none from the start.

What is computed is told in `whiten.py`; `whitened` over the whole of a column is the slow twin.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.estimate.whiten import RATE, SLOW, Filter

Floats = NDArray[np.float64]


def whitened_on(columns: Floats, by: Filter, start: int, states: Floats) -> Floats:
    """Innovations of some dips' rows of columns, in units of their SDs; `states` is carried on in place.

    Parameters
    ----------
    columns : ndarray, shape (n, c)
        The columns at dips `start` to `start` + n.
    by : Filter
        Of one noise.
    states : ndarray, shape (S, c)
        The filter's states of each column after the dip before; zeros where a column was zero until then.
    """
    here = slice(start, start + len(columns))
    parts = (by.keep[here], by.carry_h[here], by.seen[here], by.gain[here], by.sd_l[here])
    return np.asarray(_carried_on(np.ascontiguousarray(columns), *parts, states, SLOW, RATE))


@njit(cache=True)  # type: ignore[untyped-decorator]
def _carried_on(
    columns: Floats, keep: Floats, carry: Floats, seen: Floats, gain: Floats, sd: Floats, states: Floats,
    slow: int, rate: int,
) -> Floats:  # pragma: no cover - compiled  # fmt: skip
    dips, width = columns.shape
    count = states.shape[0]
    out = np.empty((dips, width))
    for dip in range(dips):
        for column in range(width):
            carried = carry[dip] * states[rate, column]
            left = columns[dip, column]
            for one in range(count):
                states[one, column] *= keep[dip, one]
            states[slow, column] += carried
            for one in range(count):
                left -= seen[dip, one] * states[one, column]
            for one in range(count):
                states[one, column] += gain[dip, one] * left
            out[dip, column] = left / sd[dip]
    return out
