"""Which day's run first sees an instant. Evidence: both sides of each edge, worked by hand."""

from dataclasses import replace

import pytest

from pipeline.estimate.known import (
    agrees,
    clock_changed,
    clock_moved,
    explains_falls,
    first_seen_s,
    known_day,
    seen_day,
    used_lag_s,
)
from tests.support.hand_unit import FIRST_DAY, at_s, lag_of


@pytest.mark.parametrize(("hour", "day"), [(0.0, 0), (23.4999, 0), (23.5, 1), (-0.5, 0), (-0.5001, -1)])
def test_the_last_half_hour_is_the_next_day_s(hour, day):
    assert known_day(float(at_s(hour))) == FIRST_DAY + day


@pytest.mark.parametrize(
    ("ahead_s", "hour"),
    [(0.0, 23.5), (3_600.0, 22.5), (-3_600.0, 23.5), (60.0, 23.5 - 1 / 60)],
)
def test_what_a_till_that_is_ahead_sold_late_has_the_next_day_s_date(ahead_s, hour):
    """An hour ahead, the sales from half past ten on are dated tomorrow: today's run has none of them."""
    lags = {FIRST_DAY: lag_of(ahead_s)}
    assert first_seen_s(FIRST_DAY + 1, lags) == pytest.approx(at_s(hour))
    assert seen_day(float(at_s(hour)) + 1.0, lags) == FIRST_DAY + 1
    assert seen_day(float(at_s(hour)) - 1.0, lags) == FIRST_DAY


def test_the_day_before_counts_and_not_the_day_itself():
    lags = {FIRST_DAY: lag_of(0.0), FIRST_DAY + 1: lag_of(3_600.0)}
    assert first_seen_s(FIRST_DAY + 1, lags) == at_s(23.5)
    assert first_seen_s(FIRST_DAY + 2, lags) == at_s(46.5)
    assert first_seen_s(FIRST_DAY + 3, lags) == at_s(71.5)


@pytest.mark.parametrize(
    ("lag", "used_s"),
    [(lag_of(100.0, sd_s=25.0), 100.0), (lag_of(-100.0, sd_s=25.0), -100.0), (lag_of(100.0, sd_s=25.1), 0.0),
     (lag_of(100.0, gain=0.0019), 0.0), (lag_of(100.0, gain=0.002), 100.0), (lag_of(100.0, fit=0.29), 0.0),
     (lag_of(100.0, fit=0.3), 100.0), (None, 0.0)],
)  # fmt: skip
def test_a_lag_is_used_where_it_is_sure(lag, used_s):
    assert used_lag_s(lag) == used_s


@pytest.mark.parametrize(("lag_s", "moved"), [(30.0, False), (31.0, True), (-31.0, True)])
def test_clocks_moved_where_the_lag_is_another_than_yesterday_s(lag_s, moved):
    lags = {FIRST_DAY: lag_of(0.0), FIRST_DAY + 1: lag_of(lag_s, sd_s=1.0)}
    assert clock_moved(lags, FIRST_DAY + 1) is moved
    assert clock_changed(lags, FIRST_DAY + 1) is moved
    assert not clock_moved(lags, FIRST_DAY)


@pytest.mark.parametrize(
    ("before", "today", "changed", "explains"),
    [(0.9, 0.9, False, True), (0.9, 0.29, True, False), (0.36, 0.29, False, False), (0.37, 0.3, False, True)],
)
def test_sales_that_suddenly_explain_little_stand_at_the_wrong_time(before, today, changed, explains):
    """Below 0.3, and below four fifths of what is usual: on a quiet site a day like those before is none."""
    lags = {FIRST_DAY + day: lag_of(0.0, fit=before) for day in range(5)} | {FIRST_DAY + 5: lag_of(0.0, fit=today)}
    assert clock_changed(lags, FIRST_DAY + 5) is changed
    assert explains_falls(lags[FIRST_DAY + 5]) is explains


@pytest.mark.parametrize(("sd_s", "calm_fit", "changed"), [(60.0, 0.0, True), (61.0, 0.0, False), (2.0, 0.73, False)])
def test_few_sales_or_one_draw_that_nobody_booked_move_no_clock(sd_s, calm_fit, changed):
    """Sales explain 0.1 of the day, where 0.9 is usual: 0.73 without its worst hour is four fifths of that."""
    lags = {FIRST_DAY + day: lag_of(0.0) for day in range(5)}
    lags[FIRST_DAY + 5] = replace(lag_of(0.0, sd_s=sd_s, fit=0.1), calm_fit=calm_fit)
    assert clock_changed(lags, FIRST_DAY + 5) is changed


def test_without_a_lag_nothing_is_known_to_have_changed():
    assert not clock_changed({}, FIRST_DAY)
    assert explains_falls(None)


@pytest.mark.parametrize(
    ("before_s", "gain", "told"),
    [(-893.0, 0.3, True), (-863.0, 0.3, True), (-862.0, 0.3, False), (-893.0, 0.04, False), (7_000.0, 0.3, False)],
)
def test_a_lag_that_is_the_day_before_s_again_is_told_however_little_sales_explain(before_s, gain, told):
    """A quarter of an hour behind where sales explain a quarter of what the gauges show: alone it is none."""
    before, today = lag_of(before_s, fit=0.25, gain=0.3), lag_of(-893.0, fit=0.25, gain=gain)
    assert agrees(today, before) is told
    today = replace(today, agrees=agrees(today, before))
    assert used_lag_s(today) == (-893.0 if told else 0.0)
    days = {FIRST_DAY: lag_of(0.0, fit=0.9), FIRST_DAY + 1: today}
    assert clock_changed(days, FIRST_DAY + 1)  # from none to it, or unknown
    assert not clock_changed({FIRST_DAY: replace(before, agrees=True), FIRST_DAY + 1: today}, FIRST_DAY + 1) or not told


def test_clocks_that_differ_by_less_than_chance_agree_with_nothing():
    assert not agrees(lag_of(-30.0, fit=0.25), lag_of(-30.0, fit=0.25))
    assert agrees(lag_of(-30.1, fit=0.25), lag_of(-30.0, fit=0.25))
    assert not agrees(lag_of(-893.0), None)
