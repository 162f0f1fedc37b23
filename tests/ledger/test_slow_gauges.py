"""Levels as a gauge that is read hourly, or once a day, shows them. Evidence: truth by construction."""

import numpy as np
import polars as pl
import pytest

from pipeline.ledger.drops import Drop, find_drops, without_stamps
from pipeline.ledger.gauge import gauge_series, strapping_of
from pipeline.ledger.movements import MeterFlow, ordered_flow, whole_sales_l
from tests.support.hand_unit import L_PER_MM, at, at_s, gauge_of

HOURS = np.arange(0.0, 48.0, 1.0)
SALES_L_PER_H = 250.0
DROP_L = 3_000.0


def hourly(level_mm):
    return gauge_of(HOURS, level_mm, nominal_s=3_600.0)


def found_drops(begins_h, lasts_h):
    """Drops in the levels of a tank that sells 250 l an hour and takes 3,000 l from an hour on."""
    came = DROP_L * np.clip((HOURS - begins_h) / lasts_h, 0.0, 1.0)
    sold = SALES_L_PER_H * HOURS
    return find_drops(hourly((20_000.0 + came - sold) / L_PER_MM), sold)


@pytest.mark.parametrize("before_l", [100.0, 500.0, 1_500.0, 2_500.0, 2_900.0])
def test_a_reading_in_the_midst_of_a_drop_takes_nothing_off_it(before_l):
    """At hour 20 so much of it is in; between hours 19 and 20 sales hide a part of that."""
    lasts_h = 0.2
    (drop,) = found_drops(20.0 - lasts_h * before_l / DROP_L, lasts_h)
    assert drop.gain_l == pytest.approx(DROP_L)
    assert (drop.start_s, drop.end_s) == (at_s(19.0), at_s(21.0))


def test_a_drop_between_two_readings_begins_and_ends_with_them():
    (drop,) = found_drops(20.3, 0.2)
    assert drop.gain_l == pytest.approx(DROP_L)
    assert (drop.start_s, drop.end_s) == (at_s(20.0), at_s(21.0))


def test_sales_that_hide_a_drop_of_their_own_size_do_not_hide_it():
    """500 l come within an hour that sells 250 and raise the level by half of that alone."""
    came = 500.0 * (HOURS > 20.0)
    sold = SALES_L_PER_H * HOURS
    (drop,) = find_drops(hourly((20_000.0 + came - sold) / L_PER_MM), sold)
    assert drop.gain_l == pytest.approx(500.0)


def test_a_gauge_read_once_a_day_shows_each_day_s_drops_by_themselves():
    """9,000 l come on each of twenty days and 8,900 l are sold: no drop of 180,000 l."""
    days = 24.0 * np.arange(21.0)
    came, sold = 9_000.0 * np.arange(21.0), 8_900.0 * np.arange(21.0)
    drops = find_drops(gauge_of(days, (5_000.0 + came - sold) / L_PER_MM, nominal_s=86_400.0), sold)
    assert [drop.gain_l for drop in drops] == pytest.approx([9_000.0] * 20)


@pytest.mark.parametrize(("apart_h", "count"), [(2.0, 2), (1.0, 1)])
def test_hourly_drops_with_an_hour_between_them_are_two(apart_h, count):
    """From hours 20.2 and 22.2 on, or 21.2: where a reading shows no rise between them, there is a pause of an hour."""
    came = sum(DROP_L * np.clip((HOURS - begins) / 0.3, 0.0, 1.0) for begins in (20.2, 20.2 + apart_h))
    sold = SALES_L_PER_H * HOURS
    drops = find_drops(hourly((20_000.0 + came - sold) / L_PER_MM), sold)
    assert [drop.gain_l for drop in drops] == pytest.approx([2.0 * DROP_L / count] * count)


@pytest.mark.parametrize(("every_h", "kept"), [(0.25, 8), (2.0, 9)])
def test_a_level_that_hops_and_comes_back_is_no_level_within_an_hour_alone(every_h, kept):
    """30 mm down and up again: within half an hour a spike, within four hours sales and a drop."""
    hours = every_h * np.arange(9.0)
    level = np.where(np.arange(9) == 4, 970.0, 1_000.0)
    rows = pl.DataFrame({"ts": [at(hour) for hour in hours], "level_mm": level}).with_columns(
        pl.lit(None, pl.Float64).alias(name) for name in ("water_mm", "temp_c", "density_kg_m3")
    )
    chart = pl.DataFrame({"valid_from": [at(0.0)] * 2, "level_mm": [0.0, 2_000.0], "volume_l": [0.0, 10_000.0]})
    assert len(gauge_series(rows.with_columns(quality=pl.lit("good")), strapping_of(chart))) == kept


def stamped(hour: float, litres: float = 500.0) -> MeterFlow:
    return ordered_flow("M1", at_s(np.array([hour])), at_s(np.array([hour])), np.array([litres]))


@pytest.mark.parametrize(("hour", "count"), [(19.9, 0), (20.2, 0), (20.5, 1)])
def test_a_sale_stamped_near_a_slow_reading_is_no_drop(hour, count):
    """500 l seem to come between hours 20 and 21; a sale of as much near either may lie on its other side."""
    drop = Drop(float(at_s(20.0)), float(at_s(21.0)), 500.0, 8.0)
    series = hourly(1_000.0 + 0.0 * HOURS)
    assert len(without_stamps([drop], series, [stamped(hour)])) == count
    assert without_stamps([drop], series, [stamped(hour, 150.0)]) == [drop]
    assert without_stamps([drop], gauge_of(HOURS, 1_000.0, nominal_s=60.0), [stamped(hour)]) == [drop]


def test_a_sale_of_one_instant_is_whole_where_it_is_a_quarter_of_an_hour_from_both_ends():
    """What a gauge should have shown between hours 20 and 21 of sales that were written at one instant."""
    since, until = float(at_s(20.0)), at_s(np.array([21.0]))
    whole = [whole_sales_l([stamped(hour)], since, until)[0] for hour in (19.9, 20.2, 20.3, 20.7, 20.8)]
    assert whole == [0.0, 0.0, 500.0, 500.0, 0.0]
    timed = ordered_flow("M1", at_s(np.array([20.05])), at_s(np.array([20.1])), np.array([30.0]))
    assert whole_sales_l([timed], since, until)[0] == 30.0
