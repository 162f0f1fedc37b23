"""Loads of road tankers whose stamps are minutes off. Evidence: truth by construction, both ways."""

import numpy as np
import pytest

from pipeline.ledger.loads import REACH_S, Span, with_loads_set
from pipeline.ledger.movements import cumulative_l
from tests.support.hand_unit import at_s, flow_of, gauge_of

HOURS = np.arange(0.0, 24.0, 30.0 / 3_600.0)
LITRES, MINUTES = 9_000.0, 12.0
DRAWN_H = (7.0, 9.5, 13.0)
NO_DROPS = np.empty((0, 2))


def seen(drawn, *, came=0.0, noise_l: float = 5.0):
    stock = 60_000.0 - cumulative_l(drawn, at_s(HOURS)) + came
    return gauge_of(HOURS, (stock + np.random.default_rng(4).normal(0.0, noise_l, len(HOURS))) / 5.0, nominal_s=30.0)


def loads(late_min=(0.0, 0.0, 0.0), *, litres: float = LITRES, minutes: float = MINUTES):
    ends = [hour + late / 60.0 for hour, late in zip(DRAWN_H, late_min, strict=True)]
    return flow_of(*((end, litres) for end in ends), minutes=minutes)


def day(*, drops=NO_DROPS, until_h: float = 24.0, is_timed: bool = True) -> list[Span]:
    return [Span(float(at_s(0.0)), float(at_s(until_h)), np.asarray(drops, dtype=float).reshape(-1, 2), is_timed)]


@pytest.mark.parametrize("late_min", [(3.0, 8.0, 5.0), (-4.0, 2.0, -9.0), (12.0, 15.0, 1.0)])
def test_each_load_goes_where_the_level_fell(late_min):
    (put,) = with_loads_set(seen(loads()), [loads(late_min)], day())
    assert put.end_s == pytest.approx(at_s(DRAWN_H), abs=20.0)
    assert put.end_s - put.start_s == pytest.approx(60.0 * MINUTES)
    assert put.volume_l.tolist() == [LITRES] * 3


def test_loads_that_are_stamped_right_or_too_far_off_stay():
    for late_min in ((0.0, 0.0, 0.0), (0.1, -0.1, 0.1), (45.0, 50.0, 60.0)):
        (put,) = with_loads_set(seen(loads()), [loads(late_min)], day())
        assert np.array_equal(put.end_s, loads(late_min).end_s)


@pytest.mark.parametrize(("litres", "is_moved"), [(1_400.0, False), (1_600.0, True)])
def test_what_a_truck_takes_is_not_looked_for(litres, is_moved):
    drawn = loads(litres=litres)
    (put,) = with_loads_set(seen(drawn), [loads((6.0, 6.0, 6.0), litres=litres)], day())
    assert bool(np.abs(put.end_s - drawn.end_s).max() < 20.0) is is_moved


def test_a_load_at_the_end_of_what_a_day_knows_stays():
    """The last one ends so near to it that what the next day reads would tell its place."""
    late = loads((6.0, 6.0, 6.0))
    (put,) = with_loads_set(seen(loads()), [late], day(until_h=DRAWN_H[-1] + 0.1 + REACH_S / 3_600.0 - 0.01))
    assert put.end_s[:2] == pytest.approx(at_s(DRAWN_H[:2]), abs=20.0)
    assert put.end_s[2] == late.end_s[2]


def test_two_arms_that_load_at_once_are_told_from_each_other():
    first, second = loads(), flow_of((7.05, 15_000.0), minutes=20.0, meter="M2")
    both = 60_000.0 - cumulative_l(first, at_s(HOURS)) - cumulative_l(second, at_s(HOURS))
    gauge = gauge_of(HOURS, both / 5.0, nominal_s=30.0)
    late = [loads((6.0, 0.0, 0.0)), flow_of((7.05 + 4.0 / 60.0, 15_000.0), minutes=20.0, meter="M2")]
    put = with_loads_set(gauge, late, day())
    assert put[0].end_s == pytest.approx(first.end_s, abs=45.0)
    assert put[1].end_s == pytest.approx(second.end_s, abs=45.0)


def test_a_drop_that_goes_on_meanwhile_comes_at_one_pace():
    """12,000 l come from 6.8 to 7.3 h while the first load of 9,000 l leaves."""
    came = 12_000.0 * np.clip((HOURS - 6.8) / 0.5, 0.0, 1.0)
    drop = [(float(at_s(6.8)), float(at_s(7.3)))]
    (put,) = with_loads_set(seen(loads(), came=came), [loads((5.0, 5.0, 5.0))], day(drops=drop))
    assert put.end_s == pytest.approx(at_s(DRAWN_H), abs=45.0)


def test_how_long_it_took_is_asked_only_where_the_till_did_not_know():
    """Drawn at 750 l/min in 12 minutes; written as of three."""
    short = loads((4.0, 4.0, 4.0), minutes=3.0)
    (asked,) = with_loads_set(seen(loads()), [short], day(is_timed=False))
    (known,) = with_loads_set(seen(loads()), [short], day())
    assert asked.end_s - asked.start_s == pytest.approx(60.0 * LITRES / 800.0 * np.ones(3))
    assert known.end_s - known.start_s == pytest.approx(180.0 * np.ones(3))
