"""From what was observed of a unit to its balance. Evidence: values worked by hand, both sides of each edge."""

from datetime import date

import numpy as np
import pytest

from pipeline.estimate.design import FREE_L2
from pipeline.estimate.unit_walk import (
    amendments_of,
    clock_holes,
    delivered_of,
    edge_holes,
    jump_hours,
    month_start,
    shift_hours,
    step_holes,
)
from pipeline.features.probe import StuckSpan
from pipeline.features.totals import Unbooked
from tests.support.hand_unit import (
    FIRST_DAY,
    at_s,
    dips_of,
    drop_of,
    gauge_of,
    lag_of,
    seen_of,
    step_of,
    unit_of,
)

HOURS = np.arange(0.0, 72.0, 6.0)
DIPS = dips_of(HOURS, 1_000.0)
GAUGE = gauge_of(np.arange(0.0, 72.0, 0.25), 1_000.0)


def unbooked(start_h: float, end_h: float, litres: float) -> Unbooked:
    return Unbooked("M1", float(at_s(start_h)), float(at_s(end_h)), litres)


def amended(*spans: Unbooked, steps=()) -> dict[int, list[float]]:
    """Litres at the dozen dips by the day, from the first on, that first sees them."""
    seen = seen_of(unit_of(GAUGE), unbooked=spans, steps=steps)
    return {one.day - FIRST_DAY: one.litres.tolist() for one in amendments_of(seen, DIPS)}


def test_unbooked_litres_are_spread_over_their_span_and_stay():
    """48 l between hours 12 and 36: 12 l at each dip of six hours."""
    assert amended(unbooked(12.0, 36.0, 48.0)) == {1: [0.0, 0.0, 0.0, 12.0, 24.0, 36.0, *[48.0] * 6]}


def test_what_was_found_as_a_sudden_draw_is_not_amended_again():
    """Of 48 l 20 went at once at hour 20: 28 are left. A draw that a later day sees, a gain, one before: none of it."""
    span = unbooked(12.0, 36.0, 48.0)
    for hour, litres, day, left in (
        (20.0, -20.0, 0, 28.0), (20.0, -20.0, 2, 48.0), (20.0, 20.0, 0, 48.0), (11.8, -20.0, 0, 48.0),
        (11.9, -20.0, 0, 28.0), (36.0, -20.0, 1, 28.0), (36.1, -20.0, 1, 48.0), (20.0, -90.0, 0, 0.0),
    ):  # fmt: skip
        assert amended(span, steps=[(FIRST_DAY + day, step_of(hour, litres))])[1][-1] == pytest.approx(left), hour


def test_spans_that_one_day_sees_add_up_and_others_stay_apart():
    """The last half hour of a day is the next day's to see."""
    told = amended(unbooked(1.0, 5.0, 10.0), unbooked(9.0, 11.0, 20.0), unbooked(20.0, 23.5, 40.0))
    assert {day: litres[-1] for day, litres in told.items()} == {0: 30.0, 1: 40.0}


def test_a_drop_s_litres_are_its_tickets_and_without_one_anything():
    """Two tickets at 15 °C of 2,000 l: as written; each is off by 0.15 % and 8 l of its own."""
    unit = unit_of(GAUGE, tickets=[("D1", 11.0, 2_000.0), ("D2", 11.2, 2_000.0)])
    told = delivered_of(unit, [drop_of(12.0, 4_000.0, tickets=(0, 1)), drop_of(40.0, 900.0)])
    assert told.litres_15 == pytest.approx([4_000.0, 0.0])
    assert told.sd_l[0] == pytest.approx(np.hypot(3.0 * np.sqrt(2.0), 8.0 * np.sqrt(2.0)))
    assert told.sd_l[1] ** 2 == pytest.approx(FREE_L2)
    assert told.hours * 3_600.0 == pytest.approx(at_s([12.0, 40.0]))


