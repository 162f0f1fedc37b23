"""Regression by sums. Evidence: naive twins (normal densities, dense normal algebra)."""

import numpy as np
import pytest
from scipy.stats import norm

from pipeline.estimate.regression import Extra, Prior, extra_columns, posterior

ROWS = 12
RNG = np.random.default_rng(6)
X, H, Y = RNG.normal(size=(ROWS, 3)), RNG.normal(size=(ROWS, 2)), RNG.normal(size=ROWS)
PRIOR = Prior(np.array([0.5, 0.0, -2.0]), np.array([1.0, 30.0, 0.01]))


def test_the_posterior_is_conditioning_on_the_rows():
    cov = np.diag(PRIOR.sd**2)
    gain = cov @ X.T @ np.linalg.inv(X @ cov @ X.T + np.eye(ROWS))
    told = posterior(X.T @ X, X.T @ Y, PRIOR)
    np.testing.assert_allclose(told.mean, PRIOR.mean + gain @ (Y - X @ PRIOR.mean), rtol=1e-9)
    np.testing.assert_allclose(told.cov, cov - gain @ X @ cov, rtol=1e-9, atol=1e-15)
    np.testing.assert_allclose(PRIOR.precision(), np.linalg.inv(cov))


def test_a_further_column_is_what_the_rest_leaves_of_it():
    """Each alone, by generalised least squares with the base's doubt in the rows' covariance."""
    base = posterior(X.T @ X, X.T @ Y, PRIOR)
    told = extra_columns(base, X.T @ H, (H**2).sum(axis=0), H.T @ Y)
    sigma = np.linalg.inv(X @ np.diag(PRIOR.sd**2) @ X.T + np.eye(ROWS))
    for place in range(2):
        information = H[:, place] @ sigma @ H[:, place]
        assert told.sd[place] == pytest.approx(information**-0.5)
        assert told.estimate[place] == pytest.approx(H[:, place] @ sigma @ (Y - X @ PRIOR.mean) / information)


@pytest.mark.parametrize("estimate", [0.0, 0.8, -3.0])
@pytest.mark.parametrize("usual", [0.0, 0.4])
def test_a_bayes_factor_is_the_ratio_of_two_normal_densities(estimate, usual):
    """An estimate of SD 0.5: drawn from one as wide as 2, or only from its usual wander."""
    one = Extra(np.array([estimate]), np.array([0.5]))
    wide, narrow = norm(0.0, np.hypot(0.5, 2.0)), norm(0.0, np.hypot(0.5, usual))
    told = one.log_bayes(np.array([2.0]), np.array([usual]))
    assert told == pytest.approx([wide.logpdf(estimate) - narrow.logpdf(estimate)])


def test_an_estimate_is_shrunk_by_its_share_of_the_variance():
    """SD 1 against a spread of 2: four fifths of it are kept, and an SD of √0.8."""
    mean, sd = Extra(np.array([-10.0]), np.array([1.0])).shrunk(np.array([2.0]))
    assert (mean, sd) == (pytest.approx([-8.0]), pytest.approx([np.sqrt(0.8)]))
