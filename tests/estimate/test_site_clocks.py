"""A site's sales as drawn by the gauge's clock. Evidence: worked by hand, no day knows a later one."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.known import clock_changed
from pipeline.estimate.site_clocks import Clocked, clocks_of, drawn_on_gauge_clock, silent_days
from pipeline.ledger.drops import Drop
from pipeline.ledger.movements import MeterFlow
from tests.support.hand_unit import FIRST_DAY, at_s, gauge_of, lag_of


def sale(start_h: float, end_h: float, litres: float = 70.0) -> MeterFlow:
    return MeterFlow("M1", at_s(np.array([start_h])), at_s(np.array([end_h])), np.array([litres]))


def drawn_h(flow: MeterFlow, clock=None) -> tuple[float, float]:
    """From and to which hour of the data a sale was drawn, with that clock on the first day."""
    told = drawn_on_gauge_clock(flow, {FIRST_DAY: clock} if clock else {})
    return float(told.start_s[0] - at_s(0.0)) / 3_600.0, float(told.end_s[0] - at_s(0.0)) / 3_600.0


@pytest.mark.parametrize("lag_s", [900.0, -900.0])
def test_a_till_that_is_ahead_books_late(lag_s):
    """A quarter of an hour; and a lag of less than four of its standard errors is none."""
    assert drawn_h(sale(10.0, 10.05), lag_of(lag_s)) == pytest.approx((10.0 - lag_s / 3_600.0, 10.05 - lag_s / 3_600.0))
    assert drawn_h(sale(10.0, 10.05), lag_of(lag_s, sd_s=300.0)) == pytest.approx((10.0, 10.05))


@pytest.mark.parametrize(
    ("stamp", "drawn"), [("both", (10.0, 10.5)), ("start", (10.0, 10.0 + 2 / 60)), ("end", (10.5 - 2 / 60, 10.5))]
)
def test_where_the_till_knows_one_instant_a_hose_takes_its_time_from_there(stamp, drawn):
    """70 l at 35 l/min take two minutes; another day's clock says nothing of this one."""
    clock = replace(lag_of(0.0), stamp=stamp)
    assert drawn_h(sale(10.0, 10.5), clock) == pytest.approx(drawn)
    assert drawn_h(sale(34.0, 34.5), clock) == pytest.approx((34.0, 34.5))


def test_what_the_next_day_is_first_to_see_changes_nothing_that_the_day_before_saw():
    """Paid half an hour after midnight, and drawn by its start at ten to eleven: it counts from half past eleven on."""
    clock = replace(lag_of(0.0), stamp="start")
    told = drawn_on_gauge_clock(sale(22.8, 24.5), {FIRST_DAY + 1: clock})
    assert told.start_s[0] == told.end_s[0] == at_s(23.5)
    assert told.volume_l[0] == 70.0


def test_a_day_with_few_readings_has_no_clock():
    """A reading a minute with 40 sales of 70 l says that the clocks agree; 19 readings say nothing."""
    hours = np.arange(0.0, 24.0, 1 / 60)
    ends = np.arange(2.0, 22.0, 0.5)
    gone = 70.0 * np.clip((hours[:, None] - ends) * 30.0 + 1.0, 0.0, 1.0).sum(axis=1)
    sold = MeterFlow("M1", at_s(ends - 2 / 60), at_s(ends), np.full(40, 70.0))
    read = gauge_of(hours, 1_500.0 - gone / 5.0, nominal_s=60.0)
    told = clocks_of([Clocked(read, [], [sold])], [FIRST_DAY, FIRST_DAY + 1])
    assert list(told) == [FIRST_DAY]
    assert told[FIRST_DAY].lag_s == pytest.approx(0.0, abs=10.0)
    few = gauge_of(hours[::77], 1_500.0 - gone[::77] / 5.0, nominal_s=4_620.0)
    assert len(few) == 19
    assert clocks_of([Clocked(few, [], [sold])], [FIRST_DAY]) == {}


