"""One currency of evidence: log Bayes factors of what was seen, under a written null and a written alternative."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, stdtr

Floats = NDArray[np.float64]

SMALLEST_P = 1e-12
"""No tail is told further out than this: what is not in the null happens too. [C]"""


def p_value_log_bayes(p: float) -> float:
    """The most that a tail probability `p` under the null can say for any alternative, as a log Bayes factor, >= 0.

    1 / (-e p ln p) for p < 1/e, else 1: T. Sellke, M. J. Bayarri, J. O. Berger, "Calibration of p values for testing
    precise null hypotheses", The American Statistician 55 (2001) 62-71.
    """
    p = max(p, SMALLEST_P)
    return float(-1.0 - np.log(p) - np.log(-np.log(p))) if p < np.exp(-1.0) else 0.0


def normal_p(z: float) -> float:
    """Two-sided tail probability of a standard normal variate."""
    return float(2.0 * ndtr(-abs(z)))


def student_p(z: float, freedom: float) -> float:
    """Two-sided tail probability of a Student-t variate, which stays heavy where few values taught its spread."""
    return float(2.0 * stdtr(freedom, -abs(z)))


def pareto_log_density(excess: float, scale: float, shape: float) -> float:
    """Log density of a generalised Pareto excess over a threshold, `excess` >= 0, `scale` > 0, `shape` > 0.

    (1/scale) (1 + shape excess / scale)^(-1/shape - 1): J. Pickands, Ann. Statist. 3 (1975) 119-131.
    """
    return float(-np.log(scale) - (1.0 / shape + 1.0) * np.log1p(shape * excess / scale))


def log_uniform_log_density(value: float, low: float, high: float) -> float:
    """Log density of a size of which only its order of magnitude is known, alike on a log scale in `low`..`high`.

    Beyond the ends it falls off as though one end were there.
    """
    return float(-np.log(value) - np.log(np.log(high / low)) - abs(np.log(value / np.clip(value, low, high))))


def count_log_probability(count: int, span: float, seen: float, over: float) -> float:
    """Log probability of `count` events in `span` when `seen` came in `over`, by a Poisson rate that those taught.

    The negative binomial of a Gamma-Poisson: `seen` and `over` with the prior's own counts already in them.
    """
    share = span / (span + over)
    log_ways = gammaln(count + seen) - gammaln(seen) - gammaln(count + 1.0)
    return float(log_ways + seen * np.log1p(-share) + count * np.log(share))


def hours_log_bayes(hour: Floats, usual: Floats, window_h: float, inside: float) -> float:
    """Log Bayes factor of events that come about one hour of the day against events at the day's usual hours.

    Averaged over where the window may lie, a place each half hour, which pays for having looked at all of them.

    Parameters
    ----------
    hour : ndarray, shape (n,)
        Hours of the day, 0..24.
    usual : ndarray, shape (24,)
        Share of the null's events in each hour; sums to 1, none of it 0.
    window_h : float
        Width of the window. [h]
    inside : float
        Share of the alternative's events within it, the others as the null's.
    """
    centres = np.arange(0.0, 24.0, 0.5)
    apart = np.abs((hour[:, None] - centres[None, :] + 12.0) % 24.0 - 12.0)
    base = usual[np.floor(hour).astype(np.int64) % 24][:, None]
    density = inside * (apart <= window_h / 2.0) / window_h + (1.0 - inside) * base
    each = np.log(density / base).sum(axis=0)
    return float(each.max() + np.log(np.mean(np.exp(each - each.max()))))


def mixed_log_bayes(log_bayes: Floats) -> float:
    """Log Bayes factor of an alternative that is each of several with equal chances. `log_bayes` shape (n,)."""
    top = float(log_bayes.max())
    return top + float(np.log(np.mean(np.exp(log_bayes - top))))
