"""Totaliser against sales. Evidence: by hand, both sides of each edge."""

import numpy as np
import pytest

from pipeline.features.totals import unbooked
from tests.support.hand_unit import at_s, flow_of


def told(total_l, sales, hours=(0.0, 6.0, 12.0, 18.0)):
    found = unbooked("M1", at_s(np.array(hours)), np.array(total_l, float), flow_of(*sales))
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
