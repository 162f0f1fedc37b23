"""How far drops lie from their tickets with nothing wrong, as the fleet's own drops show.

What is stated of a ticket (`estimate/tickets.py`) holds where loading meters and books are as usual; where tickets are
rounded, brought to 15 °C by another's rule, or loosely metered, sound drops lie further off. The bulk of the fleet's
drops says how far, one carrier's how far theirs do (one who writes litres at 15 °C as if they were at ambient
temperature misses by the season), and a tank's own drops how far its own do: a mismatch is weighed by the widest. Where
most of the last drops of one terminal lie off the same way, as they do once it has gone over to litres at 15 °C, that
is the terminal's doing, and a mismatch is what a drop is off beyond it. Neither a carrier's nor a terminal's habit puts
a drop off by more than a loading meter may err and litres written at the wrong temperature make: loads that all came
shorter than that are short, however many they are. (The idea is that of an empirical null:
B. Efron, "Large-scale simultaneous hypothesis testing: the choice of a null hypothesis", J. Amer. Statist. Assoc. 99
(2004) 96-104.)

The bulk is not all. Where gauges or tickets err in a way of their own, more drops lie far off than a normal bulk of
that width has, and mostly to one side; what is far off then is no rarity, and each such drop alone looks like a
delivery that went wrong. So the drops beyond two such widths say how thick the tail on their side is, and what a drop
is off is weighed by the thicker of bulk and tail. Until a fleet has some twenty drops, nothing says that it has none,
and a drop has to be further off. (Exceedances of a threshold: J. Pickands, "Statistical inference using extreme order
statistics", Ann. Statist. 3 (1975) 119-131, here with an exponential tail.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from math import ceil
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.cases.finding import Finding
from pipeline.estimate.hypotheses import DELIVERY_SPREAD_L
from pipeline.estimate.regression import Extra
from pipeline.estimate.tickets import mixing_of, tickets_15_l
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.ledger.drops import Drop
from pipeline.ledger.fleet import Unit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DROP_CAUSES: Final = ("short_delivery", "over_delivery")
PRIOR_DROPS: Final = 10.0
"""Drops that what is stated is worth against a fleet, and a fleet against one tank or carrier. No source."""
FURTHEST: Final = 3.0
"""Of a tank's few drops one counts as no further off than so many SDs, so that one that came short does not hide the
next. No source."""
TERMINAL_DAYS: Final = 28
TERMINAL_LOADS: Final = 9
PRIOR_LOADS: Final = 2.0
"""A terminal is told by its drops of so many days, the last so many of them, and so many speak for its being as usual.
No source."""
HABIT_SHARE: Final = 0.005
"""So much of a load may be the habit of a loading meter: the maximum permissible error of OIML R 117-1, class 0.5."""
FAR: Final = 2.0
"""Widths from which a drop counts to the tail: one in 44 of a normal law's on each side. No source."""
USUAL_FAR: Final = 0.03
PRIOR_FAR: Final = 3
USUAL_EXCESS: Final = 1.0
"""Before a fleet's drops have told: the share of them that lies in a tail, the widths by which those exceed FAR on the
mean, and drops that this mean is worth. No source."""
WRONG: Final = 0.005
"""Share of drops that may have gone wrong: of those furthest off only that they are further than the rest counts. No
source."""
MEDIAN_OF_NORMAL: Final = 0.6745
"""Median of a standard normal variable's distance from nought."""


@dataclass(frozen=True)
class DropSeen:
    """A drop with tickets as the first day that weighed it saw it: how far from them, in SDs as stated.

    `start_s` when the drop began; `day` UTC day number; `terminal` and `carrier` of its largest load; `habit` how far
    off a habit of theirs may put it, in the same SDs.
    """

    unit_id: str
    start_s: float
    day: int
    away: float
    terminal: str | None = None
    carrier: str | None = None
    habit: float = np.inf


def drops_seen(walk: UnitWalk) -> list[DropSeen]:
    """Every drop that a unit's walk weighed."""
    drops, unit = [walk.seen.drops[place].drop for place in walk.judged], walk.seen.unit
    return [
        DropSeen(
            unit.unit_id, drops[number].start_s, seen.day, seen.away, *_origin(unit, drops[number]),
            habit=_habit_l(unit, drops[number]) / seen.sd_l,
        )
        for number, seen in walk.walk.drops_away.items()
    ]  # fmt: skip


