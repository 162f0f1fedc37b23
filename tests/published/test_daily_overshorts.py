"""Published values: why neighbouring days' noise must be modelled with opposite signs.

P. Brockwell, R. Davis, "Introduction to Time Series and Forecasting", example 3.2.8: 57 daily over-shorts of an
underground petrol tank in Colorado, US gal, measured less expected. The small implementations here are the test's own;
they are the naive twin of what the estimator does.
"""

import numpy as np
import pytest

from tests.support.reference_tables import rows

OVERSHORTS = np.array([row["overshort_gal"] for row in rows("daily_overshorts")])


def autocovariance(values, lag):
    centred = values - values.mean()
    return float(centred[lag:] @ centred[: values.size - lag]) / values.size


def mean_and_its_t(values, covariance):
    """Generalised least squares of a constant."""
    weight = np.linalg.solve(covariance, np.ones(values.size))
    precision = weight.sum()
    mean = float(weight @ values / precision)
    return mean, mean * np.sqrt(precision)


def moving_average_covariance(days, theta, variance):
    """Each day shares a shock with the next, of the opposite sign where theta is negative."""
    neighbours = np.eye(days, k=1) + np.eye(days, k=-1)
    return variance * ((1.0 + theta**2) * np.eye(days) + theta * neighbours)


def test_moments_of_the_book():
    assert (OVERSHORTS.size, OVERSHORTS.sum()) == (57, -230)
    assert OVERSHORTS.mean() == pytest.approx(-4.0350877, abs=5e-8)
    assert autocovariance(OVERSHORTS, 0) == pytest.approx(3415.718067, abs=5e-7)
    assert autocovariance(OVERSHORTS, 1) == pytest.approx(-1719.956008, abs=5e-7)


def test_plain_mean_misses_the_loss():
    """t = -0.517: taken as independent, 57 days show nothing."""
    found = OVERSHORTS.mean() / (OVERSHORTS.std(ddof=1) / np.sqrt(57.0))
    assert found == pytest.approx(-0.5167, abs=5e-5)


def test_right_covariance_finds_the_loss():
    """Maximum likelihood with a mean: θ -0.8473, σ² 2020.0, mean -4.7798 ± 1.0725, so t = -4.457 (4.8 gal a day)."""
    mean, found = mean_and_its_t(OVERSHORTS, moving_average_covariance(57, -0.8473, 2020.0))
    assert mean == pytest.approx(-4.7798, abs=5e-4)
    assert mean / found == pytest.approx(1.0725, abs=5e-4)
    assert found == pytest.approx(-4.457, abs=2e-3)


def test_limit_with_gauge_noise_alone():
    """Closed form for a drift under pure gauge noise, 12σ²/(n (n + 1)(n + 2)): σ² 1708 gives 0.324158 gal a day."""
    mean, found = mean_and_its_t(OVERSHORTS, moving_average_covariance(57, -1.0, 1708.0))
    assert mean == pytest.approx(-5.0250392, abs=5e-8)
    assert mean / found == pytest.approx(0.324158, abs=5e-7)


def test_best_estimate_is_the_slope_of_the_running_total():
    """Exact identity: weights t (n + 1 - t) are ordinary least squares on the cumulative over-shorts."""
    total = np.concatenate([[0.0], np.cumsum(OVERSHORTS)])
    slope = np.polyfit(np.arange(58.0), total, 1)[0]
    assert slope == pytest.approx(-5.0250392, abs=5e-8)
