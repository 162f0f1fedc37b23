"""Does each meter draw on the tank its sales are booked to? Answered day by day from five-minute moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.moves import Moves
from pipeline.physics.ranks import median

Floats = NDArray[np.float64]

FEWEST_SOLD_L = 60.0
"""A meter that sold less in a day says nothing of its feed."""
EDGE_SHARE = 0.05
"""By what share of its sales a step of some minutes may be off, as they end or begin in it, SD. No source."""


@dataclass(frozen=True)
class FeedDay:
    """One meter and one unit on one day: `drawn` is the share of its sales that the unit lost, with its SD.

    1 where the unit supplied the meter, 0 where it did not. `sold_l` its sales in the usable steps.
    """

    meter_id: str
    drawn: float
    sd: float
    sold_l: float


@dataclass(frozen=True)
class _Day:
    """A day's usable steps: litres the stock fell, and sold by each meter, shape (n, meters), and in all."""

    fall: Floats
    sold: Floats
    totals: Floats
    own: NDArray[np.int64]
    is_whole: NDArray[np.bool_]


def _day(moves: Moves, start_s: float, end_s: float) -> _Day | None:
    """The steps at which nothing was dropping; `own` the unit's meters, `is_whole` those that one tank supplies."""
    low, high = np.searchsorted(moves.ts_s, [start_s, end_s])
    if high - low < 14:
        return None
    quiet = ~moves.in_drop[low:high] & (moves.known_s[low:high] < end_s)
    keep = quiet[1:] & quiet[:-1] & (np.diff(moves.ts_s[low:high]) <= 3 * moves.step_s)
    if keep.sum() < 12:
        return None
    fall = -np.diff(moves.stock_l[low:high])[keep]
    sold = np.diff(moves.sold_l[low:high], axis=0)[keep]
    totals = sold.sum(axis=0)
    share = moves.own[high - 1]
    own = np.flatnonzero((share > 0.01) & (totals > 0))
    return _Day(fall, sold, totals, own, (totals >= FEWEST_SOLD_L) & ((share < 0.01) | (share > 0.99)))


def own_feeds(moves: Moves, start_s: float, end_s: float) -> list[FeedDay]:
    """For each of the unit's meters that sold enough on a day, the share of its sales that the unit lost.

    They are fitted together. Of blending hoses nothing is said.
    """
    day = _day(moves, start_s, end_s)
    if day is None:
        return []
    beta, sd = _robust_fit(day.sold[:, day.own], day.fall)
    return [
        FeedDay(moves.meters[meter], float(beta[i]), float(sd[i]), float(day.totals[meter]))
        for i, meter in enumerate(day.own)
        if day.is_whole[meter]
    ]


def other_feed(moves: Moves, meter_id: str, start_s: float, end_s: float) -> FeedDay | None:
    """The same of a meter that is not the unit's, added alone to those that are; None where it sold too little."""
    day, meter = _day(moves, start_s, end_s), moves.meters.index(meter_id)
    if day is None or meter in day.own or not day.is_whole[meter]:
        return None
    beta, _ = _robust_fit(day.sold[:, day.own], day.fall)
    residual = day.fall - day.sold[:, day.own] @ beta
    more, sd = _robust_fit(day.sold[:, [*day.own, meter]], residual)
    return FeedDay(meter_id, float(more[-1]), float(sd[-1]), float(day.totals[meter]))


def _robust_fit(design: Floats, response: Floats) -> tuple[Floats, Floats]:
    """Coefficients and their SDs; rows far off by the residual's robust scale are left out, twice.

    A sale runs at no even pace and its stamps are not exact: beside the rest's spread each row is off by a share of all
    that was sold in it, so that a hose is not told by the edge of one sale of others.
    """
    if not design.shape[1]:
        return np.zeros(0), np.zeros(0)
    keep = np.ones(len(response), dtype=bool)
    for _ in range(3):
        gram = design[keep].T @ design[keep] + np.eye(design.shape[1])
        inverse = np.linalg.inv(gram)
        beta = inverse @ (design[keep].T @ response[keep])
        residual = response - design @ beta
        away = np.abs(residual)
        scale = 1.4826 * median(away[keep]) + 1.0
        keep = away <= 5.0 * scale + 25.0
    spread = float(np.std(residual[keep])) if keep.sum() > 3 else np.inf
    told = design[keep]
    at_edges = np.linalg.norm(told * told.sum(axis=1, keepdims=True), axis=0) / np.maximum((told**2).sum(axis=0), 1e-9)
    return beta, np.hypot(spread * np.sqrt(np.diag(inverse)), EDGE_SHARE * at_edges)


def onset_s(moves: Moves, meter_id: str, start_s: float, end_s: float) -> float:
    """When within [start_s, end_s) a meter stopped drawing on the unit it was taken to draw on. [s]

    Each step's likelihood of 'not drawn' against 'drawn' is summed from each instant to the end; the instant with the
    highest sum is the onset.
    """
    low, high = np.searchsorted(moves.ts_s, [start_s, end_s])
    if high - low < 3:
        return start_s
    column = moves.meters.index(meter_id)
    own = moves.own[high - 1].copy()
    own[column] = 1.0
    sold = np.diff(moves.sold_l[low:high], axis=0)
    missing = np.diff(moves.stock_l[low:high]) + (sold * own).sum(axis=1)
    mine = sold[:, column]
    gain = np.where(np.abs(missing - mine / 2) < 3 * np.abs(mine) + 60, mine * (missing - mine / 2.0), 0.0)
    suffix = np.cumsum(gain[::-1])[::-1]
    place = int(np.argmax(suffix))
    return float(moves.ts_s[low + place])
