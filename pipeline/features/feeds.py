"""Does each meter draw on the tank its sales are booked to? Answered day by day from five-minute moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.moves import Moves

Floats = NDArray[np.float64]

FEWEST_SOLD_L = 60.0
"""A meter that sold less in a day says nothing of its feed."""


@dataclass(frozen=True)
class FeedDay:
    """One meter and one unit on one day: `drawn` is the share of its sales that the unit lost, with its SD.

    1 where the unit supplied the meter, 0 where it did not. `sold_l` its sales in the usable steps.
    """

    meter_id: str
    drawn: float
    sd: float
    sold_l: float


def feed_days(moves: Moves, start_s: float, end_s: float) -> list[FeedDay]:
    """For each meter of the site that sold enough on a day, the share of its sales that this unit lost.

    Own meters are fitted together; each other meter is then added alone to them. Of blending hoses nothing is said.
    """
    low, high = np.searchsorted(moves.ts_s, [start_s, end_s])
    if high - low < 14:
        return []
    quiet = ~moves.in_drop[low:high] & (moves.known_s[low:high] < end_s)
    keep = quiet[1:] & quiet[:-1] & (np.diff(moves.ts_s[low:high]) <= 3 * moves.step_s)
    fall = -np.diff(moves.stock_l[low:high])[keep]
    sold = np.diff(moves.sold_l[low:high], axis=0)[keep]
    totals = sold.sum(axis=0)
    share = moves.own[high - 1]
    own = (share > 0.01) & (totals > 0)
    busy = (totals >= FEWEST_SOLD_L) & ((share < 0.01) | (share > 0.99))
    if len(fall) < 12:
        return []
    base = np.flatnonzero(own)
    beta, sd = _robust_fit(sold[:, base], fall)
    found = [
        FeedDay(moves.meters[meter], float(beta[i]), float(sd[i]), float(totals[meter]))
        for i, meter in enumerate(base)
        if busy[meter]
    ]
    residual = fall - sold[:, base] @ beta
    for meter in np.flatnonzero(busy & ~own):
        design = np.column_stack([sold[:, base], sold[:, meter]])
        more, more_sd = _robust_fit(design, residual)
        found.append(FeedDay(moves.meters[meter], float(more[-1]), float(more_sd[-1]), float(totals[meter])))
    return found


def _robust_fit(design: Floats, response: Floats) -> tuple[Floats, Floats]:
    """Coefficients and their SDs; rows far off by the residual's robust scale are left out, twice."""
    if not design.shape[1]:
        return np.zeros(0), np.zeros(0)
    keep = np.ones(len(response), dtype=bool)
    for _ in range(3):
        gram = design[keep].T @ design[keep] + np.eye(design.shape[1])
        inverse = np.linalg.inv(gram)
        beta = inverse @ (design[keep].T @ response[keep])
        residual = response - design @ beta
        scale = 1.4826 * float(np.median(np.abs(residual[keep]))) + 1.0
        keep = np.abs(residual) <= 5.0 * scale + 25.0
    spread = float(np.std(residual[keep])) if keep.sum() > 3 else np.inf
    return beta, spread * np.sqrt(np.diag(inverse))


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
