"""Noise of a tank's settled dips, and the filter that turns its dips and regressors into independent rows.

The model of the book-corrected stock y at dip k, in litres at 15 °C:

    y = level + wander + litres a kelvin · (slow + layer) + white noise

The level keeps but for what each sale and each drop is unsure by. The wander, of vapour and of product in layers, comes
back over days. The thermometer's slow error has a rate of its own, which keeps for some 20 h, and is bounded too: no
thermometer goes astray for ever. A drop leaves layers that its probe misjudges for hours.

A Kalman filter is linear, so run over y and every regressor with the same gains it whitens all of them at once:
generalised least squares by ordinary least squares (P. de Jong, "The diffuse Kalman filter", Annals of Statistics 19
(1991) 1073-1083).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WANDER_H = 72.0
"""Time in which the stock's wander comes back. No source: weather lasts for days."""
RATE_H = 20.0
"""Time constant of the rate at which a thermometer's error of the bulk changes. No source: a working day of weather."""
SLOW_H = 120.0
"""Time in which that error is forgotten. No source: such rates then leave 0.1 to 0.3 K (common practice)."""
LAYER_H = 5.0
"""Time constant of the layers that a drop leaves. No source: 4 to 6 h are waited for a leak test (common practice)."""
UNKNOWN_L2 = 1e10
"""Variance of a level of which nothing is known. [l²]"""
LEVEL, WANDER, SLOW, RATE, LAYER = range(5)


@dataclass(frozen=True)
class Noise:
    """What a tank's dips scatter by; k dips.

    `white_l` (k,) SD of each dip; `walk_l` SD of the wander that one hour adds; `walk_per_l` variance [l²] added for
    each litre sold; `rate_k_per_h` SD of the rate of the thermometer's error; `layer_k` (k,) SD of the error that a
    drop just before the dip leaves [K]; `litres_per_k` (k,) what a kelvin of error does to the stock.
    """

    white_l: Floats
    walk_l: float
    walk_per_l: float
    rate_k_per_h: float
    layer_k: Floats
    litres_per_k: Floats


@dataclass(frozen=True)
class Filter:
    """The whitening filter of a tank's k dips.

    `keep` (k, 5) the share of each state that lasts from the dip before; `carry_h` (k,) what a rate then adds to the
    slow error; `seen` (k, 5) the litres by which each state shows; `gain` (k, 5); `sd_l` (k,) of the innovations.
    """

    keep: Floats
    carry_h: Floats
    seen: Floats
    gain: Floats
    sd_l: Floats


def filter_of(hours: Floats, noise: Noise, jump_var_l2: Floats, sold_l: Floats) -> Filter:
    """The filter's gains at each dip.

    Parameters
    ----------
    hours : ndarray, shape (k,)
        Time of each dip. [h]
    noise : Noise
    jump_var_l2 : ndarray, shape (k,)
        Variance that drops and other sudden moves add between a dip and the one before. [l²]
    sold_l : ndarray, shape (k,)
        Litres sold up to each dip. [l]
    """
    count = len(hours)
    steps = np.diff(hours, prepend=hours[:1])
    with np.errstate(divide="ignore"):
        lasts = np.array([np.inf, WANDER_H, SLOW_H, RATE_H, LAYER_H])
        keep = np.exp(-steps[:, None] / lasts)
    carry = (keep[:, RATE] - keep[:, SLOW]) / (1.0 / SLOW_H - 1.0 / RATE_H)
    litres = noise.litres_per_k
    seen = np.column_stack([np.ones(count), np.ones(count), litres, np.zeros(count), litres])
    moved = np.abs(np.diff(sold_l, prepend=sold_l[:1]))
    added = np.zeros((count, 5, 5))
    added[:, LEVEL, LEVEL] = noise.walk_per_l * moved + jump_var_l2
    added[:, WANDER, WANDER] = noise.walk_l**2 * WANDER_H / 2.0 * (1.0 - keep[:, WANDER] ** 2)
    added[:, SLOW : RATE + 1, SLOW : RATE + 1] = noise.rate_k_per_h**2 * _slow_growth(steps)
    added[:, LAYER, LAYER] = noise.layer_k**2
    cov = np.zeros((5, 5))
    cov[LEVEL, LEVEL] = UNKNOWN_L2
    cov[WANDER, WANDER] = noise.walk_l**2 * WANDER_H / 2.0
    cov[SLOW : RATE + 1, SLOW : RATE + 1] = noise.rate_k_per_h**2 * _slow_growth(np.array([1e4]))[0]
    white = noise.white_l**2
    gain, sd = np.empty((count, 5)), np.empty(count)
    move = np.zeros((5, 5))
    for k in range(count):
        np.fill_diagonal(move, keep[k])
        move[SLOW, RATE] = carry[k]
        cov = move @ cov @ move.T + added[k]
        shown = cov @ seen[k]
        total = float(seen[k] @ shown) + white[k]
        gain[k], sd[k] = shown / total, np.sqrt(total)
        cov -= gain[k][:, None] * shown
    return Filter(keep, carry, seen, gain, sd)


def _slow_growth(steps: Floats) -> Floats:
    """What each step adds to the covariance of the slow error and its rate, of unit SD. Shape (k, 2, 2)."""
    rate, slow = 1.0 / RATE_H, 1.0 / SLOW_H
    both = (1.0 - np.exp(-(rate + slow) * steps)) / (rate + slow)
    of_rate = (1.0 - np.exp(-2.0 * rate * steps)) / (2.0 * rate)
    of_slow = (1.0 - np.exp(-2.0 * slow * steps)) / (2.0 * slow)
    out = np.empty((len(steps), 2, 2))
    out[:, 0, 0] = (of_rate - 2.0 * both + of_slow) / (slow - rate) ** 2
    out[:, 0, 1] = out[:, 1, 0] = (of_rate - both) / (slow - rate)
    out[:, 1, 1] = of_rate
    return 2.0 * rate * out


def whitened(columns: Floats, by: Filter) -> Floats:
    """Each column's innovations in units of their standard deviation: independent rows under the noise model.

    `columns` are the book-corrected stock or a regressor, a column each, shape (k, c), and so is what is returned.
    """
    out = np.empty_like(columns)
    states = np.zeros((5, columns.shape[1]))
    for k in range(len(columns)):
        carried = by.carry_h[k] * states[RATE]
        states *= by.keep[k][:, None]
        states[SLOW] += carried
        innovation = columns[k] - by.seen[k] @ states
        states += by.gain[k][:, None] * innovation
        out[k] = innovation
    return np.asarray(out / by.sd_l[:, None])
