"""Drops with the days that see them, and their tickets as far as each day's run has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.known import DAY_S, known_day
from pipeline.ledger.drop_parts import PAUSE_S, in_parts, together
from pipeline.ledger.drop_tickets import LITRES_FIT, Tickets, match_tickets, misses_by, tickets_of
from pipeline.ledger.drops import Drop, spanning
from pipeline.ledger.fleet import Unit

Floats = NDArray[np.float64]

DROP_KNOWN_S = 2700.0
"""A drop counts as seen 45 minutes after it ended."""


@dataclass(frozen=True)
class KnownDrop:
    """A drop, the day that first sees it, and the tickets known on that day (`drop.tickets` may hold later ones)."""

    drop: Drop
    day: int
    tickets_then: tuple[int, ...]


def known_drops(rises: Sequence[Drop], unit: Unit, sold_l: Floats) -> list[KnownDrop]:
    """A unit's drops of its rises, matched with tickets in order of the days that see them.

    A drop that no ticket fits waits one more day for a late one, and then takes what there is. One that ended late on
    its day and that no ticket fits waits one day for what may be its next part. `sold_l`, shape (n,), litres sold up to
    each reading. [l]
    """
    tickets, join = tickets_of(unit.tickets), partial(spanning, unit.series, sold_l)
    days = [known_day(rise.end_s + DROP_KNOWN_S) for rise in rises]
    done: list[KnownDrop] = []
    unticketed: list[Drop] = []
    late: list[Drop] = []
    used: set[int] = set()
    for day in sorted({day + later for day in days for later in (0, 1, 2)}):
        free = [i for i in range(len(tickets.litres)) if i not in used and tickets.written_s[i] < (day + 1) * DAY_S]
        at_hand, now_s = tickets.of_habit([known.drop for known in done]).some(free), (day + 1) * DAY_S
        new = [*late, *(rise for rise, seen in zip(rises, days, strict=True) if seen == day)]
        runs = in_parts(join, new, at_hand, now_s)
        waits = {place for place, run in enumerate(runs) if all(new[one] not in late for one in run)}
        whole = [together(join, [new[one] for one in run]) for run in runs]
        matched = match_tickets([*unticketed, *whole], at_hand, now_s)
        older, newer = matched[: len(unticketed)], matched[len(unticketed) :]
        done += [KnownDrop(_numbered(drop, free), day - 1, ()) for drop in older]
        late = [new[one] for place in waits if _may_go_on(newer[place], at_hand, day) for one in runs[place]]
        seen = [drop for place, drop in enumerate(newer) if not (place in waits and _may_go_on(drop, at_hand, day))]
        fitting = [drop for drop in seen if misses_by(drop, at_hand) < LITRES_FIT]
        done += [KnownDrop(drop, day, drop.tickets) for drop in (_numbered(one, free) for one in fitting)]
        unticketed = [replace(drop, tickets=()) for drop in seen if drop not in fitting]
        used |= {number for known in done for number in known.drop.tickets}
    return sorted(done, key=lambda known: known.drop.start_s)


def _numbered(drop: Drop, free: list[int]) -> Drop:
    """A drop whose tickets are places in `free`, with row numbers of the unit's in their stead."""
    return replace(drop, tickets=tuple(free[place] for place in drop.tickets))


def _may_go_on(drop: Drop, tickets: Tickets, day: int) -> bool:
    """Whether a drop that no ticket fits ended so late that a next part of it would be another day's."""
    is_late = known_day(drop.end_s + PAUSE_S + DROP_KNOWN_S) > day
    return is_late and misses_by(drop, tickets) >= LITRES_FIT
