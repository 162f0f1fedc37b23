"""Normal beliefs about a linear model's coefficients that may move together, and how well they foretold the data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.regression import Posterior, Prior

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Before:
    """A belief before the data: `mean` (..., p) and `precision` (..., p, p)."""

    mean: Floats
    precision: Floats

    @property
    def sd(self) -> Floats:
        """SD of each coefficient on its own, shape (..., p)."""
        return np.asarray(np.sqrt(np.diagonal(np.linalg.inv(self.precision), axis1=-2, axis2=-1)))


@dataclass(frozen=True)
class Seen:
    """What whitened rows say: XᵀX `gram` (..., p, p), Xᵀy `score` (..., p) and yᵀy `square` (...)."""

    gram: Floats
    score: Floats
    square: Floats


def seen_of(rows: Floats) -> Seen:
    """The sums of whitened rows (..., k, 1 + p), the first column y."""
    y, columns = rows[..., 0], rows[..., 1:]
    return Seen(columns.mT @ columns, np.vecmat(y, columns), np.asarray(np.vecdot(y, y)))


def before_of(prior: Prior, places: list[int] | None = None, tied: tuple[Floats, Floats] | None = None) -> Before:
    """Independent beliefs, those at `places` replaced by the mean (n,) and covariance (n, n) of `tied`."""
    mean, precision = prior.mean.copy(), prior.precision()
    if places and tied is not None:
        mean[places] = tied[0]
        precision[places, places] = 0.0
        precision[np.ix_(places, places)] = np.linalg.inv(tied[1])
    return Before(mean, precision)


def posterior_of(seen: Seen, before: Before) -> Posterior:
    """The belief after the data; leading axes are broadcast. Scaled before it is inverted."""
    scale = 1.0 / np.sqrt(np.diagonal(before.precision, axis1=-2, axis2=-1))
    across = scale[..., :, None] * scale[..., None, :]
    inverse = np.linalg.inv((seen.gram + before.precision) * across) * across
    return Posterior(np.matvec(inverse, seen.score + np.matvec(before.precision, before.mean)), inverse)


def log_evidence(seen: Seen, before: Before) -> Floats:
    """Log of how well the belief foretold the data, but for a constant; leading axes are broadcast."""
    drawn = np.einsum("...pq,...q->...p", before.precision, before.mean)
    total, right = seen.gram + before.precision, seen.score + drawn
    fitted = np.einsum("...p,...p->...", right, np.linalg.solve(total, right[..., None])[..., 0])
    spent = np.einsum("...p,...p->...", before.mean, drawn)
    widths = np.linalg.slogdet(total)[1] - np.linalg.slogdet(before.precision)[1]
    return np.asarray(-0.5 * (seen.square + spent - fitted + widths))


def without_the_rest(seen: Seen, before: Before, places: list[int]) -> Seen:
    """What the rows say of the coefficients at `places`, all others integrated out; evidences stay.

    `before` must hold the two groups as independent of each other.
    """
    rest = [place for place in range(len(seen.score)) if place not in places]
    precision = before.precision[np.ix_(rest, rest)]
    drawn = precision @ before.mean[rest]
    total, right = seen.gram[np.ix_(rest, rest)] + precision, seen.score[rest] + drawn
    across = seen.gram[np.ix_(places, rest)]
    gone = np.linalg.solve(total, np.column_stack([across.T, right]))
    widths = np.linalg.slogdet(total)[1] - np.linalg.slogdet(precision)[1]
    square = seen.square + before.mean[rest] @ drawn - right @ gone[:, -1] + widths
    gram = seen.gram[np.ix_(places, places)] - across @ gone[:, :-1]
    return Seen(gram, seen.score[places] - across @ gone[:, -1], square)
