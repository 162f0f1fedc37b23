"""Which ticket belongs to which drop, where litres and hours tell nothing. Truth by construction."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.ledger.drop_tickets import Tickets, match_tickets
from pipeline.ledger.drops import Drop

HOUR_S = 3_600.0
WARM = Drop(0.0, 1_500.0, 20_050.0, 900.0, came_c=25.2, came_sd_k=1.0)
COLD = Drop(11.3 * HOUR_S, 11.7 * HOUR_S, 20_100.0, 900.0, came_c=11.0, came_sd_k=0.8)
WRITTEN_S = np.array([6.5, 7.2]) * HOUR_S
SAME_L = np.array([20_007.0, 20_000.0])


def given(temp_c: list[float], drops: tuple[Drop, ...] = (WARM, COLD)) -> list[tuple[int, ...]]:
    """The tickets that each drop gets."""
    tickets = Tickets(WRITTEN_S, SAME_L, np.array(temp_c))
    return [drop.tickets for drop in match_tickets(list(drops), tickets)]


@pytest.mark.parametrize(
    ("temp_c", "tickets"),
    [([10.4, np.nan], [(1,), (0,)]), ([25.0, np.nan], [(0,), (1,)]), ([11.5, 24.0], [(1,), (0,)])],
)
def test_a_warm_drop_does_not_get_a_cold_load_s_ticket(temp_c, tickets):
    assert given(temp_c) == tickets


def test_without_temperatures_the_hours_tell():
    assert given([np.nan, np.nan]) == [(0,), (1,)]
    unknown = [replace(drop, came_c=np.nan, came_sd_k=np.nan) for drop in (WARM, COLD)]
    assert given([10.4, 25.0], tuple(unknown)) == [(0,), (1,)]


def test_two_loads_in_one_gap_of_the_readings_both_belong_to_its_rise():
    """The sales meanwhile are 4 % off, so the sum misses by more than tickets do: yet one load alone misses by half."""
    rise = Drop(0.0, 38.0 * HOUR_S, 41_800.0, 20.0)
    tickets = Tickets(np.array([5.0, 30.0]) * HOUR_S, np.array([19_999.0, 20_001.0]), np.full(2, np.nan))
    assert match_tickets([rise], tickets)[0].tickets == (0, 1)


@pytest.mark.parametrize("first_h", [-2.8, 3.0])
def test_a_rise_of_two_loads_leaves_the_next_drop_its_ticket(first_h):
    """A gap of 42 h with two loads, and one more drop two hours later, whose ticket was written just after the gap.

    That ticket is nearer to the gap than the first load's, and fits it as well: but then the drop would go without.
    """
    gap, after = Drop(0.0, 42.0 * HOUR_S, 40_028.0, 20.0), Drop(44.3 * HOUR_S, 44.7 * HOUR_S, 19_885.0, 900.0)
    tickets = Tickets(
        np.array([first_h, 29.0, 42.4]) * HOUR_S, np.array([20_001.0, 20_011.0, 20_002.0]), np.full(3, np.nan)
    )
    assert [drop.tickets for drop in match_tickets([gap, after], tickets)] == [(0, 1), (2,)]


@pytest.mark.parametrize(
    ("hours", "is_its"), [(-23.9, True), (-24.1, False), (12.0, True), (24.0, True), (35.9, True), (36.6, False)]
)
def test_a_ticket_is_written_from_a_day_before_to_a_day_and_a_half_after(hours, is_its):
    """Hours from the drop's beginning before it, from its end 25 minutes later after it; another drop's is far away."""
    written_s = np.array([hours * HOUR_S + (WARM.end_s if hours > 0.0 else 0.0)])
    tickets = Tickets(written_s, np.array([20_000.0]), np.full(1, np.nan))
    assert match_tickets([WARM], tickets)[0].tickets == ((0,) if is_its else ())


def test_compartments_of_one_load_belong_to_one_drop():
    """They miss its litres by 6 %, as sales of a hose booked elsewhere make it: written at one instant both are its."""
    drop = Drop(0.0, 1_500.0, 20_600.0, 900.0)
    for apart_h, belong in ((0.0, (0, 1)), (1.0, (0,))):
        written_s = np.array([-1.0, -1.0 - apart_h]) * HOUR_S
        tickets = Tickets(written_s, np.array([13_400.0, 8_620.0]), np.full(2, np.nan))
        assert match_tickets([drop], tickets)[0].tickets == belong


def test_a_truck_s_compartments_may_each_have_a_ticket():
    """Five of them, written within an hour; the sixth, of the next truck, is not theirs."""
    drop = Drop(0.0, 3_000.0, 31_950.0, 900.0)
    written_s = np.array([0.0, 0.4, 0.6, 0.7, 0.9, 9.0]) * HOUR_S
    litres = np.array([7_003.0, 8_005.0, 5_983.0, 4_994.0, 5_983.0, 6_100.0])
    assert match_tickets([drop], Tickets(written_s, litres, np.full(6, np.nan)))[0].tickets == (0, 1, 2, 3, 4)


@pytest.mark.parametrize(("before", "after", "ticket"), [(0, 0, 1), (30, 0, 0), (0, 30, 1)])
def test_a_ticket_is_sought_on_the_side_of_its_drop_on_which_they_are_written(before, after, ticket):
    """One of five hours before and one of three after fit alike: the nearer, but where none was ever written after."""
    drop = Drop(0.0, 1_500.0, 20_000.0, 900.0)
    tickets = Tickets(np.array([-5.0, 3.4]) * HOUR_S, np.full(2, 20_000.0), np.full(2, np.nan), before, after)
    assert match_tickets([drop], tickets)[0].tickets == (ticket,)


def test_the_habit_is_told_by_the_drops_so_far():
    tickets = Tickets(np.array([-1.0, 0.2, 5.0]) * HOUR_S, np.full(3, 9_000.0), np.full(3, np.nan))
    drops = [replace(WARM, tickets=(row,)) for row in range(3)]
    habit = tickets.of_habit(drops)
    assert (habit.before, habit.after) == (2, 1)
    assert (habit.some([1]).before, habit.some([1]).litres.tolist()) == (2, [9_000.0])
