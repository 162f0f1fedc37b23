"""Totaliser against sales. Evidence: by hand, both sides of each edge."""

import numpy as np
import pytest

from pipeline.features.totals import MeterTotals, unbooked
from tests.support.hand_unit import at_s, flow_of

LONG_AGO_H = -15 * 24.0
"""The till is known: a fortnight has gone by in which the totaliser and the books agreed."""


def found_at(total_l, hours, sales, *, known=True, mirrored=False):
    """What the totaliser of a meter at a site that is known, or new, shows."""
    before = [LONG_AGO_H] if known and len(hours) else []
    total = np.array([*total_l[: len(before)], *total_l], float)
    meter = MeterTotals("M1", at_s(np.array([*before, *hours])), total, flow_of(*sales))
    return unbooked([meter], mirrored=mirrored)


def told(total_l, sales, hours=(0.0, 6.0, 12.0, 18.0)):
    found = found_at(total_l, hours, sales)
    return [((one.start_s - at_s(0.0)) / 3_600.0, (one.end_s - at_s(0.0)) / 3_600.0, one.litres) for one in found]


SALES = [(3.0, 40.0), (9.0, 60.0), (15.0, 50.0)]


def test_a_totaliser_that_moves_by_what_was_sold_shows_nothing():
    assert told([1_000.0, 1_040.0, 1_100.0, 1_150.0], SALES) == []


def test_what_it_moved_beyond_the_sales_was_not_booked():
    """75 l between hours 6 and 12."""
    assert told([1_000.0, 1_040.0, 1_175.0, 1_225.0], SALES) == [pytest.approx((6.0, 12.0, 75.0))]


@pytest.mark.parametrize(("more_l", "count"), [(1.9, 0), (2.1, 1), (-30.0, 0)])
def test_two_litres_are_rounding_and_less_than_the_sales_is_no_loss(more_l, count):
    assert len(told([1_000.0, 1_040.0, 1_100.0 + more_l, 1_150.0 + more_l], SALES)) == count


def test_what_was_counted_across_a_reset_is_unknown():
    """It falls between hours 6 and 12, and then moves 20 l beyond what was sold."""
    assert told([9_990.0, 10_030.0, 3.0, 73.0], SALES) == [pytest.approx((12.0, 18.0, 20.0))]


@pytest.mark.parametrize(("read_s", "count"), [(-16.0, 2), (-14.0, 1), (14.0, 1), (16.0, 2)])
def test_a_reading_while_a_hose_is_open_or_just_was_is_passed_over(read_s, count):
    """Before its start, and after the end of a sale of two minutes: quarter of a minute to either side."""
    hour = (9.0 - 2 / 60 + read_s / 3_600.0) if read_s < 0 else (9.0 + read_s / 3_600.0)
    total = [1_000.0, 1_050.0 if read_s < 0 else 1_110.0, 1_130.0]
    found = told(total, [(9.0, 60.0)], (0.0, hour, 18.0))
    assert len(found) == count
    assert sum(litres for _, _, litres in found) == pytest.approx(70.0)


def test_two_readings_are_the_fewest():
    assert told([5.0], SALES, (0.0,)) == []
    assert told([], SALES, ()) == []


HALF_PAST = [(hour + 0.5, 40.0) for hour in range(1, 23, 3)]


def read_hourly(late_h, lost_h=None):
    """A totaliser read on the hour for 30 hours; each sale is booked so many hours after it was drawn, one never."""
    at = np.arange(0.0, 30.5)
    total = 1_000.0 + np.array([sum(litres for hour, litres in HALF_PAST if hour <= one) for one in at])
    return found_at(total, at, [(hour + late_h, litres) for hour, litres in HALF_PAST if hour != lost_h])


@pytest.mark.parametrize("late_h", [-0.75, 0.0, 0.75])
def test_sales_booked_before_or_after_a_reading_are_not_lost(late_h):
    """Each stands on the other side of a reading from its litres: 40 l ahead or behind, and level an hour later.

    Where the books are late the first is 40 l, given back with the next reading; from then on the meter waits.
    """
    found = [(one.start_s, one.end_s, round(one.litres, 6)) for one in read_hourly(late_h)]
    assert found == ([(*at_s([1.0, 2.0]), 40.0), (*at_s([2.0, 3.0]), -40.0)] if late_h > 0.0 else [])


@pytest.mark.parametrize(("late_h", "waited_h"), [(-0.75, 2.0), (0.0, 0.0), (0.75, 2.0)])
def test_a_sale_that_is_never_booked_stays_lost_among_late_ones(late_h, waited_h):
    """That of half past ten. Where books are late or early, two more readings bear it out."""
    found = read_hourly(late_h, lost_h=10.5)
    *_, lost = found
    assert lost.litres == pytest.approx(40.0)
    assert (lost.waited_s, lost.known_s) == (waited_h * 3_600.0, lost.end_s + waited_h * 3_600.0)
    assert (lost.end_s == at_s(11.0)) == (late_h >= 0.0)
    assert sum(one.litres for one in found) == pytest.approx(40.0)


