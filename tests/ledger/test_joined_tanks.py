"""Joined tanks taken as one stock. Evidence: worked by hand; known truth."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.regression import posterior
from pipeline.ledger.gauge import joined_series
from tests.support.gauges import straight_gauge
from tests.support.hand_unit import balance_by, dips_of, gauge_of, unit_of

MINUTES = np.arange(0.0, 24.0)
HOURS = np.arange(0.0, 96.0, 2.0)


def two(narrow_mm: float, wide_mm: float, *, temps_c: tuple[float, float] = (15.0, 15.0)):
    """A tank of 5 l a millimetre and one of 10 as one."""
    tanks = [
        straight_gauge(60.0 * MINUTES, level_mm + 0.0 * MINUTES, l_per_mm=wide, nominal_s=60.0)
        for level_mm, wide in ((narrow_mm, 5.0), (wide_mm, 10.0))
    ]
    return joined_series([replace(one, temp_c=c + 0.0 * MINUTES) for one, c in zip(tanks, temps_c, strict=True)])


def test_their_temperature_is_that_of_their_litres_together():
    """5,000 l of 10 °C and 10,000 l of 22 °C are 15,000 l of 18 °C."""
    assert two(1_000.0, 1_000.0, temps_c=(10.0, 22.0)).temp_c == pytest.approx(18.0)


@pytest.mark.parametrize(
    ("narrow_mm", "wide_mm", "apart_l"), [(1_010, 990, -50.0), (990, 1_010, 50.0), (700, 700, 0.0)]
)
def test_they_hold_apart_what_two_at_their_mean_level_would_not(narrow_mm, wide_mm, apart_l):
    """5 · 1,010 + 10 · 990 = 14,950 l, and 15 · 1,000 = 15,000 l: 50 l less."""
    both = two(narrow_mm, wide_mm)
    assert both.apart_l == pytest.approx(apart_l)
    assert both.gauge_l - both.apart_l == pytest.approx(15.0 * both.level_mm)


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_what_seems_to_be_apart_and_is_not_is_told_by_the_dips(share):
    """Levels differ by turns; of what the tanks seem to hold apart, `share` is not there."""
    unit = unit_of(gauge_of(HOURS, 1_000.0))
    apart = 30.0 * np.random.default_rng(3).choice([-1.0, 0.0, 1.0], len(HOURS))
    seen = dips_of(HOURS, 1_000.0)
    seen = replace(seen, apart_l=apart, gauge_l=seen.gauge_l + share * apart)
    assert "apart" not in balance_by(unit, seen).names
    balance = balance_by(replace(unit, members=("T1", "T2")), seen)
    rows = balance.columns / 2.0
    told = posterior(rows.T @ rows, rows.T @ ((balance.y_l - balance.y_l.mean()) / 2.0), balance.prior)
    place = balance.names.index("apart")
    assert told.mean[place] == pytest.approx(share, abs=3.0 * float(told.cov[place, place]) ** 0.5)
    assert told.cov[place, place] ** 0.5 < 0.05
