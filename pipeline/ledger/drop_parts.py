"""Rises that are the parts of one drop: a truck's compartments, one after the other, on one ticket."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from pipeline.ledger.drop_tickets import BETTER_BY, Tickets, match_cost, match_tickets, misses_by
from pipeline.ledger.drops import Drop

Join = Callable[[Sequence[Drop]], Drop]

PAUSE_S: Final = 90 * 60.0
"""The next part begins so soon after one ended: two compartments are let into other tanks meanwhile. No source."""
MOST_PARTS: Final = 5
"""A truck has five compartments (common practice, no source)."""
MOST_OFF: Final = 5.0
"""Parts are one drop only where their tickets miss its litres by less than so many times 2 % and 30 litres. No
source."""


def in_parts(join: Join, drops: Sequence[Drop], tickets: Tickets, now_s: float) -> list[list[int]]:
    """Which rises are one drop, as runs of places in `drops`, by what the tickets written before `now_s` fit best.

    Rises that no ticket fits yet are one drop too: what comes later may be one ticket or several.

    Parameters
    ----------
    join : makes one drop of several rises in order of time
    drops : in order of time
    tickets : Tickets, of which each fits one drop at most
    """
    runs = [[place] for place in range(len(drops))]
    matched = match_tickets(list(drops), tickets, now_s)
    cost = match_cost(matched, tickets, now_s)
    while candidates := _candidates(drops, runs):
        options = [_joined(runs, first, last) for first, last in candidates]
        told = [match_tickets(_whole(join, drops, option), tickets, now_s) for option in options]
        is_near = [misses_by(one[first], tickets) <= MOST_OFF for one, (first, _) in zip(told, candidates, strict=True)]
        costs = np.where(is_near, [match_cost(one, tickets, now_s) for one in told], np.inf)
        best = int(np.argmin(costs))
        if costs[best] > cost - BETTER_BY:
            break
        runs, matched, cost = options[best], told[best], float(costs[best])
    return _unticketed_joined(drops, runs, matched)


def _whole(join: Join, drops: Sequence[Drop], runs: list[list[int]]) -> list[Drop]:
    return [together(join, [drops[place] for place in run]) for run in runs]


def together(join: Join, parts: Sequence[Drop]) -> Drop:
    """One drop from the first part's beginning to the last part's end."""
    return parts[0] if len(parts) == 1 else join(parts)


def _candidates(drops: Sequence[Drop], runs: list[list[int]]) -> list[tuple[int, int]]:
    """First and last of neighbouring runs that follow each other soon enough to be one drop."""
    found = []
    for first in range(len(runs)):
        for last in range(first + 1, len(runs)):
            if sum(len(run) for run in runs[first : last + 1]) > MOST_PARTS or not _is_soon(drops, runs, last):
                break
            found.append((first, last))
    return found


def _is_soon(drops: Sequence[Drop], runs: list[list[int]], place: int) -> bool:
    return drops[runs[place][0]].start_s - drops[runs[place - 1][-1]].end_s <= PAUSE_S


def _joined(runs: list[list[int]], first: int, last: int) -> list[list[int]]:
    return [*runs[:first], [place for run in runs[first : last + 1] for place in run], *runs[last + 1 :]]


def _unticketed_joined(drops: Sequence[Drop], runs: list[list[int]], matched: list[Drop]) -> list[list[int]]:
    """Runs of which neighbours without a ticket are one."""
    if not runs:
        return []
    found = [runs[0]]
    for place, (one, other) in enumerate(pairwise(matched), start=1):
        if not one.tickets and not other.tickets and _is_soon(drops, runs, place):
            found[-1] = found[-1] + runs[place]
        else:
            found.append(runs[place])
    return found
