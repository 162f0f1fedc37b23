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


def moving_average_covariance(days, theta, variance):
    """Each day shares a shock with the next, of the opposite sign where theta is negative."""
    neighbours = np.eye(days, k=1) + np.eye(days, k=-1)
    return variance * ((1.0 + theta**2) * np.eye(days) + theta * neighbours)


def log_likelihoods(mean, theta, variance):
    """Each day's exact Gaussian log likelihood, given the days before."""
    covariance = moving_average_covariance(OVERSHORTS.size, theta, variance)
    factor = np.linalg.cholesky(covariance)
    innovation = np.linalg.solve(factor, OVERSHORTS - mean)
    return -0.5 * innovation**2 - np.log(np.diag(factor)) - 0.5 * np.log(2.0 * np.pi)


def scores(parameters):
    """Each day's slope of the log likelihood, by central differences: one row a parameter."""
    steps = np.diag([1e-4, 1e-5, 1e-2])
    return np.array(
        [
            (log_likelihoods(*(parameters + step)) - log_likelihoods(*(parameters - step))) / (2.0 * step.sum())
            for step in steps
        ]
    )


def mean_and_its_error(values, covariance):
    """Generalised least squares of a constant."""
    weight = np.linalg.solve(covariance, np.ones(values.size))
    return float(weight @ values / weight.sum()), 1.0 / np.sqrt(weight.sum())


def test_moments_of_the_book():
    assert (OVERSHORTS.size, OVERSHORTS.sum()) == (57, -230)
    assert OVERSHORTS.mean() == pytest.approx(-4.0350877, abs=5e-8)
    assert autocovariance(OVERSHORTS, 0) == pytest.approx(3415.718067, abs=5e-7)
    assert autocovariance(OVERSHORTS, 1) == pytest.approx(-1719.956008, abs=5e-7)


def test_plain_mean_misses_the_loss():
    """t = -0.517: taken as independent, 57 days show nothing."""
    found = OVERSHORTS.mean() / (OVERSHORTS.std(ddof=1) / np.sqrt(57.0))
    assert found == pytest.approx(-0.5167, abs=5e-5)


def test_maximum_likelihood_with_a_mean():
    """Mean -4.7798, θ -0.8473, σ² 2020.0 and AICc 603.297, as an open statistics library fits them."""
    parameters = np.array([-4.7798, -0.8473, 2020.0])
    slopes = scores(parameters).sum(axis=1) * np.array([1.0, 0.1, 500.0])
    np.testing.assert_allclose(slopes, 0.0, atol=0.03)
    aicc = -2.0 * log_likelihoods(*parameters).sum() + 2.0 * 3.0 * 57.0 / (57.0 - 3.0 - 1.0)
    assert aicc == pytest.approx(603.297, abs=1e-3)


def test_right_covariance_finds_the_loss():
    """t = -4.457 (mean -4.7798 ± 1.0725): 4.8 gal a day, 0.199 gal/h, is lost.

    The library's error is that of the outer product of the scores; generalised least squares with the covariance
    taken as known says ± 1.013, and finds the loss just as surely.
    """
    parameters = np.array([-4.7798, -0.8473, 2020.0])
    slopes = scores(parameters)
    error = np.sqrt(np.linalg.inv(slopes @ slopes.T)[0, 0])
    assert error == pytest.approx(1.0725, abs=1e-3)
    assert parameters[0] / error == pytest.approx(-4.457, abs=4e-3)
    mean, least_error = mean_and_its_error(OVERSHORTS, moving_average_covariance(57, -0.8473, 2020.0))
    assert mean == pytest.approx(-4.7798, abs=1e-3)
    assert least_error < error


def test_limit_with_gauge_noise_alone():
    """Closed form for a drift under pure gauge noise, 12σ²/(n (n + 1)(n + 2)): σ² 1708 gives 0.324158 gal a day."""
    mean, error = mean_and_its_error(OVERSHORTS, moving_average_covariance(57, -1.0, 1708.0))
    assert mean == pytest.approx(-5.0250392, abs=5e-8)
    assert error == pytest.approx(0.324158, abs=5e-7)


def test_best_estimate_is_the_slope_of_the_running_total():
    """Exact identity: weights t (n + 1 - t) are ordinary least squares on the cumulative over-shorts."""
    total = np.concatenate([[0.0], np.cumsum(OVERSHORTS)])
    slope = np.polyfit(np.arange(58.0), total, 1)[0]
    assert slope == pytest.approx(-5.0250392, abs=5e-8)