def test_a_move_leaves_ten_minutes_to_either_side_open_but_none_of_the_day_before():
    """A move of ten minutes at hour 12; one that day 1 sees just after hour 23.5, when its data begin."""
    seen = seen_of(unit_of(GAUGE), steps=[(FIRST_DAY, step_of(12.0, -50.0)), (FIRST_DAY + 1, step_of(23.55, -50.0))])
    hours = [((one - at_s(0.0)) / 3_600.0).tolist() for one in np.array(step_holes(seen))]
    assert hours[0] == pytest.approx([12.0 - 1 / 6, 12.0 + 2 / 6])
    assert hours[1] == pytest.approx([23.5, 23.55 + 2 / 6])


def test_a_till_that_is_ahead_leaves_the_end_of_its_day_open():
    """An hour ahead on day 0: what is sold from half past ten on has day 1's date; five minutes before are at stake."""
    seen = seen_of(unit_of(GAUGE), lags={FIRST_DAY: lag_of(3_600.0), FIRST_DAY + 1: lag_of(-3_600.0)})
    ((start_s, end_s),) = edge_holes(seen)
    assert (start_s, end_s) == (at_s(22.5) - 300.0, at_s(23.5))


def test_a_clock_that_was_set_leaves_the_time_between_open():
    """Nothing until day 1, then ahead by an hour: its first hour stands at the wrong time."""
    lags = {FIRST_DAY: lag_of(0.0), FIRST_DAY + 1: lag_of(3_600.0), FIRST_DAY + 2: lag_of(3_600.0)}
    assert clock_holes(seen_of(unit_of(GAUGE), lags=lags)) == [(at_s(23.5), at_s(24.5))]


@pytest.mark.parametrize(("lag_s", "whole_days"), [(29.0, 0), (300.0, 1), (599.0, 1)])
def test_a_clock_that_was_set_by_minutes_leaves_its_day_open(lag_s, whole_days):
    lags = {FIRST_DAY: lag_of(0.0), FIRST_DAY + 1: lag_of(lag_s)}
    holes = clock_holes(seen_of(unit_of(GAUGE), lags=lags))
    assert len(holes) == whole_days
    for start_s, end_s in holes:
        assert (start_s, end_s) == (at_s(23.5), at_s(47.5) - lag_s)


def test_the_stock_may_stand_anywhere_after_a_move_a_stuck_gauge_a_new_chart_and_a_new_clock():
    unit = unit_of(GAUGE, charts=((-1_000.0, 5.0), (40.0, 5.1)))
    stuck = StuckSpan(float(at_s(50.0)), float(at_s(52.0)), 90.0, float(at_s(51.0)), 40.0)
    lags = {FIRST_DAY: lag_of(0.0), FIRST_DAY + 1: lag_of(3_600.0)}
    seen = seen_of(unit, steps=[(FIRST_DAY, step_of(12.0, -50.0))], stuck=[stuck], lags=lags)
    hours = jump_hours(seen) - at_s(0.0) / 3_600.0
    assert hours == pytest.approx([12.0 - 1 / 6, 12.0 + 2 / 6 - 1 / 3_600.0, 24.5, 40.0, 52.0])


@pytest.mark.parametrize(("jump_mm", "count"), [(30.0, 1), (-30.0, 1), (2.0, 0)])
def test_a_gauge_that_jumped_reads_off_from_then_on(jump_mm, count):
    """At hour 12.125 the level steps between two readings a minute apart, and stays."""
    hours = np.arange(11.0, 14.0, 1 / 60)
    series = gauge_of(hours, 1_000.0 + jump_mm * (hours > 12.125), nominal_s=60.0)
    step = step_of(12.12, 5.0 * jump_mm, minutes=1.0, sd_l=2.0)
    told = shift_hours(seen_of(unit_of(series), steps=[(FIRST_DAY, step)]))
    assert len(told) == count
    assert told * 3_600.0 == pytest.approx([step.end_s] * count)


@pytest.mark.parametrize(
    ("day", "first"),
    [(date(2026, 1, 1), date(2026, 1, 1)), (date(2026, 1, 31), date(2026, 1, 1)),
     (date(2024, 2, 29), date(2024, 2, 1)), (date(2025, 12, 31), date(2025, 12, 1))],
)  # fmt: skip
def test_a_month_begins_on_its_first(day, first):
    epoch = date(1970, 1, 1)
    assert month_start((day - epoch).days) == (first - epoch).days
