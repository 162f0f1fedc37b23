"""The tickets that belong to drops: each to one at most, one to eight to a drop, at the least misfit over all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.ledger.drops import Drop
from pipeline.ledger.gauge import seconds

Floats = NDArray[np.float64]

LITRES_FIT = 1.5
"""A ticket fits a drop in litres within this many times 2 % and 30 litres. No source."""
BETTER_BY = 1.5
"""Tickets that together miss a drop's litres by more still belong to it when they fit better by this. No source."""
MOST_TICKETS = 8
"""Compartments of the largest trucks, each with a ticket of its own (common practice, no source)."""
MOST_GROUPS = 12
"""So many groups of tickets that fit one drop are held against what they leave for the others. No source."""
NO_TICKET_COST = 5.0
LOADED_BEFORE_S, ENTERED_AFTER_S = 24 * 3600.0, 36 * 3600.0
"""A ticket is written so long before its drop at the most, when the truck is loaded, or so long after it, when somebody
enters it the next day. Common practice, no source."""
COST_PER_H, COST_PER_LATE_H, LATE_H = 0.15, 0.03, 12.0
"""What each hour between a ticket and its drop costs, and each after so many: of what is entered the next day the hour
says little. No source."""
FURTHER_LOAD, FURTHER_TICKET = 0.4, 0.1
"""What each further load costs that a drop is taken to hold, and each further ticket written at one instant with
another: the compartments of a truck. No source."""
LOADED_K = 1.5
"""By how much what came may be warmer or colder than when it was loaded, SD. No source. [K]"""
COST_PER_SD = 0.15
MOST_SDS = 10.0
"""What a ticket's temperature costs for each SD by which it misses the drop's, up to so many. No source."""


@dataclass(frozen=True)
class Tickets:
    """Tickets of one unit: when each was written [s], its litres, its temperature (NaN where not given). Shape (n,).

    `before` and `after`, how many of the unit's tickets so far were written before their drop was over, and after it.
    """

    written_s: Floats
    litres: Floats
    temp_c: Floats
    before: int = 0
    after: int = 0

    def some(self, rows: list[int]) -> Tickets:
        """Those of the row numbers given."""
        at = np.array(rows, dtype=np.int64)
        return replace(self, written_s=self.written_s[at], litres=self.litres[at], temp_c=self.temp_c[at])

    def of_habit(self, drops: Sequence[Drop]) -> Tickets:
        """The same of a unit whose drops so far have tickets, by number in these rows."""
        late = [self.written_s[row] > drop.end_s for drop in drops for row in drop.tickets]
        return replace(self, before=len(late) - sum(late), after=sum(late))


def tickets_of(deliveries: pl.DataFrame) -> Tickets:
    """The tickets in rows of `deliveries`, in their order."""
    temp = deliveries["ticket_temp_c"].cast(pl.Float64).fill_null(np.nan)
    return Tickets(seconds(deliveries["ts_ticket"]), deliveries["ticket_volume_l"].to_numpy(), temp.to_numpy())


def match_tickets(drops: list[Drop], tickets: Tickets, now_s: float = float("inf")) -> list[Drop]:
    """The drops with their tickets: each ticket goes to one drop at most, one to eight tickets to a drop.

    A ticket fits a drop when it was written from `LOADED_BEFORE_S` before it to `ENTERED_AFTER_S` after it. Several
    tickets go to one drop only where no single one fits it and their sum does, or is much nearer, and of such groups it
    gets the one that leaves the least misfit over all; all others are assigned at the least total misfit, where going
    without costs a drop the more the longer its ticket has been due at `now_s`.
    """
    free = set(range(len(tickets.litres)))
    taken: dict[int, tuple[int, ...]] = {}
    for number, drop in enumerate(drops):
        is_near = _is_near(drop, tickets.written_s)
        near = [ticket for ticket in sorted(free) if is_near[ticket]]
        if not near or any(_off(drop, tickets.litres[[ticket]]) < LITRES_FIT for ticket in near):
            continue
        groups = _groups(near, tickets.written_s)
        alone = min(_misfit(drop, tickets.some([ticket])) for ticket in near)
        fitting = [group for group in groups if _fits(drop, tickets.some(group), alone)]
        if fitting:
            others = [one for one in range(len(drops)) if one != number and one not in taken]
            own = {tuple(group): _misfit(drop, tickets.some(group)) for group in fitting}
            likely = sorted(own, key=lambda group: own[group])[:MOST_GROUPS]
            left = {
                group: _assigned(drops, others, sorted(free.difference(group)), tickets, now_s)[1] for group in likely
            }
            taken[number] = min(likely, key=lambda group: own[group] + left[group])
            free -= set(taken[number])
    waiting = [number for number in range(len(drops)) if number not in taken]
    for number, ticket in _assigned(drops, waiting, sorted(free), tickets, now_s)[0]:
        taken[number] = (ticket,)
    return [replace(drop, tickets=taken.get(number, ())) for number, drop in enumerate(drops)]


def match_cost(drops: Sequence[Drop], tickets: Tickets, now_s: float) -> float:
    """What it costs in all that drops have the tickets that they have, or none."""
    return sum(
        _misfit(drop, tickets.some(list(drop.tickets))) if drop.tickets else _untold(drop, now_s) for drop in drops
    )


