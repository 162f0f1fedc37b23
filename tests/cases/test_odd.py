"""Days that stay odd to the forest. Evidence: by hand, both sides of each edge."""

from datetime import date, timedelta

import pytest

from pipeline.cases.finding import Finding
from pipeline.cases.odd import odd_findings
from pipeline.scoring.odd_days import OddDay

FIRST = 20_458
DAY_S = 86_400.0


def odd(*days: int, unit: str = "T1") -> list[OddDay]:
    drivers = (("residual_l", 0.2, 4.0), ("gap_hours", 0.1, -3.0))
    return [
        OddDay(unit, "S1", date(2026, 1, 5) + timedelta(days=day), FIRST + day, (FIRST + day) * DAY_S,
               (FIRST + day + 1) * DAY_S, 0.8, 1e-4, drivers)
        for day in days
    ]  # fmt: skip


def other(start: int, end: int | None, *, day: int | None = None, **more: str | None) -> Finding:
    values = {"site_id": "S1", "unit_id": "T1", "tank_id": "T1"} | more
    return Finding(
        "tank_leak", day=FIRST + (start if day is None else day), start_s=(FIRST + start) * DAY_S,
        end_s=None if end is None else (FIRST + end) * DAY_S, log_odds=5.0, **values,
    )  # type: ignore[arg-type]  # fmt: skip


def test_four_odd_days_in_a_week_call_for_a_look():
    (found,) = odd_findings(odd(3, 5, 6, 9), [])
    assert (found.cause, found.unit_id, found.litres) == ("unexplained", "T1", None)
    assert (found.day, found.start_s) == (FIRST + 9, (FIRST + 3) * DAY_S)
    assert [one.name for one in found.evidence] == ["odd days in a week", "residual_l", "gap_hours"]
    assert found.evidence[1].value == 4.0


@pytest.mark.parametrize("days", [(3, 5, 6), (3, 5, 6, 10), ()])
def test_three_or_four_in_more_than_a_week_do_not(days):
    assert odd_findings(odd(*days), []) == []


def test_a_unit_has_one_such_case_and_each_its_own():
    days = [*odd(*range(12)), *odd(*range(4, 9), unit="T2")]
    assert [(one.unit_id, one.day - FIRST) for one in odd_findings(days, [])] == [("T1", 3), ("T2", 7)]


@pytest.mark.parametrize(
    ("finding", "stands"),
    [
        (other(0, None), False), (other(-30, -9), True), (other(-30, -8), False), (other(7, None, day=7), True),
        (other(0, None, unit_id="T2"), True), (other(0, None, unit_id=None), False),
        (other(0, None, unit_id=None, site_id="S2"), True), (other(0, None, day=9), True),
    ],
)  # fmt: skip
def test_what_else_was_found_by_then_within_two_weeks_accounts_for_them(finding, stands):
    """Odd days 2, 3, 4 and 6; a finding of the unit or its site, known by day 6, that lasts or ended since day −8."""
    assert bool(odd_findings(odd(2, 3, 4, 6), [finding])) is stands