def _origin(unit: Unit, drop: Drop) -> tuple[str | None, str | None]:
    """Terminal and carrier of the largest of a drop's loads."""
    rows = unit.tickets[list(drop.tickets)].sort("ticket_volume_l", descending=True).head(1)
    return next(rows.select("terminal", "carrier").iter_rows(), (None, None))


def _habit_l(unit: Unit, drop: Drop) -> float:
    """How far off a load may be by an allowed meter and by its litres at 15 °C standing for those as loaded. [l]"""
    ticketed_l = float(unit.tickets["ticket_volume_l"].gather(list(drop.tickets)).sum())
    at_15_l, _ = tickets_15_l(unit, drop.tickets, mixing_of(unit, drop))
    return float(np.hypot(HABIT_SHARE * ticketed_l, ticketed_l - at_15_l.sum()))


def by_own_drops(findings: Sequence[Finding], drops: Sequence[DropSeen]) -> list[Finding]:
    """The findings, those of short and over deliveries with the odds that drops up to their day leave them.

    One that those drops make likelier sound than not is no finding.
    """
    table = _Drops.of(drops)
    found: list[Finding] = []
    for one in findings:
        if one.told_l is None or one.cause not in DROP_CAUSES or not one.of_balance:
            found.append(one)
        elif (weighed := _as_others_lie(one, one.told_l, table)).log_odds >= 0.0:
            found.append(weighed)
    return found


@dataclass(frozen=True)
class _Drops:
    """Drops as arrays, shape (n,) each: unit, terminal and carrier by their number in `names`, -1 where not told."""

    names: Mapping[str, int]
    unit: Ints
    start_s: Floats
    day: Ints
    away: Floats
    terminal: Ints
    carrier: Ints
    habit: Floats

    @classmethod
    def of(cls, drops: Sequence[DropSeen]) -> _Drops:
        told = {name for one in drops for name in (one.unit_id, one.terminal, one.carrier) if name is not None}
        names = {name: number for number, name in enumerate(sorted(told))}
        return cls(
            names,
            unit=np.array([names[one.unit_id] for one in drops], dtype=np.int64),
            start_s=np.array([one.start_s for one in drops], dtype=np.float64),
            day=np.array([one.day for one in drops], dtype=np.int64),
            away=np.array([one.away for one in drops], dtype=np.float64),
            terminal=np.array([names.get(one.terminal or "", -1) for one in drops], dtype=np.int64),
            carrier=np.array([names.get(one.carrier or "", -1) for one in drops], dtype=np.int64),
            habit=np.array([one.habit for one in drops], dtype=np.float64),
        )

    @property
    def by_habit(self) -> Floats:
        """How far each lies off as far as a habit may put it. In SDs as stated."""
        return np.clip(self.away, -self.habit, self.habit)

    def where(self, rows: NDArray[np.bool_]) -> _Drops:
        return _Drops(self.names, *(getattr(self, field.name)[rows] for field in fields(self)[1:]))


def _as_others_lie(finding: Finding, told_l: tuple[float, float], drops: _Drops) -> Finding:
    """A drop's mismatch weighed by how far the fleet's, its terminal's, carrier's and tank's other drops lie off."""
    unit = drops.names.get(finding.unit_id or "", -1)
    is_own = (drops.unit == unit) & (drops.start_s == finding.start_s)
    terminal, carrier = (int(next(iter(each[is_own]), -1)) for each in (drops.terminal, drops.carrier))
    known = drops.where((drops.day <= finding.day) & ~is_own)
    usual = fleet_spread(known.away)
    litres, sd = told_l
    side = np.sign(litres)
    # What the terminal is off by makes no drop of the other sign.
    beyond = side * max(side * (litres - terminal_away(_lately(known, terminal, finding.day)) * sd), 0.0)
    own_sd = sd * max(
        spread_of(known.away[known.unit == unit], usual), bulk_of(known.by_habit[_is_of(known.carrier, carrier)], usual)
    )
    mismatch = Extra(np.array([litres, beyond]), np.array([sd, own_sd]))
    stated, own = mismatch.log_bayes(np.full(2, DELIVERY_SPREAD_L), np.zeros(2)).tolist()
    tail = log_tail(side * _in_own_widths(known, usual), side * beyond / own_sd)
    return replace(finding, log_odds=finding.log_odds + own - max(tail, 0.0) - stated)


