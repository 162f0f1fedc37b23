"""A move against what a tank's stock does by itself. Evidence: worked by hand, both sides of each edge."""

import numpy as np
import pytest

from pipeline.cases.usual_moves import UsualMoves, usual_moves
from tests.support.hand_unit import FIRST_DAY, at_s, flow_of, gauge_of, move_of, seen_of, unit_of

FLAT = np.full(24, 1.0 / 24.0)
QUIET = UsualMoves(gains=1.0, days=20.0, scale=1.0, hours=FLAT)


@pytest.mark.parametrize("litres", [-20.0, 20.0])
def test_a_move_s_size_is_a_draw_s_of_some_order_or_the_null_s_tail(litres):
    """20 l with an SD of 2: z = 10. Drawn: 1 ÷ (10 ln(140/3)). By itself: (1 + 0.2 · 4.5)^−6 beyond 5.5."""
    told = QUIET.size_log_bayes(move_of(12.0, litres), 3.0, 140.0)
    assert told == pytest.approx(-np.log(10.0 * np.log(140.0 / 3.0)) + 6.0 * np.log(1.9))


def test_a_move_that_its_sales_have_taken_below_the_threshold_counts_as_at_it():
    """z = 3 where 5.5 are found: it is taken as 5.5, and its SD as a 5.5th of its litres."""
    told = QUIET.size_log_bayes(move_of(12.0, -6.0), 3.0, 140.0)
    assert told == pytest.approx(-np.log(5.5 * np.log(140.0 / 3.0)))


def test_a_tank_with_wide_moves_of_its_own_says_less():
    """A scale of 3 SDs: density (1/3)(1 + 0.2 · 4.5/3)^−6."""
    wide = UsualMoves(1.0, 20.0, 3.0, FLAT)
    told = wide.size_log_bayes(move_of(12.0, -20.0), 3.0, 140.0)
    assert told == pytest.approx(-np.log(10.0 * np.log(140.0 / 3.0)) + np.log(3.0) + 6.0 * np.log(1.3))


def test_one_draw_is_weighed_by_how_often_a_move_comes_by_itself():
    """One gain in twenty days: a day's move is twenty times as rare."""
    one = move_of(12.0, -200.0)
    assert QUIET.single_log_bayes(one) == pytest.approx(QUIET.size_log_bayes(one, 3.0, 10_000.0) + np.log(20.0))


def test_draws_that_follow_each_other_are_weighed_by_count_size_and_hour():
    """Three draws of 20 l at two in the night, in four days.

    Two more in four days: by one in two days (1/3)(2/3)², by one in twenty (20/24)(4/24)². Sizes each. Hours: nine
    tenths in a window of three hours, or flat; half of the patterns keep to one. All lie in it for the windows about
    00:30 to 03:30, seven of 48.
    """
    draws = [move_of(24.0 * day + 2.0, -20.0) for day in (0, 2, 4)]
    often = np.log((1 / 3) * (2 / 3) ** 2) - np.log((20 / 24) * (4 / 24) ** 2)
    sizes = 3.0 * QUIET.size_log_bayes(draws[0], 3.0, 140.0)
    inside, outside = 0.9 / 3.0 * 24.0 + 0.1, 0.1
    hours = (7 * inside**3 + 41 * outside**3) / 48.0
    assert QUIET.pattern_log_bayes(draws) == pytest.approx(often + sizes + np.log((1.0 + hours) / 2.0))


def test_the_null_is_what_the_tank_has_shown_up_to_a_move():
    """Gains: two known by then with z = 7.5 and 9.5; one seen later, one that ends later."""
    sold = flow_of((10.5, 300.0), (34.2, 100.0), (99.9, 9.0))
    unit = seen_of(unit_of(gauge_of(np.arange(0.0, 240.0, 1.0), 1_000.0)), flows=[sold])
    later = [move_of(21.0, 40.0, day=FIRST_DAY + 9), move_of(50.0, 40.0, day=FIRST_DAY)]
    gains = [move_of(20.0, 15.0), move_of(30.0, 19.0), *later]
    told = usual_moves(unit, gains, FIRST_DAY + 2, float(at_s(48.0)))
    assert told.gains == 1.0 + 2
    assert told.days == pytest.approx(10.0 + 2.0)
    assert told.scale == pytest.approx((3.0 * 1.0 + 2.0 + 4.0) / 5.0)
    # Three quarters of 400 l were sold between ten and eleven, the rest as well: half flat, half by that.
    assert told.hours[10] == pytest.approx(0.5 / 24.0 + 0.5)
    assert told.hours[3] == pytest.approx(0.5 / 24.0)
    assert told.hours.sum() == pytest.approx(1.0)
