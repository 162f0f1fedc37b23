"""Findings of a balance that goes up and down without a pattern: far from normal, and no cause fits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.estimate.bayes import count_log_probability, p_value_log_bayes, student_p
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
SILENT_L, SILENT_SDS = 100.0, 8.0
"""What goes in a silence is told from so many litres on, and from so many SDs. No source: sales that were not booked
in the same outage are often fewer."""
SILENT_SHARE_SD = 0.05
SILENT_FREEDOM = 10.0
"""What moves in a silence has heavier tails than a normal's. No source."""
SPELL_PAUSE_DAYS, USUAL_PAUSE_DAYS = 2.0, 30.0
"""Oddities in a spell come once in the first, others, before the tank has shown its own, in the second. No source."""


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
    """A unit's spells in which odd days and unexplained moves pile up in both directions, and what went in silences."""
    found: list[Finding] = []
    for one in walks:
        found += _silent_findings(one)
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
        size_l = _size_l(one, onset)
        seen_l, litres = (size_l * float(by.mean[place]) for by in (then[named.day], belief))
        odd.append(Oddity(named.day, float(hours[onset] * 3600.0), seen_l, litres))
    odd += [
        Oddity(move.day, move.step.start_s, move.step.litres, move.step.litres)
        for move in moves
        if abs(move.step.litres) > max(MOVE_MM * surface_l_per_mm(one.seen.unit.series, move), MOVE_L)
        and abs(move.step.z) > 6.5
    ]
    return odd


def _size_l(one: UnitWalk, onset: int) -> float:
    """What an excursion of one litre an hour moved by its end: minus the hours that it went on. [l]"""
    candidates = one.walk.candidates
    kind = next(place for place, known in enumerate(candidates.hypotheses) if known.cause == "excursion")
    number = int(np.flatnonzero((candidates.which == kind) & (candidates.onset == onset))[0])
    return float(candidates.column(number)[-1])


def _silent_findings(one: UnitWalk) -> list[Finding]:
    """What went or came while the gauge was silent for hours: nothing tells which cause it was."""
    unit, balance, belief = one.seen.unit, one.walk.balance, one.walk.views[-1].belief
    then = {view.day: view.belief for view in one.walk.views}
    found = []
    for named in one.walk.excursions:
        place, onset = named.pieces[0]
        dip = one.walk.candidates.silent.get(onset)
        if dip is None:
            continue
        size_l, seen = _size_l(one, onset), then[named.day]
        seen_l, seen_sd = size_l * float(seen.mean[place]), abs(size_l) * float(np.sqrt(seen.cov[place, place]))
        if abs(seen_l) < max(SILENT_L, SILENT_SDS * seen_sd):
            continue
        litres = size_l * float(belief.mean[place])
        start_s, end_s = float(balance.hours[dip - 1] * 3600.0), float(balance.hours[dip] * 3600.0)
        found.append(
            Finding(
                cause="unexplained",
                site_id=unit.site_id,
                unit_id=unit.unit_id,
                tank_id=unit.members[0],
                day=named.day,
                start_s=start_s,
                end_s=end_s,
                litres=litres,
                sd_l=float(np.hypot(abs(size_l) * np.sqrt(belief.cov[place, place]), SILENT_SHARE_SD * litres)),
                log_odds=LOG_PRIOR["unexplained"] + p_value_log_bayes(student_p(seen_l / seen_sd, SILENT_FREEDOM)),
                log_prior=LOG_PRIOR["unexplained"],
                rival=("bulk_theft", 0.0) if litres < 0 else ("missing_ticket", 0.0),
                course=Course(np.array([start_s, end_s]), np.array([0.0, litres])),
                evidence=(
                    Evidence("interval", "the stock moved while the gauge was silent", litres, "l", start_s, end_s),
                ),
            )
        )
    return found


def _spells(one: UnitWalk, odd: list[Oddity]) -> list[Finding]:
    found: list[Finding] = []
    start = 0
    while start < len(odd):
        window = [item for item in odd[start:] if item.day - odd[start].day < WINDOW_DAYS]
        sizes = np.array([item.seen_l for item in window])
        raised = _raised(sizes, _spell_odds(one, odd, start, len(window)))
        if raised is None:
            start += 1
            continue
        last = start + raised[0]
        while last + 1 < len(odd) and odd[last + 1].day - odd[last].day <= QUIET_DAYS:
            last += 1
        found.append(_spell(one, odd[start : last + 1], raised))
        start = last + 1
    return found


def _spell_odds(one: UnitWalk, odd: list[Oddity], start: int, count: int) -> Floats:
    """Log posterior odds of a spell with each of `count` oddities from `start` on. Shape (count,).

    Null: oddities come at the unit's own rate, by those before. Alternative: one in `SPELL_PAUSE_DAYS`.
    """
    first = odd[start]
    before = (first.at_s - float(one.seen.unit.series.ts_s[0])) / DAY_S
    odds = np.empty(count)
    for more in range(count):
        span = max((odd[start + more].at_s - first.at_s) / DAY_S, 1.0)
        spell = count_log_probability(more, span, 1.0, SPELL_PAUSE_DAYS)
        usual = count_log_probability(more, span, 1.0 + start, USUAL_PAUSE_DAYS + max(before, 0.0))
        odds[more] = LOG_PRIOR["unexplained"] + spell - usual
    return odds


def _raised(sizes: Floats, odds: Floats) -> tuple[int, float] | None:
    """The place of the oddity with which a run of them is erratic, and its log odds; None where it never is."""
    for count in range(FEWEST_LARGE, len(sizes) + 1):
        part = sizes[:count]
        if odds[count - 1] <= RAISE_AT or (count < FEWEST and np.abs(part).min() < LARGE_L):
            continue
        against = min(int((part > 0).sum()), int((part < 0).sum()))
        if against >= FEWEST_AGAINST and min(part[part > 0].sum(), -part[part < 0].sum()) > 0.15 * np.abs(part).max():
            return count - 1, float(odds[count - 1])
        if not against and part.sum() > 0:
            return count - 1, float(odds[count - 1])
    return None


def _spell(one: UnitWalk, odd: list[Oddity], raised: tuple[int, float]) -> Finding:
    """The finding of a spell; `raised` the place of the oddity that raised it, and its log odds then."""
    unit, count = one.seen.unit, raised[0] + 1
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
        log_odds=raised[1],
        log_prior=LOG_PRIOR["unexplained"],
        course=Course(at[order], np.concatenate([[0.0], litres])[order]),
        evidence=(
            Evidence("statistic", "odd days and sudden moves in the spell", float(len(odd))),
            Evidence("statistic", "largest of them", float(np.abs([item.litres for item in odd]).max()), "l"),
        ),
    )
