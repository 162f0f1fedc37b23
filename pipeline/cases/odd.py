"""Findings of the forest: a unit whose days stay odd while nothing else has been found there."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.cases.finding import Evidence, Finding
from pipeline.scoring.odd_days import OddDay

DAY_S = 86400.0
FEWEST = 4
WINDOW_DAYS = 7
AWAY_DAYS = 14
"""How far from any other finding of the unit odd days must be to count as a finding of their own."""
HINT = -1.2
"""Log odds that odd days of no known cause are more than that: a hint, and less likely than not, one in five. No
source."""


def odd_findings(odd: Sequence[OddDay], findings: Sequence[Finding]) -> list[Finding]:
    """`unexplained` for each unit with `FEWEST` odd days in a week, far from whatever else was found by then."""
    found: list[Finding] = []
    for unit_id in sorted({one.unit_id for one in odd}):
        days = sorted((one for one in odd if one.unit_id == unit_id), key=lambda one: one.day)
        others = [
            one
            for one in findings
            if unit_id == one.unit_id or (one.unit_id is None and one.site_id == days[0].site_id)
        ]
        for place in range(FEWEST - 1, len(days)):
            week = days[place - FEWEST + 1 : place + 1]
            if week[-1].day - week[0].day >= WINDOW_DAYS or any(_near(other, week[-1].day) for other in others):
                continue
            found.append(_finding(week))
            break
    return found


def _near(other: Finding, day: int) -> bool:
    end = other.end_s if other.end_s is not None else float("inf")
    return other.day <= day and other.start_s - DAY_S <= day * DAY_S <= end + AWAY_DAYS * DAY_S


def _finding(week: Sequence[OddDay]) -> Finding:
    last = week[-1]
    drivers = tuple(
        Evidence("driver", name, z, None, note=f"{drop:.2f} of the score falls away without it")
        for name, drop, z in last.drivers[:4]
    )
    return Finding(
        cause="unexplained",
        site_id=last.site_id,
        unit_id=last.unit_id,
        tank_id=last.unit_id,
        day=last.day,
        start_s=week[0].start_s,
        end_s=None,
        log_odds=HINT,
        evidence=(Evidence("statistic", "odd days in a week", float(len(week))), *drivers),
    )
