"""Beliefs that move together. Evidence: naive twins (dense normal algebra over the rows) and properties."""

import numpy as np
from scipy.stats import multivariate_normal

from pipeline.estimate.chart_belief import Before, Seen, before_of, log_evidence, posterior_of, without_the_rest
from pipeline.estimate.regression import Prior

ROWS, COUNT = 12, 5


def seen_and_rows(seed: int) -> tuple[Seen, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    columns = rng.normal(size=(ROWS, COUNT))
    y = rng.normal(size=ROWS)
    return Seen(columns.T @ columns, columns.T @ y, np.asarray(y @ y)), columns, y


def tied_belief() -> Before:
    """Five coefficients, the second and fourth tied."""
    prior = Prior(np.array([0.5, 0.0, -1.0, 0.0, 2.0]), np.array([1.0, 3.0, 0.5, 2.0, 1.5]))
    return before_of(prior, [1, 3], (np.array([1.0, -1.0]), np.array([[2.0, 0.8], [0.8, 1.0]])))


def test_the_evidence_is_the_density_of_the_rows_but_for_a_constant():
    """Naive twin: y is normal with mean X·mean and covariance X·C·Xᵀ + 1; differences between beliefs are compared."""
    seen, columns, y = seen_and_rows(1)
    tied, loose = tied_belief(), before_of(Prior(np.zeros(COUNT), np.full(COUNT, 2.0)))

    def dense(before: Before) -> float:
        cov = columns @ np.linalg.inv(before.precision) @ columns.T + np.eye(ROWS)
        return float(multivariate_normal(columns @ before.mean, cov).logpdf(y))

    assert np.isclose(log_evidence(seen, tied) - log_evidence(seen, loose), dense(tied) - dense(loose))


def test_the_posterior_is_that_of_conditioning():
    """Naive twin: the coefficients given y, by the covariance of both together."""
    seen, columns, y = seen_and_rows(2)
    before = tied_belief()
    prior_cov = np.linalg.inv(before.precision)
    gain = prior_cov @ columns.T @ np.linalg.inv(columns @ prior_cov @ columns.T + np.eye(ROWS))
    after = posterior_of(seen, before)
    assert np.allclose(after.mean, before.mean + gain @ (y - columns @ before.mean))
    assert np.allclose(after.cov, prior_cov - gain @ columns @ prior_cov)


def test_the_rest_integrated_out_changes_neither_posterior_nor_evidence():
    """Property: the kept coefficients' posterior is the whole one's margin, under whatever belief about them."""
    seen, _, _ = seen_and_rows(3)
    before = tied_belief()
    places = [0, 2]
    kept = without_the_rest(seen, before, places)
    for sd in (0.3, 4.0):
        mean, precision = before.mean.copy(), before.precision.copy()
        precision[places, places] = 1.0 / sd**2
        whole = posterior_of(seen, Before(mean, precision))
        part_before = Before(mean[places], precision[np.ix_(places, places)])
        part = posterior_of(kept, part_before)
        assert np.allclose(part.mean, whole.mean[places])
        assert np.allclose(part.cov, whole.cov[np.ix_(places, places)])
        assert np.isclose(log_evidence(kept, part_before), log_evidence(seen, Before(mean, precision)))