@pytest.mark.parametrize("bad_l", [0.0, 5_000.0])
def test_one_bad_reading_tells_nothing(bad_l):
    """The totaliser reads 0, or 5,000 l, at noon alone."""
    at = np.arange(0.0, 24.5)
    total = 1_000.0 + 0.0 * at
    total[12] = bad_l
    assert found_at(total, at, [(30.0, 1.0)]) == []


@pytest.mark.parametrize(("litres", "count"), [(999.0, 0.0), (1_001.0, 2.0)])
def test_a_thousand_litres_in_one_span_are_borne_out_by_two_more_readings(litres, count):
    at = np.arange(0.0, 24.5)
    (found,) = found_at(np.where(at >= 12.0, litres, 0.0), at, [(30.0, 1.0)])
    assert (found.litres, found.waited_s) == (pytest.approx(litres), count * 3_600.0)


@pytest.mark.parametrize(("grain_l", "count"), [(1.0, 1), (10.0, 0)])
def test_a_totaliser_in_tens_of_litres_is_known_to_ten(grain_l, count):
    """It counts 12 l that nobody booked; in tens they are within what it may be off by."""
    assert (
        len(told([1_000.0, 1_000.0, 1_012.0 - 1_012.0 % grain_l, 1_012.0 - 1_012.0 % grain_l], [(30.0, 1.0)])) == count
    )


@pytest.mark.parametrize(("more_l", "count"), [(9.9, 0), (10.1, 1)])
def test_two_counters_of_a_meter_may_differ_by_half_a_percent(more_l, count):
    """2,000 l moved: 10 l (OIML R 117-1, maximum permissible error of class 0.5)."""
    assert len(told([0.3, 0.3, 2_000.3, 2_000.3], [(9.0, 2_000.0 - more_l)])) == count


def test_in_the_mirror_the_books_outrun_the_totaliser():
    """75 l are booked between hours 6 and 12 that no meter counted; one that stands still is broken."""
    hours, sold = (0.0, 6.0, 12.0, 18.0), [(3.0, 40.0), (9.0, 135.0), (15.0, 50.0)]
    (found,) = found_at([1_000.0, 1_040.0, 1_100.0, 1_150.0], hours, sold, mirrored=True)
    assert (found.start_s, found.end_s, found.litres) == (at_s(6.0), at_s(12.0), pytest.approx(75.0))
    assert found_at([1_000.0] * 4, hours, sold, mirrored=True) == []


def test_at_a_new_site_two_more_readings_bear_litres_out():
    """Nobody knows yet whether its till is late. 75 l between hours 6 and 12, borne out at 18 and 24."""
    hours, total = (0.0, 6.0, 12.0, 18.0, 24.0), [1_000.0, 1_040.0, 1_175.0, 1_225.0, 1_225.0]
    (found,) = found_at(total, hours, SALES, known=False)
    assert (found.end_s, found.waited_s, found.litres) == (at_s(12.0), 12.0 * 3_600.0, pytest.approx(75.0))
    assert found_at(total[:4], hours[:4], SALES, known=False) == []


def test_one_meter_that_comes_level_by_itself_casts_doubt_on_its_whole_till():
    """A late sale of 40 l at the first meter, level again at hour 18; 30 l of the second are then not told at once."""
    hours = np.array([LONG_AGO_H, 0.0, 6.0, 12.0, 18.0, 24.0, 30.0, 36.0])
    late = MeterTotals("M1", at_s(hours), np.where(hours >= 12.0, 140.0, 100.0), flow_of((13.0, 40.0)))
    lost = MeterTotals("M2", at_s(hours), np.where(hours >= 24.0, 130.0, 100.0), flow_of((-400.0, 1.0)))
    waits = {one.end_s: one.waited_s for one in unbooked([late, lost]) if one.meter_id == "M2"}
    assert waits == {at_s(24.0): 12.0 * 3_600.0}
    assert [one.waited_s for one in unbooked([lost])] == [0.0]


@pytest.mark.parametrize(("cents", "more_l", "count"), [(0.0, 13.0, 0), (0.0, 14.0, 1), (0.25, 13.0, 1)])
def test_sales_that_people_write_down_are_rounded(cents, more_l, count):
    """Nine sales of as many sizes between two readings: three SDs of 1.5 l each are 13.5 l; a till's are exact."""
    sizes = [20.0 + size + cents for size in range(9)]
    sales = [(1.0 + 0.5 * place, size) for place, size in enumerate(sizes)]
    assert len(told([1_000.5, 1_000.5 + sum(sizes) + more_l], sales, (0.0, 12.0))) == count
