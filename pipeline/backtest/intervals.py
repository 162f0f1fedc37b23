"""Intervals of counts, shares and waits, and weights that draw clusters again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, gammaincinv

Floats = NDArray[np.float64]
Interval = tuple[float, float]

NOTHING: Interval = (float("nan"), float("nan"))


def poisson_interval(count: int, exposure: float, *, level: float = 0.95) -> Interval:
    """Exact interval of a rate per unit of `exposure` at which `count` events were seen; NaN without exposure.

    References
    ----------
    .. [1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437-442.

    Examples
    --------
    None in 300 leaves at most one in 100 (95 % one-sided, 0.9986 per 100):

    >>> round(100 * poisson_interval(0, 300, level=0.90)[1], 4)
    0.9986
    """
    if not exposure > 0.0:
        return NOTHING
    tail = (1.0 - level) / 2.0
    low = float(gammaincinv(count, tail)) if count else 0.0
    high = float(gammaincinv(count + 1, 1.0 - tail))
    return low / exposure, high / exposure


def share_interval(found: int, all_of: int, *, level: float = 0.95) -> Interval:
    """Exact interval of a share; NaN of nothing.

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the
       binomial", Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> tuple(round(bound, 4) for bound in share_interval(8, 10))
    (0.4439, 0.9748)
    """
    if not all_of:
        return NOTHING
    tail = (1.0 - level) / 2.0
    low = float(betaincinv(found, all_of - found + 1, tail)) if found else 0.0
    high = float(betaincinv(found + 1, all_of - found, 1.0 - tail)) if found < all_of else 1.0
    return low, high


def cluster_weights(clusters: int, *, draws: int, rng: np.random.Generator) -> Floats:
    """How often each cluster is drawn in each of `draws` bootstrap samples. Shape (draws, clusters)."""
    return rng.multinomial(clusters, np.full(clusters, 1.0 / clusters), size=draws).astype(np.float64)


def ratio_draws(weights: Floats, above: Floats, below: Floats) -> Floats:
    """The ratio of two sums over clusters in each bootstrap sample, NaN with nothing below. Shape (draws,)."""
    total = weights @ below
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total > 0.0, weights @ above / total, np.nan)


def percentiles(draws: Floats, *, level: float = 0.95) -> Interval:
    """The middle `level` of bootstrap values that are numbers; NaN where fewer than half are."""
    known = draws[np.isfinite(draws)]
    if not len(known) or 2 * len(known) < len(draws):
        return NOTHING
    tail = (1.0 - level) / 2.0
    low, high = np.quantile(known, [tail, 1.0 - tail])
    return float(low), float(high)


def waiting_curve(wait: Floats, is_over: NDArray[np.bool_], weight: Floats | None = None) -> tuple[Floats, Floats]:
    """Share still waiting after each time at which a wait was over, by Kaplan and Meier: times and shares.

    Parameters
    ----------
    wait : ndarray, shape (n,)
        How long each waited, until it was over or was seen no longer.
    is_over : ndarray of bool, shape (n,)
    weight : ndarray, shape (n,), optional
        How often each counts.

    References
    ----------
    .. [1] E. L. Kaplan, P. Meier, "Nonparametric estimation from incomplete observations", Journal of the American
       Statistical Association 53 (1958) 457-481.
    """
    each = np.ones(len(wait)) if weight is None else weight
    times = np.unique(wait[is_over])
    waiting, share = [], 1.0
    for time in times:
        at_risk = each[wait >= time].sum()
        over = each[(wait == time) & is_over].sum()
        share *= 1.0 - over / at_risk if at_risk > 0.0 else 1.0
        waiting.append(share)
    return times, np.array(waiting)


def median_wait(times: Floats, waiting: Floats) -> float:
    """The first time at which half or fewer still wait; infinite where more than half wait for ever."""
    done = np.flatnonzero(waiting <= 0.5)
    return float(times[done[0]]) if len(done) else float("inf")