def _is_of(numbers: Ints, number: int) -> NDArray[np.bool_]:
    """Which drops are of one terminal or carrier; none where it is not told."""
    return np.asarray((numbers == number) & (number >= 0))


def _lately(drops: _Drops, terminal: int, day: int) -> Floats:
    """How far the last drops of a terminal lie off. In SDs as stated."""
    mine = drops.where(_is_of(drops.terminal, terminal) & (day - drops.day < TERMINAL_DAYS))
    return mine.by_habit[np.lexsort((mine.away, mine.start_s))][-TERMINAL_LOADS:]


def _in_own_widths(drops: _Drops, usual: float) -> Floats:
    """How far each drop lies off in widths of its own unit and carrier, so that none of them makes the tail alone."""
    width = np.ones(len(drops.away))
    for numbers, away, width_of in (
        (drops.unit, drops.away, spread_of),
        (drops.carrier, drops.by_habit, bulk_of),
    ):
        order = np.argsort(numbers, kind="stable")
        edges = np.flatnonzero(np.diff(numbers[order], prepend=-2, append=-2))
        for low, high in pairwise(edges):
            here = order[low:high]
            is_told = numbers[here[0]] >= 0
            width[here] = np.maximum(width[here], width_of(away[here], usual) if is_told else usual)
    return np.asarray(drops.away / width)


def log_tail(away: Floats, far: float) -> float:
    """Log of how much denser a fleet's tail is than its normal bulk, `far` widths off. Minus infinity within FAR.

    The share of drops beyond FAR, and an exponential law of their excess whose scale has an inverse gamma prior, over
    which it is averaged; the furthest few are censored, so that deliveries that did go wrong do not make it.

    Parameters
    ----------
    away : ndarray, shape (n,): the fleet's drops, in widths, positive on the side asked for
    far : float: in widths
    """
    excess = np.sort(away[away > FAR] - FAR)
    if far <= FAR:
        return -np.inf
    surplus = len(excess) - float(ndtr(-FAR)) * len(away)
    share = (PRIOR_DROPS * USUAL_FAR + surplus) / (PRIOR_DROPS + len(away))
    if share <= 0.0:
        return -np.inf
    left = excess[: max(len(excess) - ceil(WRONG * len(away)), 0)]
    worth = PRIOR_FAR + len(left)
    total = PRIOR_FAR * USUAL_EXCESS + float(left.sum()) + (len(excess) - len(left)) * float(left.max(initial=0.0))
    tail = np.log(share * worth / total) - (worth + 1.0) * np.log1p((far - FAR) / total)
    return float(tail + 0.5 * far**2 + 0.5 * np.log(2.0 * np.pi))


def terminal_away(away: Floats) -> float:
    """How far most drops of one terminal lately lie off the same way, shrunk towards none. In SDs as stated."""
    return float(np.median(away)) * len(away) / (len(away) + PRIOR_LOADS) if len(away) else 0.0


def fleet_spread(away: Floats) -> float:
    """By how much wider than stated the bulk of a fleet's drops lies about its tickets, at least 1."""
    return bulk_of(away, 1.0)


def bulk_of(away: Floats, usual: float) -> float:
    """By how much wider than stated the bulk of some drops lies where `usual` is all drops' width; never below 1."""
    if not len(away):
        return usual
    bulk = float(np.median(np.abs(away))) / MEDIAN_OF_NORMAL
    return max(1.0, float(np.sqrt((PRIOR_DROPS * usual**2 + len(away) * bulk**2) / (PRIOR_DROPS + len(away)))))


def spread_of(away: Floats, usual: float) -> float:
    """The same of a tank's few drops where `usual` is its fleet's; never below 1."""
    squares = np.minimum(np.abs(away), FURTHEST * usual) ** 2
    both = (PRIOR_DROPS * usual**2 + float(squares.sum())) / (PRIOR_DROPS + len(away))
    return max(1.0, float(np.sqrt(both)))
