"""Water below the product. Evidence: worked by hand, both sides of each window."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.water import water_findings
from tests.support.hand_unit import FIRST_DAY, at_s, drop_of, gauge_of, seen_of, site_of, unit_of


def water(height_mm: np.ndarray, *, product: str = "diesel_b7", events=(), drops=()):
    """Findings of a tank whose float stands so high in each four hours."""
    hours = np.arange(0.0, 4.0 * len(height_mm), 1.0)
    series = replace(gauge_of(hours, 1_000.0), water_mm=np.repeat(height_mm, 4).astype(np.float64))
    unit = unit_of(series, product=product, events=events)
    return water_findings(site_of(seen_of(unit, drops=drops), days=len(hours) // 24))


STILL, RISING = np.full(24, 20.0), np.concatenate([np.full(24, 20.0), 20.0 + 4.0 * np.arange(1.0, 13.0)])


def test_water_that_rises_is_litres_that_came_in():
    """4 mm each four hours, two days long: from 20 to 68 mm, 240 l of a tank of 5 l a millimetre."""
    (found,) = water(RISING)
    assert (found.cause, found.tank_id, found.end_s) == ("water_ingress", "T1", None)
    assert found.litres == pytest.approx(240.0)
    assert found.sd_l == pytest.approx(0.06 * 240.0, rel=0.1)
    # Seen with the second point above its ground, hours 100 to 104 of which end day 4.
    assert found.day == FIRST_DAY + 4
    assert found.start_s == pytest.approx(at_s(4.0 * 23 + 1.5))


@pytest.mark.parametrize(("rise_mm", "count"), [(2.4, 0), (2.6, 1)])
def test_a_float_that_moves_by_less_than_two_and_a_half_millimetres_is_left_alone(rise_mm, count):
    assert len(water(np.concatenate([STILL, np.full(12, 20.0 + rise_mm)]))) == count


@pytest.mark.parametrize(("rise_mm", "dropped_l", "count"), [(3.0, 0.0, 1), (3.0, 50_000.0, 0), (3.0, 30_000.0, 1)])
def test_what_drops_may_bring_of_water_is_none_that_comes_in(rise_mm, dropped_l, count):
    """60 parts in a million of 50,000 l are 3 l, 0.6 mm of a tank of 5 l a millimetre: 2.5 and 0.6 are more than 3."""
    drops = [drop_of(20.0, dropped_l)] if dropped_l else []
    assert len(water(np.concatenate([STILL, np.full(12, 20.0 + rise_mm)]), drops=drops)) == count
    assert len(water(np.concatenate([STILL, np.full(12, 20.0 + rise_mm + 1.0)]), drops=drops)) == 1


@pytest.mark.parametrize(("kind", "count"), [("probe_replaced", 0), ("chart_replaced", 0), ("alarm", 1)])
def test_another_probe_or_a_relined_tank_has_another_ground(kind, count):
    """The float stands 5 mm higher from hour 96 on; so it did at an event of hour 95, and no water came."""
    assert len(water(np.concatenate([STILL, np.full(24, 25.0)]), events=[(kind, 95.0)])) == count
    later = np.concatenate([STILL, np.full(24, 25.0), np.full(12, 35.0)])
    assert len(water(later, events=[(kind, 95.0)])) == 1


@pytest.mark.parametrize(
    ("shown_mm", "count"), [((6.0, 8.0), 0), ((6.0, 9.0), 1), ((14.0, 14.0), 1), ((12.0, 12.0), 0)]
)
def test_a_float_that_shows_nothing_below_its_own_height_is_not_raised_by_that(shown_mm, count):
    """None for four days, then two days at each of two heights: the first it shows, or 10 mm, may have been there."""
    first, then = shown_mm
    assert len(water(np.concatenate([np.zeros(24), np.full(12, first), np.full(12, then)]))) == count


def test_water_in_a_blend_splits_it():
    (found,) = water(RISING, product="gasoline_e10")
    assert (found.cause, found.litres) == ("phase_separation", None)


def test_water_that_vanishes_was_taken_up_by_a_blend_or_pumped_out():
    """20 mm are gone from one day to the next: in diesel nothing, in a blend a split unless they were drawn off."""
    gone = np.concatenate([STILL, np.zeros(12)])
    assert water(gone) == []
    assert [one.cause for one in water(gone, product="gasoline_e10")] == ["phase_separation"]
    assert water(gone, product="gasoline_e10", events=[("water_removed", 95.0)]) == []


def test_a_still_float_and_too_few_points_say_nothing():
    assert water(STILL) == []
    assert water(RISING[18:29]) == []