HOURLY = np.arange(0.0, 10 * 24.0, 1.0)
DAYS = list(range(FIRST_DAY, FIRST_DAY + 10))


def ten_days(lost_days, *, drawn_l_per_h=50.0, drops=()):
    """A tank that is drawn from all day; the sales of some days are not there."""
    ends = HOURLY[1:]
    kept = ~np.isin((ends + 0.5) // 24.0, lost_days)
    count = int(kept.sum())
    sold = MeterFlow("M1", at_s(ends[kept] - 0.1), at_s(ends[kept]), np.full(count, 50.0))
    rate = np.where(np.isin((HOURLY + 0.5) // 24.0, lost_days), drawn_l_per_h, 50.0)
    came = sum(drop.gain_l * (at_s(HOURLY) >= drop.end_s) for drop in drops)
    level = (9_000.0 + came - np.cumsum(rate)) / 5.0
    return [Clocked(gauge_of(HOURLY, level, nominal_s=3_600.0), list(drops), [sold])]


@pytest.mark.parametrize(
    ("lost_days", "drawn_l_per_h", "told"),
    [((7, 8), 50.0, [7, 8]), ((7, 8), 0.0, []), ((7,), 16.0, [7]), ((7,), 14.0, []), ((3,), 50.0, []), ((), 50.0, [])],
)
def test_a_till_is_silent_where_the_tank_falls_by_much_of_what_is_usually_sold(lost_days, drawn_l_per_h, told):
    """1,200 l a day, and three tenths of it are enough; closed it does not fall, and five days must be known."""
    found = silent_days(ten_days(lost_days, drawn_l_per_h=drawn_l_per_h), DAYS)
    assert [day - FIRST_DAY for day in found] == told


def test_where_no_sale_has_ever_arrived_draws_on_several_days_are_sales():
    """1,200 l a day, none of which was sold: from the second on; and 240 l, which may be anything."""
    never = tuple(range(10))
    assert silent_days(ten_days(never), DAYS) == DAYS[1:]
    assert silent_days(ten_days(never, drawn_l_per_h=10.0), DAYS) == []


def test_a_drop_does_not_hide_what_left_without_a_sale():
    drop = Drop(float(at_s(7 * 24.0 + 9.0)), float(at_s(7 * 24.0 + 10.0)), 5_000.0, 500.0)
    assert silent_days(ten_days((7,), drops=[drop]), DAYS) == [FIRST_DAY + 7]


def test_a_silent_day_s_sales_stand_nowhere():
    """So it is left out as one on which clocks moved is; the days after it are judged as if it had not been."""
    lags = clocks_of(ten_days((7, 8)), DAYS)
    assert [day - FIRST_DAY for day in DAYS[5:] if clock_changed(lags, day)] == [7, 8]
    assert [lags[FIRST_DAY + day].is_silent for day in (6, 7, 8, 9)] == [False, True, True, False]


def test_a_till_that_is_behind_by_as_much_as_the_day_before_is_so_however_noisy_the_gauge():
    """Sales booked 15 minutes late on two days, on a noisy gauge: the second day is sure."""
    hours = np.arange(0.0, 48.0, 1 / 60)
    ends = np.concatenate([24.0 * day + np.arange(2.0, 22.0, 0.5) for day in (0, 1)])
    gone = 70.0 * np.clip((hours[:, None] - ends + 0.25) * 30.0 + 1.0, 0.0, 1.0).sum(axis=1)
    noise_mm = np.random.default_rng(4).normal(0.0, 2.4, len(hours))
    read = gauge_of(hours, 2_500.0 - gone / 5.0 + noise_mm, nominal_s=60.0)
    sold = MeterFlow("M1", at_s(ends - 2 / 60), at_s(ends), np.full(len(ends), 70.0))
    first, second = clocks_of([Clocked(read, [], [sold])], [FIRST_DAY, FIRST_DAY + 1]).values()
    assert first.lag_s == pytest.approx(900.0, abs=15.0) == second.lag_s
    assert max(first.fit, second.fit) < 0.3
    assert (first.agrees, second.agrees) == (False, True)
