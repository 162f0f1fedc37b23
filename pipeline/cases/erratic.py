"""Findings of a balance that goes up and down without a pattern: far from normal, and no cause fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.estimate.known import DAY_S
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.features.transit import Move, surface_l_per_mm

Floats = NDArray[np.float64]

WINDOW_DAYS = 10
FEWEST = 4
"""Odd days and moves within the window from which the balance is erratic."""
FEWEST_AGAINST = 1
"""… of which at least this many go against the others, unless all are gains: losses alone are a rate or a theft."""
QUIET_DAYS = 8
EVENT_S = 3 * 3600.0
"""What moves nearer to each other than this is one event."""
FEWEST_LARGE = 3
LARGE_L = 50.0
"""Of oddities as large as this three do."""
MOVE_MM = 2.0
MOVE_L = 25.0
"""Smaller moves are a gauge's quirks and make no balance erratic."""


@dataclass(frozen=True)
class Oddity:
    """An odd day or a sudden move that nothing explains: the day that saw it, and when it was.

    `seen_l` its litres as that day's run had them, `litres` as they are known now.
    """

    day: int
    at_s: float
    seen_l: float
    litres: float


def erratic_findings(walks: list[UnitWalk], moves: dict[str, list[Move]]) -> list[Finding]:
    """One finding a unit and spell in which odd days and unexplained moves pile up in both directions."""
    found: list[Finding] = []
    for one in walks:
        found += _spells(one, _events(_oddities(one, moves.get(one.seen.unit.unit_id, []))))
    return found


def _events(odd: list[Oddity]) -> list[Oddity]:
    """The oddities in the order in which they were seen, those of one event taken once, by the largest seen first."""
    kept: list[Oddity] = []
    for item in sorted(odd, key=lambda one: (one.day, -abs(one.seen_l))):
        if all(abs(item.at_s - other.at_s) > EVENT_S for other in kept):
            kept.append(item)
    return sorted(kept, key=lambda one: (one.day, one.at_s))


def _oddities(one: UnitWalk, moves: list[Move]) -> list[Oddity]:
    belief = one.walk.views[-1].belief
    then = {view.day: view.belief for view in one.walk.views}
    hours = one.walk.balance.hours
    odd = []
    for named in one.walk.excursions:
        place, onset = named.pieces[0]
        seen_l, litres = (-24.0 * float(by.mean[place]) for by in (then[named.day], belief))
        odd.append(Oddity(named.day, float(hours[onset] * 3600.0), seen_l, litres))
    odd += [
        Oddity(move.day, move.step.start_s, move.step.litres, move.step.litres)
        for move in moves
        if abs(move.step.litres) > max(MOVE_MM * surface_l_per_mm(one.seen.unit.series, move), MOVE_L)
        and abs(move.step.z) > 6.5
    ]
    return odd


def _spells(one: UnitWalk, odd: list[Oddity]) -> list[Finding]:
    found: list[Finding] = []
    start = 0
    while start < len(odd):
        window = [item for item in odd[start:] if item.day - odd[start].day < WINDOW_DAYS]
        sizes = np.array([item.seen_l for item in window])
        raised = _raised(sizes)
        if raised is None:
            start += 1
            continue
        last = start + raised
        while last + 1 < len(odd) and odd[last + 1].day - odd[last].day <= QUIET_DAYS:
            last += 1
        found.append(_spell(one, odd[start : last + 1], raised + 1))
        start = last + 1
    return found


def _raised(sizes: Floats) -> int | None:
    """The place of the oddity with which a run of them is erratic; None where it never is."""
    for count in range(FEWEST_LARGE, len(sizes) + 1):
        part = sizes[:count]
        if count < FEWEST and np.abs(part).min() < LARGE_L:
            continue
        against = min(int((part > 0).sum()), int((part < 0).sum()))
        if against >= FEWEST_AGAINST and min(part[part > 0].sum(), -part[part < 0].sum()) > 0.15 * np.abs(part).max():
            return count - 1
        if not against and part.sum() > 0:
            return count - 1
    return None


def _spell(one: UnitWalk, odd: list[Oddity], count: int) -> Finding:
    """The finding of a spell that was raised with the first `count` of its oddities."""
    unit = one.seen.unit
    lasts = unit.series.ts_s[-1] - odd[-1].at_s < QUIET_DAYS * DAY_S
    litres = np.cumsum([item.litres for item in odd])
    at = np.array([odd[0].at_s - 1.0, *[item.at_s for item in odd]])
    order = np.argsort(at, kind="stable")
    sd = 0.15 * float(np.abs([item.litres for item in odd]).sum()) + 15.0
    return Finding(
        cause="unexplained",
        site_id=unit.site_id,
        unit_id=unit.unit_id,
        tank_id=unit.members[0],
        day=odd[count - 1].day,
        start_s=min(item.at_s for item in odd[:count]),
        end_s=None if lasts else max(item.at_s for item in odd) + DAY_S,
        litres=float(litres[-1]),
        sd_l=sd,
        log_odds=min(0.6 * count, 5.0),
        course=Course(at[order], np.concatenate([[0.0], litres])[order]),
        evidence=(
            Evidence("statistic", "odd days and sudden moves in the spell", float(len(odd))),
            Evidence("statistic", "largest of them", float(np.abs([item.litres for item in odd]).max()), "l"),
        ),
    )
