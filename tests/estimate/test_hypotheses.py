"""What could be moving a stock, and from when on. Evidence: naive twins, both sides of each edge."""

import numpy as np
import pytest

from pipeline.estimate.hypotheses import Hypothesis, candidates_of, days_passed, hypotheses_of, since
from tests.support.hand_unit import FIRST_DAY, balance_by, dips_of, gauge_of, unit_of

DAYS = 10
HOURS = np.sort(np.concatenate([24.0 * np.arange(DAYS) + one for one in (1.0, 9.0, 17.0)]))
UNIT = unit_of(gauge_of(HOURS, 1_000.0))


def candidates(drops=()):
    sold = np.column_stack([10.0 * np.arange(len(HOURS)), 20.0 * np.arange(len(HOURS))])
    return candidates_of(balance_by(UNIT, dips_of(HOURS, 1_000.0, sold)), drops)


def onsets(found, cause: str, **more) -> list[int]:
    """Days from the first on at which a cause may set in."""
    kinds = [
        place
        for place, one in enumerate(found.hypotheses)
        if one.cause == cause and all(getattr(one, name) == value for name, value in more.items())
    ]
    return (found.day[np.isin(found.which, kinds)] - FIRST_DAY).tolist()


def test_a_leak_a_gain_and_an_odd_day_may_set_in_on_every_day():
    for cause in ("tank_leak", "unexplained", "excursion"):
        assert onsets(candidates(), cause) == list(range(DAYS))


def test_what_goes_by_sales_sets_in_from_the_first_day_or_when_a_week_of_sales_is_known():
    for cause, more in (("line_leak", {}), ("meter_drift", {"meter_id": "M2"})):
        assert onsets(candidates(), cause, **more) == [0, 7, 8, 9]


def test_draws_at_an_hour_may_set_in_on_every_other_day():
    assert onsets(candidates(), "slow_theft", hour=4.0) == [0, 2, 4, 6, 8]


def test_a_meter_that_was_always_off_may_be_further_off():
    drift = next(one for one in candidates().hypotheses if one.cause == "meter_drift")
    assert (drift.spread_from(0), drift.spread_from(1)) == (0.015, 0.005)
    plain = Hypothesis("tank_leak", None, 1.0, True)
    assert plain.spread_from(0) == plain.spread_from(9) == 1.0


def test_a_drop_with_a_ticket_is_a_step_at_its_dip():
    found = candidates((7, 20))
    (number,) = np.flatnonzero(found.is_delivery & (found.onset == 7))
    assert found.column(int(number)) == pytest.approx((np.arange(len(HOURS)) >= 7).astype(float))
    assert found.is_delivery.sum() == 2
    assert found.hypotheses[found.which[number]].key == "delivery:0"


def test_courses_lose_but_for_a_gain():
    balance = balance_by(UNIT, dips_of(HOURS, 1_000.0, 10.0 * np.arange(len(HOURS)), open_h=0.1 * HOURS))
    hypotheses, courses = hypotheses_of(balance)
    assert [one.cause for one in hypotheses[:4]] == ["tank_leak", "line_leak", "meter_drift", "unexplained"]
    assert courses[-1, 3] == pytest.approx(HOURS[-1] - HOURS[0])
    for place in (0, 1, 2, *range(4, len(hypotheses))):
        assert (np.diff(courses[:, place]) <= 0.0).all()
    assert courses[:, 2] == pytest.approx(-10.0 * np.arange(len(HOURS)))
    assert courses[:, 1] == pytest.approx(-0.1 * HOURS)


def test_a_tank_without_meters_has_no_line_and_no_meter():
    balance = balance_by(UNIT, dips_of(HOURS, 1_000.0, np.zeros((len(HOURS), 0))))
    assert {one.cause for one in hypotheses_of(balance)[0]} == {"tank_leak", "unexplained", "slow_theft"}


@pytest.mark.parametrize(
    ("hour", "passed"),
    # From 22 o'clock on for three hours, evenly: none before, half at half past eleven, all at one, still all at noon.
    [(21.99, 0.0), (22.0, 0.0), (23.5, 0.5), (25.0, 1.0), (36.0, 1.0), (45.9, 1.0), (47.5, 1.5), (49.0, 2.0)],
)
def test_draws_come_once_a_day_evenly_within_three_hours(hour, passed):
    start = 24.0 * FIRST_DAY
    told = days_passed(np.array([start + 21.0, start + hour]), 22.0)
    assert told[1] - told[0] == pytest.approx(passed)


@pytest.mark.parametrize(("first", "zero_until"), [(0, 0), (1, 0), (4, 3)])
def test_a_course_since_a_dip_begins_at_the_dip_before(first, zero_until):
    course = np.array([[0.0], [2.0], [3.0], [7.0], [8.0], [12.0]])
    told = since(course, first)[:, 0]
    assert told[: zero_until + 1] == pytest.approx(np.zeros(zero_until + 1))
    assert told[zero_until:] == pytest.approx(course[zero_until:, 0] - course[zero_until, 0])


def test_a_hole_at_another_height_has_that_height_s_course():
    falling = 1_900.0 - 50.0 * np.arange(len(HOURS))
    balance = balance_by(UNIT, dips_of(HOURS, falling))
    found = candidates_of(balance)
    (number,) = np.flatnonzero((found.which == 0) & (found.onset == 6))
    moved = found.with_hole(int(number), 9).column(int(number))
    assert moved == pytest.approx(-np.maximum(balance.leak_h[:, 9] - balance.leak_h[5, 9], 0.0))
    assert moved[-1] != pytest.approx(found.column(int(number))[-1], rel=1e-3)
