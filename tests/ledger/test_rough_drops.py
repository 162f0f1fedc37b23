"""Drops that a rough surface, a fast load, a first fill or a meter test make hard to see. Truth by construction."""

import numpy as np
import polars as pl
import pytest

from pipeline.ledger.drops import Drop, find_drops, without_returns
from pipeline.ledger.gauge import gauge_series, strapping_of
from pipeline.ledger.movements import cumulative_l
from tests.support.hand_unit import L_PER_MM, at, at_s, flow_of, gauge_of

DROP_L = 9_000.0


def came(hours, *, begins_h: float = 6.0, l_per_min: float = 300.0, litres: float = DROP_L) -> np.ndarray:
    return np.clip((hours - begins_h) * 60.0 * l_per_min, 0.0, litres)


def read_each(seconds: float, until_h: float = 12.0) -> np.ndarray:
    return np.arange(0.0, until_h, seconds / 3_600.0)


@pytest.mark.parametrize(("seconds", "scatter_mm"), [(5.0, 20.0), (10.0, 30.0), (15.0, 45.0)])
def test_a_surface_that_is_rough_while_product_falls_in_hides_no_drop(seconds, scatter_mm):
    """Readings some seconds apart that scatter then: each pair alone shows thousands of litres a minute."""
    hours = read_each(seconds)
    stock = 4_000.0 + came(hours)
    is_filling = (stock > 4_000.0) & (stock < 4_000.0 + DROP_L)
    rough_mm = np.where(is_filling, np.random.default_rng(3).normal(0.0, scatter_mm, len(hours)), 0.0)
    gauge = gauge_of(hours, stock / L_PER_MM + rough_mm, nominal_s=seconds)
    pairs = np.abs(np.diff(gauge.gauge_l)) * 60.0 / seconds
    (drop,) = find_drops(gauge, np.zeros(len(hours)))
    assert pairs.max() > 2_000.0
    assert drop.gain_l == pytest.approx(DROP_L, rel=0.01)
    assert drop.rate_l_per_min < 2_000.0


@pytest.mark.parametrize(("seconds", "litres"), [(10.0, 2_400.0), (10.0, 6_000.0), (60.0, 2_400.0)])
def test_what_rises_from_one_reading_to_the_next_is_no_drop(seconds, litres):
    hours = read_each(seconds)
    gauge = gauge_of(hours, (4_000.0 + litres * (hours > 6.0)) / L_PER_MM, nominal_s=seconds)
    assert find_drops(gauge, np.zeros(len(hours))) == []


@pytest.mark.parametrize("load_h", [5.95, 6.0, 6.1, 6.3])
def test_a_load_that_is_faster_than_a_drop_hides_none_of_it(load_h):
    """9,000 l come in half an hour; a load of 9,000 l leaves twice as fast over its beginning, its midst or its end."""
    hours = read_each(30.0)
    load = flow_of((load_h + 15.0 / 60.0, 9_000.0), minutes=15.0)
    sold = cumulative_l(load, at_s(hours))
    gauge = gauge_of(hours, (15_000.0 + came(hours) - sold) / L_PER_MM, nominal_s=30.0)
    (drop,) = find_drops(gauge, sold)
    assert drop.gain_l == pytest.approx(DROP_L, rel=0.02)


def test_a_car_s_sale_beside_a_drop_makes_it_no_longer():
    hours = read_each(30.0)
    sale = flow_of((5.99, 60.0), minutes=2.0)
    sold = cumulative_l(sale, at_s(hours))
    (drop,) = find_drops(gauge_of(hours, (4_000.0 + came(hours) - sold) / L_PER_MM, nominal_s=30.0), sold)
    assert drop.start_s >= at_s(6.0) - 60.0
    assert drop.gain_l == pytest.approx(DROP_L, rel=0.01)


@pytest.mark.parametrize(
    ("rose_l", "after_h", "is_drop"),
    [(980.0, 0.1, False), (1_090.0, 0.1, False), (1_200.0, 0.1, True), (980.0, 0.4, False), (980.0, 0.45, True)],
)
def test_what_was_drawn_for_a_test_and_poured_back_is_no_drop(rose_l, after_h, is_drop):
    """1,000 l returned: no more than a tenth above that, within 25 minutes."""
    test = flow_of((6.0, 1_000.0), minutes=2.0)
    start = float(at_s(6.0 + after_h))
    rise = Drop(start, start + 120.0, rose_l, 500.0)
    assert bool(without_returns([rise], [test])) is is_drop


def series_of(levels_mm, *, seconds: float = 60.0):
    """The usable readings of a tank whose chart begins at its bottom."""
    hours = seconds / 3_600.0 * np.arange(len(levels_mm))
    rows = pl.DataFrame(
        {"tank_id": "T1", "ts": [at(float(hour)) for hour in hours], "level_mm": levels_mm, "quality": "good"}
    ).with_columns(pl.lit(None, pl.Float64).alias(name) for name in ("water_mm", "temp_c", "density_kg_m3"))
    chart = pl.DataFrame({"tank_id": "T1", "valid_from": at(-1.0), "level_mm": [0.0, 2_000.0], "volume_l": [0.0, 1e4]})
    return gauge_series(rows, strapping_of(chart))


def test_the_first_fill_of_an_empty_tank_begins_with_nothing_in_it():
    """800 l are in when the float first leaves the bottom: a minute after a reading that showed none."""
    first = series_of([0.0] * 60 + [160.0 * (minute + 1) for minute in range(10)] + [1_600.0] * 120)
    (drop,) = find_drops(first, np.zeros(len(first)))
    assert first.gauge_l[0] == pytest.approx(0.0, abs=L_PER_MM)
    assert drop.gain_l == pytest.approx(8_000.0, rel=0.01)


def test_a_probe_that_is_switched_on_in_a_full_tank_showed_no_empty_one_before():
    assert series_of([0.0] * 60 + [1_600.0] * 120).gauge_l.min() == pytest.approx(8_000.0)
    assert len(series_of([900.0] * 20 + [0.0] * 60 + [910.0] * 20)) == 40


@pytest.mark.parametrize("levels", [[], [0.0] * 20, [None] * 20])
def test_a_tank_that_never_showed_product_has_no_readings(levels):
    assert len(series_of(levels)) == 0


@pytest.mark.parametrize(("hop_mm", "is_left"), [(400.0, False), (15.0, True)])
def test_a_hop_straight_back_is_no_level_however_long_the_value_before_it_stood(hop_mm, is_left):
    """A gauge that reports changes alone: the value before the hop stands for two hours, the next one comes at once."""
    hours = np.array([0.0, 0.1, 2.1, 2.1 + 30 / 3_600, 2.5, 2.6])
    level = np.array([1_010.0, 1_000.0, 1_000.0 - hop_mm, 1_000.0, 998.0, 996.0])
    rows = pl.DataFrame(
        {"tank_id": "T1", "ts": [at(float(hour)) for hour in hours], "level_mm": level, "quality": "good"}
    ).with_columns(pl.lit(None, pl.Float64).alias(name) for name in ("water_mm", "temp_c", "density_kg_m3"))
    chart = pl.DataFrame({"tank_id": "T1", "valid_from": at(-1.0), "level_mm": [0.0, 2_000.0], "volume_l": [0.0, 1e4]})
    assert ((1_000.0 - hop_mm) in gauge_series(rows, strapping_of(chart)).level_mm) is is_left
