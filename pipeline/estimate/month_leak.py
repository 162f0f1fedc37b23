"""The leak of the month so far: the mean rate since the month began, whatever leaked before or has been named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.design import Balance
from pipeline.estimate.hypotheses import LEAK_SPREAD_L_PER_H
from pipeline.estimate.regression import Prior, solved
from pipeline.estimate.sums import Sums
from pipeline.estimate.whiten import whitened

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class LeakSums:
    """What such sums hold after `count` rows: `cross` (1 + p,) and `square`, as of that `version` of the rows."""

    version: int
    count: int
    cross: Floats
    square: float


class LeakSoFar:
    """Running sums of a leak since the first dip, which is in no regression, against the regression's columns.

    `cross` (1 + p,) with y and each column, `square` with itself; `hours` (k,) the time of each dip; `feigned_l_per_h`
    what a temperature that nobody measures may feign, SD.
    """

    def __init__(self, balance: Balance, sums: Sums) -> None:
        self.hours, told = balance.hours, balance.told
        self.feigned_l_per_h = (
            np.zeros(len(self.hours)) if told is None else np.where(told, 0.0, balance.feigned_l_per_h)
        )
        self.rows = whitened(balance.leak_h[:1, :1] - balance.leak_h[:, :1], sums.filter)[:, 0]
        self.version, self.count, self.square = -1, 0, 0.0
        self.cross = np.zeros(1 + len(sums.score))

    def so_far(self) -> LeakSums:
        """What must be kept to go on from here another time."""
        return LeakSums(self.version, self.count, self.cross.copy(), self.square)

    def go_on(self, kept: LeakSums) -> None:
        """Stands as when `kept` was."""
        self.version, self.count, self.cross, self.square = kept.version, kept.count, kept.cross.copy(), kept.square

    def take(self, sums: Sums) -> None:
        """Adds the rows taken since the last time; all of them anew where those of before have become others."""
        if self.version != sums.version:
            self.version, self.count = sums.version, 0
            self.cross, self.square = np.zeros(1 + len(sums.score)), 0.0
        here = slice(self.count, sums.count)
        weight = sums.weight[here]
        mine = self.rows[here] * weight
        self.cross += mine @ (sums.rows[here] * weight[:, None])
        self.square += float(mine @ mine)
        self.count = sums.count

    def weighted(self, sums: Sums) -> Floats:
        """Its rows taken so far, weighted. Shape (count,)."""
        return np.asarray(self.rows[: self.count] * sums.weight[: self.count])


def month_leak(sums: Sums, prior: Prior, so_far: LeakSoFar, first: int, named: Sequence[int]) -> tuple[float, float]:
    """Mean leak since dip `first` and its SD; NaN and infinity where nothing tells. [l/h]

    What came before the month is a coefficient of its own, or else meters and chart would learn to account for it and
    hide what goes on. `named` are the places of the pieces of a leak in the regression: nothing is taken from them.
    """
    so_far.take(sums)
    candidates, live = sums.candidates, sums.live
    mine = live[(candidates.which[live] == 0) & (candidates.onset[live] >= first)]
    if not len(mine):
        return np.nan, np.inf
    at, onset = int(mine[0] - live[0]), int(candidates.onset[mine[0]])
    places = np.setdiff1d(np.arange(len(sums.score)), named) if len(named) else np.arange(len(sums.score))
    gram, score, cross = sums.gram[np.ix_(places, places)], sums.score[places], sums.cross[places, at]
    prior = Prior(prior.mean[places], prior.sd[places])
    if onset > 0:
        gram, score, cross = _with_earlier((gram, score, cross), sums, so_far, places, int(mine[0]))
        prior = Prior(np.append(prior.mean, 0.0), np.append(prior.sd, LEAK_SPREAD_L_PER_H))
    scale = prior.sd
    matrix = gram * scale[:, None] * scale[None, :] + np.eye(len(scale))
    mine_scaled = scale * cross
    told, _ = solved(matrix, np.column_stack([scale * (score + prior.mean / scale**2), mine_scaled]))
    explained, shared_square = mine_scaled @ told
    information = float(sums.square[at] - shared_square)
    last, begun = sums.count - 1, max(onset - 1, 0)
    hours = float(so_far.hours[last] - so_far.hours[begun])
    if information <= 1e-9 or hours <= 0.0:
        return np.nan, np.inf
    mean_speed = -float(candidates.columns(mine[:1], last, last + 1)[0, 0]) / hours
    rate = float((sums.moment[at] - explained) / information)
    sd = float(np.hypot(mean_speed / np.sqrt(information), so_far.feigned_l_per_h[last]))
    return mean_speed * rate, sd


def _with_earlier(
    own: tuple[Floats, Floats, Floats], sums: Sums, so_far: LeakSoFar, places: Ints, number: int
) -> tuple[Floats, Floats, Floats]:
    """The sums of the regression's columns at `places` with those of the leak before candidate `number` behind them.

    `own` and what comes back are products with each other (p, p), with y (p,) and with the leak since (p,).
    """
    at, course = number - int(sums.live[0]), sums.course(number)
    both = float(so_far.weighted(sums)[sums.count - len(course) :] @ course)
    before = so_far.cross[1:][places] - own[2]
    square = so_far.square - 2.0 * both + float(sums.square[at])
    return (
        np.block([[own[0], before[:, None]], [before[None, :], np.full((1, 1), square)]]),
        np.append(own[1], so_far.cross[0] - sums.moment[at]),
        np.append(own[2], both - sums.square[at]),
    )
