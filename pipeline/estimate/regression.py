"""Bayesian regression by sufficient statistics: sums of whitened rows up to each day, solved in closed form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dposv

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Prior:
    """Independent normal beliefs about the coefficients before any data: `mean` and `sd`, shape (p,)."""

    mean: Floats
    sd: Floats

    def precision(self) -> Floats:
        """Diagonal precision matrix, shape (p, p)."""
        return np.diag(1.0 / self.sd**2)


@dataclass(frozen=True)
class Posterior:
    """`mean` (p,) and `cov` (p, p) of the coefficients."""

    mean: Floats
    cov: Floats


def posterior(gram: Floats, moment: Floats, prior: Prior) -> Posterior:
    """Coefficients given XᵀX (`gram`), Xᵀy (`moment`) of whitened rows and the prior. Scaled before it is inverted."""
    scale = prior.sd
    matrix = gram * scale[:, None] * scale[None, :] + np.eye(len(scale))
    right = scale * (moment + prior.mean / prior.sd**2)
    inverse = np.linalg.inv(matrix)
    return Posterior(scale * (inverse @ right), inverse * scale[:, None] * scale[None, :])


def solved(matrix: Floats, right: Floats) -> tuple[Floats, float]:
    """The solution of `matrix` x = `right` and the log determinant of `matrix`, by one Cholesky decomposition.

    Parameters
    ----------
    matrix : ndarray, shape (p, p)
        Symmetric and positive definite; one that rounding has made otherwise is solved by elimination.
    right : ndarray, shape (p,) or (p, n)
    """
    root, solution, failed = dposv(matrix, right)
    if failed:
        return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64), float(np.linalg.slogdet(matrix)[1])
    return solution, float(2.0 * np.log(root.diagonal()).sum())


@dataclass(frozen=True)
class Extra:
    """Each candidate column on its own, given the base: `estimate` and `sd` of its coefficient from the data alone."""

    estimate: Floats
    sd: Floats

    def log_bayes(self, spread: Floats, usual: Floats) -> Floats:
        """Log Bayes factor for a coefficient drawn from N(0, spread²) against one from N(0, usual²). Shape (c,).

        `usual` is how far the coefficient wanders with nothing wrong; zero where it does not.
        """
        narrow, wide = self.sd**2 + usual**2, self.sd**2 + spread**2
        return 0.5 * np.log(narrow / wide) + 0.5 * self.estimate**2 * (1.0 / narrow - 1.0 / wide)

    def shrunk(self, spread: Floats) -> tuple[Floats, Floats]:
        """Posterior mean and SD of the coefficient under that prior."""
        keep = spread**2 / (self.sd**2 + spread**2)
        return self.estimate * keep, self.sd * np.sqrt(keep)


def extra_columns(base: Posterior, cross: Floats, square: Floats, moment: Floats) -> Extra:
    """Coefficients of candidate columns h, each added alone to the base X.

    Parameters
    ----------
    base : Posterior of the base regression
    cross : ndarray, shape (p, c): Xᵀh
    square : ndarray, shape (c,): hᵀh
    moment : ndarray, shape (c,): hᵀy
    """
    information = square - ((base.cov @ cross) * cross).sum(axis=0)
    score = moment - cross.T @ base.mean
    information = np.maximum(information, 1e-12)
    return Extra(score / information, 1.0 / np.sqrt(information))
