"""Readings a stretch at a time, so that what is made of each never stands in memory for the whole of a history."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

READINGS = 30_000
"""Readings of a stretch: three weeks by the minute, a few megabytes."""


def stretches(key: NDArray[np.int64], readings: int = READINGS) -> Iterator[slice]:
    """Slices of about so many rows, one after the other and one at least, that part no rows of one `key`, shape (n,).

    `key` must not fall.
    """
    start = 0
    while start < len(key) or start == 0:
        stop = min(start + readings, len(key))
        if stop < len(key):
            stop = int(np.searchsorted(key, key[stop - 1], "right"))
        yield slice(start, stop)
        start = stop or 1


def is_inside(ts_s: Floats, spans: Iterable[tuple[float, float]]) -> NDArray[np.bool_]:
    """Which of some instants in order lie within any of the spans, their ends left out. Shape of `ts_s`."""
    inside = np.zeros(len(ts_s), dtype=bool)
    for start_s, end_s in spans:
        inside[np.searchsorted(ts_s, start_s, "right") : np.searchsorted(ts_s, end_s, "left")] = True
    return inside
