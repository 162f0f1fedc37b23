"""Noise of a tank's settled dips, and the filter that turns its dips and regressors into independent rows.

The model of the book-corrected stock y at dip k: y_k = level_k + white noise, where the level wanders (a random walk,
plus a rate that is an Ornstein-Uhlenbeck process of some 20 h: contraction that the probe's temperature does not see)
and jumps at drops. A Kalman filter is linear, so run over y and every regressor with the same gains it whitens all of
them at once: generalised least squares by ordinary least squares (P. de Jong, "The diffuse Kalman filter", Annals of
Statistics 19 (1991) 1073-1083).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATE_HOURS = 20.0
"""Time constant of the contraction rate that temperature compensation misses. No source: a working day of weather."""


@dataclass(frozen=True)
class Noise:
    """What a tank's dips scatter by.

    `white_l` (k,) SD of each dip; `walk_l` SD of the wander in one hour; `walk_per_l` variance [l²] added for each
    litre sold; `rate_l_per_h` (k,) SD of the slow contraction rate; `rate_jump` (k,) SD that a drop just before the dip
    adds to it (a shell that gives, a warm drop that cools). [l/h]
    """

    white_l: Floats
    walk_l: float
    walk_per_l: float
    rate_l_per_h: Floats
    rate_jump: Floats


def gains(hours: Floats, noise: Noise, jump_var_l2: Floats, sold_l: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Kalman gains of level and rate and the innovations' standard deviation at each dip.

    Parameters
    ----------
    hours : ndarray, shape (k,)
        Time of each dip. [h]
    noise : Noise
    jump_var_l2 : ndarray, shape (k,)
        Variance that drops and other sudden moves add between a dip and the one before. [l²]
    sold_l : ndarray, shape (k,)
        Litres sold up to each dip. [l]

    Returns
    -------
    (gain_level, gain_rate, sd_l, step) : ndarrays, shape (k,)
    """
    count = len(hours)
    steps = np.diff(hours, prepend=hours[:1])
    decay = np.exp(-steps / RATE_HOURS)
    carry = RATE_HOURS * (1.0 - decay)
    rate_var = noise.rate_l_per_h**2
    moved = np.abs(np.diff(sold_l, prepend=sold_l[:1]))
    grow = noise.walk_l**2 * steps + noise.walk_per_l * moved + jump_var_l2
    white = noise.white_l**2
    p_ll, p_lr, p_rr = 1e10, 0.0, float(rate_var[0]) if count else 0.0
    gain_level, gain_rate, sd = np.empty(count), np.empty(count), np.empty(count)
    for k in range(count):
        a, phi = carry[k], decay[k]
        p_ll = p_ll + 2.0 * a * p_lr + a * a * p_rr + grow[k]
        p_lr = phi * (p_lr + a * p_rr)
        p_rr = phi * phi * p_rr + rate_var[k] * (1.0 - phi * phi) + noise.rate_jump[k] ** 2
        total = p_ll + white[k]
        g_level, g_rate = p_ll / total, p_lr / total
        gain_level[k], gain_rate[k], sd[k] = g_level, g_rate, np.sqrt(total)
        p_rr = p_rr - g_rate * p_lr
        p_lr = p_lr * (1.0 - g_level)
        p_ll = p_ll * (1.0 - g_level)
    return gain_level, gain_rate, sd, steps


def whitened(columns: Floats, hours: Floats, gain: tuple[Floats, Floats, Floats, Floats]) -> Floats:
    """Each column's innovations in units of their standard deviation: independent rows under the noise model.

    Parameters
    ----------
    columns : ndarray, shape (k, c)
        The book-corrected stock or a regressor, a column each.
    hours : ndarray, shape (k,)
    gain : what `gains` returned for the same dips.

    Returns
    -------
    ndarray, shape (k, c)
    """
    gain_level, gain_rate, sd, steps = gain
    decay = np.exp(-steps / RATE_HOURS)
    carry = RATE_HOURS * (1.0 - decay)
    out = np.empty_like(columns)
    level, rate = np.zeros(columns.shape[1]), np.zeros(columns.shape[1])
    for k in range(len(hours)):
        level = level + carry[k] * rate
        innovation = columns[k] - level
        level = level + gain_level[k] * innovation
        rate = decay[k] * rate + gain_rate[k] * innovation
        out[k] = innovation
    return np.asarray(out / sd[:, None])
