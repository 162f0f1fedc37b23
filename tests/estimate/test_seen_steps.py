"""A unit's sudden moves, each with the day that first sees it. Evidence: known truth, and that no day looks ahead."""

import numpy as np
import pytest

from pipeline.estimate.seen_steps import steps_of
from pipeline.ledger.gauge import kept
from pipeline.ledger.moves import moves_of
from tests.support.hand_unit import FIRST_DAY, at_s, gauge_of

DAYS = 6
HOURS = np.arange(0.0, 24.0 * DAYS, 1 / 12) + 0.005
NOISE_MM = np.random.default_rng(11).normal(0.0, 0.15, len(HOURS))


def told(
    *moved: tuple[float, float],
    step_mm: float = 0.0,
    until_h: float = 24.0 * DAYS,
    cooling_mm_per_h: float = 0.0,
    hidden_mm: float | None = None,
):
    """Days and litres of the moves (hour, litres) of a tank that sells nothing."""
    level = 1_000.0 + NOISE_MM - cooling_mm_per_h * HOURS + sum(litres / 5.0 * (hour < HOURS) for hour, litres in moved)
    level = np.round(level / step_mm) * step_mm if step_mm else level
    series = gauge_of(HOURS, level)
    series = kept(series, series.ts_s < at_s(until_h))
    hidden = dict.fromkeys(range(FIRST_DAY, FIRST_DAY + DAYS), hidden_mm or step_mm or 0.01)
    found = steps_of(moves_of(series, [], [], []), hidden, {}, series)
    return [(day - FIRST_DAY, step.litres) for day, step in found]


@pytest.mark.parametrize("litres", [-150.0, 150.0])
def test_a_move_is_seen_on_its_day_with_its_litres(litres):
    ((day, told_l),) = told((80.0, litres))
    assert (day, told_l) == (3, pytest.approx(litres, abs=5.0))


@pytest.mark.parametrize(("hour", "day"), [(94.5, 3), (95.6, 4)])
def test_the_last_half_hour_is_the_next_day_s_to_see(hour, day):
    assert [one for one, _ in told((hour, -150.0))] == [day]


def test_several_moves_are_each_told_and_taken_out():
    found = told((80.0, -150.0), (86.0, 90.0), (110.0, -60.0))
    assert [day for day, _ in found] == [3, 3, 4]
    assert [litres for _, litres in found] == pytest.approx([-150.0, 90.0, -60.0], abs=5.0)


def test_a_later_day_changes_nothing_that_was_seen():
    moved = ((80.0, -150.0), (110.0, -60.0))
    cut = told(*moved, until_h=96.0)
    assert cut == [one for one in told(*moved) if one[0] <= 3]
    assert len(cut) == 1


@pytest.mark.parametrize(("litres", "count"), [(0.0, 0), (-25.0, 0), (-90.0, 1)])
def test_a_move_of_less_than_two_and_a_half_of_a_coarse_gauge_s_steps_is_none(litres, count):
    """Steps of 4 mm are 20 l: 50 l are the least. A tank that cools by 0.3 mm an hour shows it in such steps."""
    assert len(told((80.0, litres), step_mm=4.0, cooling_mm_per_h=0.3)) == count


@pytest.mark.parametrize(("hidden_mm", "count"), [(3.9, 1), (4.1, 0)])
def test_what_the_reporting_hides_is_the_smallest_change_however_fine_the_levels(hidden_mm, count):
    """A tank of 5 l a millimetre that moves by 50 l, 10 mm, is told of by a gauge that hides less than 4 mm."""
    assert len(told((80.0, -50.0), hidden_mm=hidden_mm)) == count


def test_a_gauge_that_stood_still_for_good_has_no_moves():
    empty = gauge_of(np.empty(0), 0.0)
    assert steps_of(moves_of(empty, [], [], []), {FIRST_DAY: 0.1}, {}, empty) == []