def misses_by(drop: Drop, tickets: Tickets) -> float:
    """By how much a drop's tickets miss its litres, as a multiple of what they usually miss by; endless without."""
    return _off(drop, tickets.litres[list(drop.tickets)]) if drop.tickets else np.inf


def _untold(drop: Drop, now_s: float) -> float:
    """What it costs a drop to be without a ticket at `now_s`: the longer one has been due, the more."""
    return min(0.3 + 0.3 * max(now_s - drop.end_s, 0.0) / 3600.0, NO_TICKET_COST)


def _groups(near: list[int], written_s: Floats) -> list[list[int]]:
    """Tickets that may be of one drop: any two to four, and more of those written one after the other."""
    by_time = sorted(near, key=lambda ticket: (written_s[ticket], ticket))
    any_few = [list(group) for size in (2, 3, 4) for group in combinations(near, size)]
    runs = [
        by_time[first : first + size] for size in range(5, MOST_TICKETS + 1) for first in range(len(near) - size + 1)
    ]
    return any_few + [sorted(run) for run in runs]


def _fits(drop: Drop, tickets: Tickets, alone: float) -> bool:
    """Whether tickets together fit a drop: in litres, or so much better than any alone, at a misfit of `alone`."""
    return _off(drop, tickets.litres) < LITRES_FIT or _misfit(drop, tickets) < alone - BETTER_BY


def _assigned(
    drops: list[Drop], waiting: list[int], free: list[int], tickets: Tickets, now_s: float
) -> tuple[list[tuple[int, int]], float]:
    """Pairs of drop and ticket at the least total cost, and that cost; a drop that stays without is left out."""
    if not waiting:
        return [], 0.0
    cost = np.full((len(waiting), len(free) + len(waiting)), 1e6)
    for row, number in enumerate(waiting):
        is_near = _is_near(drops[number], tickets.written_s)
        for column, ticket in enumerate(free):
            if is_near[ticket]:
                cost[row, column] = _misfit(drops[number], tickets.some([ticket]))
        cost[row, len(free) + row] = _untold(drops[number], now_s)
    rows, columns = linear_sum_assignment(cost)
    pairs = zip(rows.tolist(), columns.tolist(), strict=True)
    found = [(waiting[row], free[column]) for row, column in pairs if column < len(free)]
    return found, float(cost[rows, columns].sum())


def _off(drop: Drop, ticket_l: Floats) -> float:
    """By how much the tickets miss the drop's litres, as a multiple of what drops usually miss by."""
    total = float(ticket_l.sum())
    return abs(drop.gain_l - total) / (0.02 * total + 30.0)


def _misfit(drop: Drop, tickets: Tickets) -> float:
    """What it costs to give tickets to a drop: litres, hours and temperature that miss, and each further ticket."""
    litres = _off(drop, tickets.litres)
    hours = float(_away_s(drop, tickets.written_s).max()) / 3600.0
    lasted = (drop.end_s - drop.start_s) / 3600.0
    spread = max(float(np.ptp(tickets.written_s)) / 3600.0 - lasted, 0.0)
    loads = len(np.unique(tickets.written_s))
    further = 0.5 * spread + FURTHER_LOAD * (loads - 1) + FURTHER_TICKET * (len(tickets.litres) - loads)
    away = COST_PER_H * min(hours, LATE_H) + COST_PER_LATE_H * max(hours - LATE_H, 0.0)
    return float(np.log1p(litres)) + away + further + _off_k(drop, tickets) + _unusual(drop, tickets)


def _unusual(drop: Drop, tickets: Tickets) -> float:
    """What it costs that tickets were written before a drop was over, or after it, where the other is the habit.

    The log of how many times likelier that is, by the rule of succession.
    """
    alike = tickets.after if bool((tickets.written_s > drop.end_s).any()) else tickets.before
    return float(np.log((max(tickets.before, tickets.after) + 1.0) / (alike + 1.0)))


def _off_k(drop: Drop, tickets: Tickets) -> float:
    """What the tickets' temperature costs against the drop's; nothing where either is unknown."""
    loaded_c = float(np.average(tickets.temp_c, weights=tickets.litres)) if (tickets.litres > 0).all() else np.nan
    if not np.isfinite(loaded_c) or not np.isfinite(drop.came_c):
        return 0.0
    return COST_PER_SD * min(abs(loaded_c - drop.came_c) / float(np.hypot(LOADED_K, drop.came_sd_k)), MOST_SDS)


def _is_near(drop: Drop, ticket_s: Floats) -> NDArray[np.bool_]:
    """Whether each ticket was written at a time at which one of the drop may be. Shape of `ticket_s`."""
    return (drop.start_s - ticket_s <= LOADED_BEFORE_S) & (ticket_s - drop.end_s <= ENTERED_AFTER_S)


def _away_s(drop: Drop, ticket_s: Floats) -> Floats:
    """How long before the rise began, or after it ended, each ticket was written. [s]"""
    return np.asarray(np.maximum(np.maximum(drop.start_s - ticket_s, ticket_s - drop.end_s), 0.0))
