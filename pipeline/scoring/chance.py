"""How often chance does as well as a group that stands out among others, with all that were looked at paid for.

Two null hypotheses. `of_order`: within a tank what was lost comes in any order, so that labels say nothing of it; by
permutation, each group against the best of all groups in each round. `of_places`: each event falls into any place by
its own share of time there; exact, and times the number of places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

ROUNDS: Final = 1999
"""Orders that are drawn: chance below one in two thousand is told as that. No source."""
_SAME: Final = 1e-9


@dataclass(frozen=True)
class Stratum:
    """What was lost in one tank, within which order is all that chance moves.

    `lost` (n,) at each event; `weights` (n, k), how much each of k groups has of each event; `groups` (k,) their
    numbers among all groups.
    """

    lost: Floats
    weights: Floats
    groups: Whole


@dataclass(frozen=True)
class Groups:
    """What is told of each group, shape (g,) each.

    `excess` is what was lost beyond its strata's means, by weight; `score` that in standard deviations of chance,
    nought where order can make no difference; `chance` how often the best of all groups is as good when order is drawn.
    """

    excess: Floats
    score: Floats
    chance: Floats


class Orders:
    """Orders that chance puts events into, `rounds` of them for each number of events.

    Drawing them is what a test costs. They are drawn once for each number and then dealt to strata in another sequence
    each time, so that two strata share an order in a round one time in `rounds`, and else by chance alone.
    """

    def __init__(self, rng: np.random.Generator, rounds: int = ROUNDS) -> None:
        self.rounds = rounds
        self._rng = rng
        self._drawn: dict[int, Whole] = {}

    def of(self, events: int) -> Whole:
        """Orders of so many events, shape (rounds, events)."""
        if events not in self._drawn:
            every = np.broadcast_to(np.arange(events), (self.rounds, events))
            self._drawn[events] = self._rng.permuted(every, axis=1)
        dealt: Whole = self._drawn[events][self._rng.permutation(self.rounds)]
        return dealt


def of_order(strata: Sequence[Stratum], count: int, orders: Orders) -> Groups:
    """Groups among `count`, by how much more was lost with them than with others of the same stratum.

    Notes
    -----
    A sum of weights times permuted values has the variance Σ (w - w̄)² Σ (x - x̄)² / (n - 1), so that groups large and
    small compete as equals for the best of a round (Westfall and Young's maximum). The sum as it was counts as one
    round, which keeps the chance exact.
    """
    excess, var = np.zeros(count), np.zeros(count)
    drawn = np.zeros((orders.rounds, count))
    for stratum in strata:
        if len(stratum.lost) < 2:
            continue
        lost = stratum.lost - stratum.lost.mean()
        apart = stratum.weights - stratum.weights.mean(axis=0)
        excess[stratum.groups] += lost @ apart
        var[stratum.groups] += (apart**2).sum(axis=0) * (lost @ lost) / (len(lost) - 1)
        drawn[:, stratum.groups] += lost[orders.of(len(lost))] @ apart
    sd = np.sqrt(var)
    can = sd > _SAME
    score = np.divide(excess, sd, out=np.zeros(count), where=can)
    best = np.max(np.divide(drawn, sd, out=np.full_like(drawn, -np.inf), where=can), axis=1, initial=-np.inf)
    as_good = (best[:, None] >= score[None, :] - _SAME).sum(axis=0)
    return Groups(excess, score, np.where(can, (1 + as_good) / (orders.rounds + 1), 1.0))


def of_places(shares: Floats, places: Whole) -> Floats:
    """How often chance puts as many events into each place as there are, times the number of places; 1 at most. (k,)

    Parameters
    ----------
    shares : ndarray, shape (n, k)
        Of each event, how likely each place is by chance.
    places : ndarray, shape (n,)
        Into which it fell.

    Examples
    --------
    Two events in the same of two even places, which chance does in the first place one time in four:

    >>> of_places(np.full((2, 2), 0.5), np.array([0, 0]))
    array([0.5, 1. ])
    """
    count = shares.shape[1]
    seen = np.bincount(places, minlength=count)
    return np.array([min(1.0, count * tail(shares[:, k], int(seen[k]))) for k in range(count)])


def tail(shares: Floats, least: int) -> float:
    """Probability that at least so many of independent events happen, each with a probability of its own.

    >>> tail(np.array([0.5, 0.5, 0.5]), 2)
    0.5
    """
    if least <= 0:
        return 1.0
    exactly = np.zeros(len(shares) + 1)
    exactly[0] = 1.0
    for share in shares:
        exactly[1:] = exactly[1:] * (1.0 - share) + exactly[:-1] * share
        exactly[0] *= 1.0 - share
    return float(min(1.0, exactly[least:].sum()))
