"""Readings that are stamped on arrival, some seconds early or late. Evidence: truth by construction."""

import numpy as np
import pytest

from pipeline.ledger.drops import find_drops
from tests.support.hand_unit import L_PER_MM, gauge_of

MINUTES = np.arange(0.0, 600.0)
DROP_L, LASTS_MIN = 12_000.0, 15.0


def found(came_l):
    """Drops where litres come by the true minute, and stamps are off by up to 40 s: some lie a second apart."""
    stamped = np.sort(MINUTES + np.random.default_rng(5).uniform(-40.0, 40.0, len(MINUTES)) / 60.0)
    assert np.diff(stamped).min() < 2.0 / 60.0
    return find_drops(gauge_of(stamped / 60.0, (20_000.0 + came_l) / L_PER_MM, nominal_s=60.0), np.zeros(len(stamped)))


def test_a_drop_is_one_however_near_two_of_its_readings_are_stamped():
    (drop,) = found(DROP_L * np.clip((MINUTES - 300.0) / LASTS_MIN, 0.0, 1.0))
    assert drop.gain_l == pytest.approx(DROP_L)
    assert drop.rate_l_per_min <= DROP_L / LASTS_MIN + 1e-6


def test_what_comes_between_two_readings_is_still_a_jump():
    assert found(DROP_L * (MINUTES >= 300.0)) == []
