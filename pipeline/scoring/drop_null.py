"""How far drops lie from their tickets with nothing wrong, as the fleet's own drops show.

What is stated of a ticket (`estimate/design.py`) holds where loading meters and books are as usual; where tickets are
rounded, brought to 15 °C by another's rule, or written by a yard stick, sound drops lie further off. The bulk of the
fleet's drops says how far, and a tank's own drops how far its own do: a mismatch is weighed by that. (The idea is that
of an empirical null: B. Efron, "Large-scale simultaneous hypothesis testing: the choice of a null hypothesis", J. Amer.
Statist. Assoc. 99 (2004) 96-104.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Finding
from pipeline.estimate.hypotheses import DELIVERY_SPREAD_L
from pipeline.estimate.regression import Extra
from pipeline.estimate.unit_walk import UnitWalk

Floats = NDArray[np.float64]

DROP_CAUSES: Final = ("short_delivery", "over_delivery")
PRIOR_DROPS: Final = 10.0
"""Drops that what is stated is worth against the fleet's, and the fleet's against a tank's own. No source."""
FURTHEST: Final = 3.0
"""Of a tank's few drops one counts as no further off than so many SDs, so that one that came short does not hide the
next. No source."""
MEDIAN_OF_NORMAL: Final = 0.6745
"""Median of a standard normal variable's distance from nought."""


@dataclass(frozen=True)
class DropSeen:
    """A drop with tickets as the first day that weighed it saw it: how far from them, in SDs as stated.

    `start_s` when the drop began; `day` UTC day number.
    """

    unit_id: str
    start_s: float
    day: int
    away: float


def drops_seen(walk: UnitWalk) -> list[DropSeen]:
    """Every drop that a unit's walk weighed."""
    drops = [walk.seen.drops[place].drop for place in walk.judged]
    return [
        DropSeen(walk.seen.unit.unit_id, drops[number].start_s, day, away)
        for number, (day, away) in walk.walk.drops_away.items()
    ]


def by_own_drops(findings: Sequence[Finding], drops: Sequence[DropSeen]) -> list[Finding]:
    """The findings, those of short and over deliveries with the odds that drops up to their day leave them."""
    return [_as_others_lie(one, drops) if one.cause in DROP_CAUSES and one.of_balance else one for one in findings]


def _as_others_lie(finding: Finding, drops: Sequence[DropSeen]) -> Finding:
    """A drop's mismatch weighed by how far the fleet's and the tank's other drops lie from their tickets."""
    if finding.told_l is None:
        return finding
    is_own = (finding.unit_id, finding.start_s)
    known = [one for one in drops if one.day <= finding.day and (one.unit_id, one.start_s) != is_own]
    of_fleet = np.array([one.away for one in known])
    of_tank = np.array([one.away for one in known if one.unit_id == finding.unit_id])
    litres, sd = finding.told_l
    sds = sd * np.array([1.0, spread_of(of_tank, fleet_spread(of_fleet))])
    stated, own = Extra(np.full(2, litres), sds).log_bayes(np.full(2, DELIVERY_SPREAD_L), np.zeros(2)).tolist()
    return replace(finding, log_odds=finding.log_odds + own - stated)


def fleet_spread(away: Floats) -> float:
    """By how much wider than stated the bulk of a fleet's drops lies about its tickets, at least 1."""
    if not len(away):
        return 1.0
    bulk = float(np.median(np.abs(away))) / MEDIAN_OF_NORMAL
    return max(1.0, float(np.sqrt((PRIOR_DROPS + len(away) * bulk**2) / (PRIOR_DROPS + len(away)))))


def spread_of(away: Floats, usual: float) -> float:
    """The same of a tank's few drops where `usual` is its fleet's; never below 1."""
    squares = np.minimum(np.abs(away), FURTHEST * usual) ** 2
    both = (PRIOR_DROPS * usual**2 + float(squares.sum())) / (PRIOR_DROPS + len(away))
    return max(1.0, float(np.sqrt(both)))
