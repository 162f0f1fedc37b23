"""A tank's own gauge by the day. Evidence: worked by hand, both sides of each boundary."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.trading_days import TradingDays
from pipeline.scoring.member_days import change_since_known, member_days
from tests.support.hand_site import at
from tests.support.hand_unit import at_s, gauge_of, seen_of, unit_of

DAYS = TradingDays((at(0.0).date(), at(24.0).date(), at(48.0).date()), at_s([0.0, 24.0, 48.0, 72.0]))
HOURS = np.array([1.0, 12.0, 23.9, 24.0, 36.0, 40.0])


def told(**values):
    series = replace(gauge_of(HOURS, 1_000.0), **{name: np.array(value, float) for name, value in values.items()})
    return member_days(DAYS, seen_of(unit_of(series)))["T1"]


def test_water_is_the_day_s_last_and_temperature_its_median():
    """A reading at midnight is the new day's; a day without one says nothing."""
    day = told(water_mm=[3, 5, np.nan, 7, np.nan, 6], temp_c=[10, 20, 12, 30, 31, np.nan])
    assert day.water_mm == pytest.approx([5.0, 6.0, np.nan], nan_ok=True)
    assert day.temp_c == pytest.approx([12.0, 30.5, np.nan], nan_ok=True)


def test_density_is_brought_to_15_degrees():
    """Diesel of 833 kg/m³ at 25 °C has 840 at 15: 0.7 a kelvin (ASTM D1250)."""
    day = told(density_kg_m3=[833.0] * 3 + [847.0] * 3, temp_c=[25.0] * 3 + [5.0] * 3)
    assert day.density_15_kg_m3[:2] == pytest.approx([840.0, 840.0], abs=0.3)
    assert np.isnan(day.density_15_kg_m3[2])


def test_a_change_is_since_the_last_that_was_known():
    np.testing.assert_allclose(change_since_known(np.array([5.0, np.nan, 3.0, 4.0])), [np.nan, np.nan, -2.0, 1.0])
