"""When a tank was out of service, by the site's own record: then it is emptied, entered and filled by no hose."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ledger.gauge import seconds

Floats = NDArray[np.float64]

TAKEN_OUT, PUT_BACK = "tank_out_of_service", "tank_in_service"
BESIDE_S = 3600.0
"""Somebody writes the event down a while after it began. No source."""


def out_of_service_s(events: pl.DataFrame) -> Floats:
    """From when until when a tank, or one of some that are joined, was out of service. Shape (k, 2). [s]

    A span begins up to `BESIDE_S` before its event, and one that nothing ended lasts.

    Parameters
    ----------
    events : frame
        The `events` rows of the tank or tanks.
    """
    taken_s, back_s = (np.sort(seconds(events.filter(pl.col("kind") == kind)["ts"])) for kind in (TAKEN_OUT, PUT_BACK))
    ends_s = np.append(back_s, np.inf)[np.searchsorted(back_s, taken_s, "right")]
    return np.column_stack([taken_s - BESIDE_S, ends_s])


def is_within(spans_s: Floats, at_s: float) -> bool:
    """Whether an instant lies in one of some spans, shape (k, 2). [s]"""
    return bool(np.any((spans_s[:, 0] <= at_s) & (at_s < spans_s[:, 1])))
