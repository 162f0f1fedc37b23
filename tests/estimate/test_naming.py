"""When what stands out is named. Evidence: by hand, both sides of each threshold."""

import numpy as np
import pytest

from pipeline.estimate.evidence import Weighed
from pipeline.estimate.hypotheses import Hypothesis
from pipeline.estimate.naming import CHART, Now, Option, is_named, next_of, share_of
from pipeline.estimate.walked import Named

A_DAY = 4
KNOWN = np.repeat(np.arange(100), A_DAY)


def option(
    cause: str, odds: float, *, since: int = 5, days: int = 2, wander: float = 0.0, grown: bool = False
) -> Option:
    """A hypothesis with its log odds that sets in on a day; `wander` of them is what its usual wander took off."""
    hypothesis = Hypothesis(cause, None, 1.0, True, days=days)
    item = Weighed(hypothesis, odds, 0, since * A_DAY, 1.0, 0.1, odds, wander)
    named = Named(hypothesis, 0, 5.0, 0, None) if grown else None
    return Option(odds, hypothesis, item, grown=named)


def chart(odds: float, number: int = 0) -> Option:
    return Option(odds, CHART, way="scale", chart=number)


def named(*options: Option, day: int = 20, odd: tuple[int, ...] = (), chart_days: tuple[int, ...] = (0,)) -> bool:
    return is_named(list(options), Now(day, KNOWN[day >= KNOWN], odd, chart_days))


@pytest.mark.parametrize(
    ("cause", "odds", "stands"),
    [("tank_leak", 4.0, True), ("tank_leak", 3.9, False), ("meter_drift", 3.0, True), ("meter_drift", 2.9, False),
     ("delivery", 1.0, True), ("delivery", 0.9, False), ("excursion", 4.0, True), ("excursion", 3.9, False)],
)  # fmt: skip
def test_each_cause_is_named_from_its_odds_on(cause, odds, stands):
    assert named(option(cause, odds)) is stands


@pytest.mark.parametrize(("lead", "stands"), [(3.0, True), (2.9, False)])
def test_it_must_lead_the_next_clearly(lead, stands):
    assert named(option("tank_leak", 9.0), option("line_leak", 9.0 - lead)) is stands
    assert named(option("tank_leak", 151.0), option("line_leak", 150.5))
    assert not named(option("unexplained", 151.0), option("excursion", 150.5))


def test_what_its_wander_took_off_holds_a_rival_up():
    assert named(option("tank_leak", 9.0), option("line_leak", 4.0))
    assert not named(option("tank_leak", 9.0), option("line_leak", 4.0, wander=2.5))
    assert named(option("tank_leak", 9.0, wander=2.5), option("line_leak", 4.0, wander=2.5))


def test_how_sure_it_is_among_its_rivals_goes_by_their_weights():
    """By hand: 3 ahead of one, e^3 to 1, is 0.953; level with it one half; what was named and grew is no rival."""
    line = option("line_leak", 6.0)
    assert share_of([option("tank_leak", 9.0)]) == 1.0
    assert share_of([option("tank_leak", 9.0), line]) == pytest.approx(0.9526, abs=1e-4)
    assert share_of([option("tank_leak", 9.0), option("line_leak", 6.0, wander=3.0)]) == pytest.approx(0.5)
    assert share_of([option("tank_leak", 9.0), line, line]) == pytest.approx(1.0 / (1.0 + 2.0 * np.exp(-3.0)))
    assert share_of([option("tank_leak", 9.0), option("meter_drift", 8.9, grown=True)]) == 1.0
    assert share_of([option("tank_leak", 9.0), option("excursion", 8.9, since=4)]) == 1.0
    assert share_of([option("slow_theft", 9.0), option("slow_theft", 8.9)]) == 1.0  # at another hour


def test_the_next_likely_is_as_far_behind_as_its_weight_and_is_no_odd_day_before():
    line = option("line_leak", 4.0, wander=2.5)
    assert next_of([option("tank_leak", 9.0), option("excursion", 8.5, since=4), line]) == ("line_leak:", 6.5)
    assert next_of([option("tank_leak", 9.0), option("meter_drift", 8.9, grown=True)]) is None


def test_an_odd_day_before_it_began_is_no_rival():
    assert named(option("tank_leak", 9.0), option("excursion", 8.5, since=4))
    assert not named(option("tank_leak", 9.0), option("excursion", 8.5, since=5))


@pytest.mark.parametrize(("day", "stands"), [(6, False), (7, True)])
def test_in_a_tank_s_first_week_no_rate_is_named_unless_beyond_all_doubt(day, stands):
    assert named(option("tank_leak", 9.0, since=2), day=day) is stands
    assert named(option("tank_leak", 151.0, since=2), day=day)
    assert named(option("delivery", 9.0, since=2), day=day)


@pytest.mark.parametrize(("days", "since", "stands"), [(2, 19, True), (2, 20, False), (7, 14, True), (7, 15, False)])
def test_a_rate_must_have_acted_on_so_many_days(days, since, stands):
    assert named(option("meter_drift", 9.0, since=since, days=days)) is stands
    assert named(option("meter_drift", 9.0, since=20, days=days, grown=True))


@pytest.mark.parametrize(("odd", "stands"), [((12, 13), False), ((11, 13), True), ((13,), True)])
def test_after_two_odd_days_within_eight_no_rate_is_named(odd, stands):
    assert named(option("tank_leak", 9.0), odd=odd) is stands
    assert named(chart(9.0), odd=odd) is stands
    assert named(option("delivery", 9.0), odd=odd)


def test_an_odd_day_is_told_when_it_is_over_and_not_too_often():
    assert not named(option("excursion", 9.0, since=20))
    assert named(option("excursion", 9.0, since=19))
    assert not named(option("excursion", 9.0, since=19), odd=tuple(range(-24, 0)))
    assert named(option("excursion", 9.0, since=19), odd=tuple(range(-23, 0)))


@pytest.mark.parametrize(
    ("day", "odds", "stands"),
    [(7, 4.0, True), (6, 9.9, False), (21, 4.0, True), (22, 5.9, False), (22, 6.0, True), (60, 6.0, True),
     (61, 8.9, False), (61, 9.0, True)],
)  # fmt: skip
def test_a_chart_that_is_wrong_from_its_first_day_needs_more_the_later_it_shows(day, odds, stands):
    assert named(chart(odds), day=day) is stands


def test_a_new_chart_counts_from_its_own_first_day():
    """A month after the first and a week after the second: for the one it is late, for the other early."""
    assert named(chart(4.0, 1), day=30, chart_days=(0, 23))
    assert not named(chart(4.0, 0), day=30, chart_days=(0, 23))


@pytest.mark.parametrize(("day", "odds", "stands"), [(13, 2.4, False), (13, 2.5, True), (14, 1.0, True)])
def test_a_drop_needs_more_while_chart_and_meters_are_being_learned(day, odds, stands):
    assert named(option("delivery", odds), day=day) is stands
