"""How far a tank's drops lie from their tickets with nothing wrong, as its own drops show.

A drop's ticket is unsure by what loading meters, hoses and the book's basis leave, and by how much terminals and
carriers differ nobody knows beforehand. A tank whose other drops lie further off than stated has such tickets, and one
more of them is no case: its SD is as much wider.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from pipeline.estimate.evidence import Weighed
from pipeline.estimate.regression import Extra

PRIOR_DROPS = 10.0
"""Drops that what is stated is worth against the tank's own. No source: a few weeks of deliveries."""
FURTHEST = 3.0
"""A drop counts as no further off than so many SDs, so that one that came short does not hide the next. No source."""


def spread_of(away: Collection[float]) -> float:
    """By how much wider than stated some drops lie about their tickets, at least 1; `away` in SDs, by drop."""
    squares = np.minimum(np.abs(np.array(list(away), dtype=np.float64)), FURTHEST) ** 2
    return float(np.sqrt(max(1.0, (PRIOR_DROPS + squares.sum()) / (PRIOR_DROPS + len(squares)))))


def wider(drop: Weighed, by: float) -> Weighed:
    """A drop's mismatch weighed as if its SD were so many times as wide."""
    sd = by * drop.sd
    value = Extra(np.array([drop.estimate]), np.array([sd])).log_bayes(np.array([drop.hypothesis.spread]), np.zeros(1))
    return replace(drop, sd=sd, log_bayes=float(value[0]), best_onset=float(value[0]))
