"""Small draws that repeat. Evidence: litres written by hand, both sides of each edge."""

import numpy as np
import pytest

from pipeline.cases.patterns import pattern_findings, unseen_draws
from tests.support.hand_unit import FIRST_DAY, at_s, gauge_of, move_of, seen_of, unit_of

DAYS = 40
NIGHT_H = 2.0


def tank(drawn_days=(), *, litres: float = 15.0, days: int = DAYS, usual_l: float = 0.0):
    """A tank that sells nothing; on some days so many litres leave at two in the night, within ten minutes.

    `usual_l` leave then every night.
    """
    hours = np.arange(0.0, 24.0 * days, 1 / 12) + 0.01
    gone = np.zeros(len(hours))
    for day in range(days):
        gone += (usual_l + litres * (day in drawn_days)) * np.clip((hours - 24.0 * day - NIGHT_H) * 6.0, 0.0, 1.0)
    return seen_of(unit_of(gauge_of(hours, 1_000.0 - gone / 5.0)))


def draws(*days: float, litres: float = -15.0):
    return [move_of(24.0 * day + NIGHT_H, litres) for day in days]


def found(*days: float, gains=(), data_days: int = DAYS):
    return pattern_findings(tank(days, days=data_days), draws(*days), list(gains))


def test_draws_at_two_each_night_are_a_pattern_of_their_litres():
    (one,) = found(*range(10, 18))
    assert (one.cause, one.tank_id) == ("slow_theft", "T1")
    assert one.litres == pytest.approx(-8 * 15.0)
    assert one.start_s == at_s(10 * 24.0 + NIGHT_H)
    assert one.course.until(at_s([10 * 24.0, 12 * 24.0 + 2.0 + 1 / 6, 30 * 24.0])) == pytest.approx(
        [0.0, -45.0, -120.0]
    )
    # A quarter of it, and one and a half draws; the eight draws' own 2 l are next to nothing.
    assert one.sd_l == pytest.approx(np.sqrt(30.0**2 + 22.5**2 + 8 * 2.0**2))


def test_it_is_raised_with_the_third_draw_at_the_earliest_and_knows_no_later_one():
    (one,) = found(*range(10, 18))
    assert one.day >= FIRST_DAY + 12
    raised = one.day - FIRST_DAY
    (early,) = found(*range(10, raised + 1))
    assert (early.day, early.log_odds) == (one.day, one.log_odds)
    assert found(10, 11) == []


def test_draws_on_two_days_are_no_pattern():
    run = [move_of(24.0 * day + NIGHT_H + 0.5 * number, -15.0) for day in (10, 11) for number in range(4)]
    assert pattern_findings(tank((10, 11)), run, []) == []
    assert len(pattern_findings(tank((10, 11, 12)), [*run, move_of(24.0 * 12 + NIGHT_H, -15.0)], [])) == 1


@pytest.mark.parametrize(("pause", "count"), [(9.9, 1), (10.1, 2)])
def test_a_pattern_that_pauses_for_ten_days_is_over(pause, count):
    days = [*range(12, 18), *(17 + pause + k for k in range(6))]
    assert len(found(*days)) == count


@pytest.mark.parametrize(("data_days", "lasts"), [(27, True), (28, False)])
def test_a_pattern_lasts_until_it_has_not_shown_for_ten_days(data_days, lasts):
    """The last draw is on day 17, over by 02:10."""
    (one,) = found(*range(10, 18), data_days=data_days)
    assert (one.end_s is None) is lasts


def test_a_tank_whose_stock_gains_as_often_by_itself_has_no_pattern():
    gains = [move_of(24.0 * day + 5.0, 15.0 + day % 3) for day in range(10)]
    assert found(*range(10, 15), gains=gains) == []


def test_draws_that_do_not_stand_out_are_counted_by_what_those_hours_lost():
    """Drawn each night from day 12 on, 15 l; of ten nights six stood out: the other four lost as much.

    3 l go then every night, and are no draw's.
    """
    unit = tank(range(12, 22), usual_l=3.0)
    run = draws(12, 13, 15, 17, 19, 21)
    told = unseen_draws(unit, run, float(at_s(24.0 * 22)))
    assert told.litres == pytest.approx([-15.0] * 4, abs=0.01)
    assert (told.at_s - at_s(0.0)) / 86_400.0 == pytest.approx(np.array([14, 16, 18, 20]) + 4.0 / 24.0, abs=0.01)
    assert told.var_l2 == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    "run",
    [draws(3, 4, 6, 8), [move_of(24.0 * 12 + 2.0, -15.0), move_of(24.0 * 13 + 14.0, -15.0), *draws(15, 17)]],
    ids=["too few days before", "no usual hour"],
)
def test_nothing_is_counted_where_there_is_nothing_to_compare_with(run):
    days = [int(move.step.start_s - at_s(0.0)) // 86_400 for move in run]
    told = unseen_draws(tank(range(days[0], 22)), run, float(at_s(24.0 * 22)))
    assert len(told.litres) == 0


def test_a_night_counts_for_two_draws_at_the_most():
    told = unseen_draws(tank(range(12, 22), litres=80.0), draws(12, 13, 15, 17, 19, 21), float(at_s(24.0 * 22)))
    assert told.litres == pytest.approx([-30.0] * 4, abs=0.01)


def test_hours_that_lost_no_more_than_before_lost_nothing():
    run = draws(12, 13, 15, 17, 19, 21)
    told = unseen_draws(tank((12, 13, 15, 17, 19, 21)), run, float(at_s(24.0 * 22)))
    assert told.litres.sum() == pytest.approx(0.0, abs=0.01)
