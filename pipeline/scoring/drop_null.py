"""How far drops lie from their tickets with nothing wrong, as the fleet's own drops show.

What is stated of a ticket (`estimate/tickets.py`) holds where loading meters and books are as usual; where tickets are
rounded, brought to 15 °C by another's rule, or loosely metered, sound drops lie further off. The bulk of the
fleet's drops says how far, and a tank's own drops how far its own do: a mismatch is weighed by that. Where most of the
last drops of one terminal lie off the same way, as they do once it has gone over to litres at 15 °C, that is the
terminal's doing, and a mismatch is what a drop is off beyond it. (The idea is that
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
from pipeline.ledger.drops import Drop
from pipeline.ledger.fleet import Unit

Floats = NDArray[np.float64]

DROP_CAUSES: Final = ("short_delivery", "over_delivery")
PRIOR_DROPS: Final = 10.0
"""Drops that what is stated is worth against the fleet's, and the fleet's against a tank's own. No source."""
FURTHEST: Final = 3.0
"""Of a tank's few drops one counts as no further off than so many SDs, so that one that came short does not hide the
next. No source."""
TERMINAL_DAYS: Final = 28
TERMINAL_LOADS: Final = 9
PRIOR_LOADS: Final = 2.0
"""A terminal is told by its drops of so many days, the last so many of them, and so many speak for its being as usual.
No source."""
MEDIAN_OF_NORMAL: Final = 0.6745
"""Median of a standard normal variable's distance from nought."""


@dataclass(frozen=True)
class DropSeen:
    """A drop with tickets as the first day that weighed it saw it: how far from them, in SDs as stated.

    `start_s` when the drop began; `day` UTC day number; `terminal` where its largest load came from.
    """

    unit_id: str
    start_s: float
    day: int
    away: float
    terminal: str | None = None


def drops_seen(walk: UnitWalk) -> list[DropSeen]:
    """Every drop that a unit's walk weighed."""
    drops, unit = [walk.seen.drops[place].drop for place in walk.judged], walk.seen.unit
    return [
        DropSeen(unit.unit_id, drops[number].start_s, day, away, _terminal(unit, drops[number]))
        for number, (day, away) in walk.walk.drops_away.items()
    ]


def _terminal(unit: Unit, drop: Drop) -> str | None:
    """Where the largest of a drop's loads came from."""
    rows = unit.tickets[list(drop.tickets)].sort("ticket_volume_l", descending=True)
    name = rows["terminal"][0] if rows.height else None
    return None if name is None else str(name)


def by_own_drops(findings: Sequence[Finding], drops: Sequence[DropSeen]) -> list[Finding]:
    """The findings, those of short and over deliveries with the odds that drops up to their day leave them."""
    return [_as_others_lie(one, drops) if one.cause in DROP_CAUSES and one.of_balance else one for one in findings]


def _as_others_lie(finding: Finding, drops: Sequence[DropSeen]) -> Finding:
    """A drop's mismatch weighed by how far the fleet's, the terminal's and the tank's other drops lie off."""
    if finding.told_l is None:
        return finding
    is_own = (finding.unit_id, finding.start_s)
    terminal = next((one.terminal for one in drops if (one.unit_id, one.start_s) == is_own), None)
    known = [one for one in drops if one.day <= finding.day and (one.unit_id, one.start_s) != is_own]
    alike = [one for one in known if terminal is not None and one.terminal == terminal]
    lately = sorted((one.start_s, one.away) for one in alike if finding.day - one.day < TERMINAL_DAYS)[-TERMINAL_LOADS:]
    of_terminal = np.array([away for _, away in lately])
    of_fleet = np.array([one.away for one in known])
    of_tank = np.array([one.away for one in known if one.unit_id == finding.unit_id])
    litres, sd = finding.told_l
    sds = sd * np.array([1.0, spread_of(of_tank, fleet_spread(of_fleet))])
    # What the terminal is off by makes no drop of the other sign.
    beyond = np.sign(litres) * max(np.sign(litres) * (litres - terminal_away(of_terminal) * sd), 0.0)
    mismatch = Extra(np.array([litres, beyond]), sds)
    stated, own = mismatch.log_bayes(np.full(2, DELIVERY_SPREAD_L), np.zeros(2)).tolist()
    return replace(finding, log_odds=finding.log_odds + own - stated)


def terminal_away(away: Floats) -> float:
    """How far most drops of one terminal lately lie off the same way, shrunk towards none. In SDs as stated."""
    return float(np.median(away)) * len(away) / (len(away) + PRIOR_LOADS) if len(away) else 0.0


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
