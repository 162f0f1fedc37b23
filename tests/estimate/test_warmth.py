"""What temperature does to a balance, in the tank and at the meters. Evidence: known truth by construction, by hand."""

import numpy as np
import pytest

from pipeline.estimate.warmth import BEHIND_H, by_the_hour, thermometer_columns

HOURS = 0.5 * np.arange(96)
PETROL_PER_K = 0.00124
"""Expansion of petrol at 15 °C. From memory: 0.0012 to 0.00125."""


def test_a_thermometer_that_is_late_is_off_by_its_delay_times_the_rate():
    """A steady warming of 0.06 K/h; a drop half way brings a change that is no rate."""
    temp, jump = 12.0 + 0.06 * HOURS, np.zeros(96)
    temp[48:] -= 5.0
    jump[48] = 9.0
    rate = thermometer_columns(temp, HOURS, jump)[:, 0]
    assert rate[1:48] == pytest.approx(0.06) and rate[49:] == pytest.approx(0.06)
    assert rate[48] == 0.0


def test_what_a_thermometer_lacks_of_a_drop_fades():
    """A first-order lag: a drop's change of −5 K is lacking by e⁻¹ of it after its time constant."""
    temp, jump = np.full(96, 12.0), np.zeros(96)
    temp[48:], jump[48] = 7.0, 9.0
    behind = thermometer_columns(temp, HOURS, jump)[:, 1]
    assert (behind[:48] == 0.0).all() and behind[48] == pytest.approx(-5.0)
    assert behind[48 + int(2 * BEHIND_H)] == pytest.approx(-5.0 / np.e)


def test_product_warmed_by_day_takes_what_its_expansion_takes():
    """All 600 l of two days are sold at noon, 2 K warmer than the tank: 600 x 2 x expansion are not there at 15 °C."""
    sold = 300.0 * np.floor((HOURS + 12.0) / 24.0)
    columns = by_the_hour(sold, HOURS, "gasoline_e5")
    warmer_k = np.array([-2.0, 0.0])
    assert (columns @ warmer_k)[-1] == pytest.approx(600.0 * 2.0 * PETROL_PER_K, rel=0.05)
    assert columns[-1, 1] == pytest.approx(0.0, abs=1e-9)


def test_a_later_dip_moves_no_earlier_one():
    rng = np.random.default_rng(7)
    temp, jump = 12.0 + rng.normal(size=96).cumsum(), np.where(np.arange(96) == 40, 4.0, 0.0)
    before = thermometer_columns(temp, HOURS, jump)
    temp[60:] += 3.0
    assert (thermometer_columns(temp, HOURS, jump)[:60] == before[:60]).all()
