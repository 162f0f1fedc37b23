"""Noise of a tank's settled dips, and the filter that turns its dips and regressors into independent rows.

The model of the book-corrected stock y at dip k, in litres at 15 °C:

    y = level + wander + litres a kelvin · (slow + layer) + sway + ripple + white noise

The level keeps but for what each sale and each drop is unsure by. The wander, of vapour and of product in layers, comes
back over days. The thermometer's slow error has a rate of its own, which keeps for some 20 h, and is bounded too: no
thermometer goes astray for ever. A drop leaves layers that its probe misjudges for hours. The sway is the gauge's
own wander, in millimetres at the surface, and comes back over minutes to days. The ripple is what of a dip's own noise
the next dip still has.

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
UNKNOWN_L2 = 1e10
"""Variance of a level of which nothing is known. [l²]"""
LEVEL, WANDER, SLOW, RATE, LAYER, RIPPLE, SWAY = range(7)
STATES = 7
"""How many states the filter holds."""


@dataclass(frozen=True)
class Noise:
    """What a tank's k dips scatter by; each array (..., k), the leading axes several noises at once.

    `white_l` SD of each dip by itself, `ripple_l` of what it shares with its neighbours over `ripple_h`; `walk_l` SD of
    the wander that one hour adds; `walk_per_l` variance [l²] added for each litre sold; `rate_k_per_h` SD of the
    rate of the thermometer's error; `layer_k` SD of the error that a drop just before the dip leaves [K], which is gone
    over `layer_h`;
    `litres_per_k` what a kelvin of error does to the stock; `sway_l` SD of the gauge's wander at the dip's surface,
    which comes back over `sway_h`.
    """

    white_l: Floats
    ripple_l: Floats
    ripple_h: Floats
    walk_l: Floats
    walk_per_l: Floats
    rate_k_per_h: Floats
    layer_k: Floats
    layer_h: Floats
    litres_per_k: Floats
    sway_l: Floats
    sway_h: Floats

    @property
    def dip_sd_l(self) -> Floats:
        """SD of each dip, whatever it shares with the next. Shape (..., k)."""
        return np.hypot(self.white_l, self.ripple_l)


@dataclass(frozen=True)
class Filter:
    """The whitening filter of a tank's k dips; the leading axes are those of its noise.

    `keep` (..., k, 7) the share of each state that lasts from the dip before; `carry_h` (k,) what a rate then adds to
    the slow error; `seen` (..., k, 7) the litres by which each state shows; `gain` (..., k, 7); `sd_l` (..., k) of the
    innovations.
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
    shape = noise.white_l.shape
    steps = np.diff(hours, prepend=hours[:1])
    keep = np.ones((*shape, STATES))
    for state, lasts_h in ((WANDER, WANDER_H), (SLOW, SLOW_H), (RATE, RATE_H)):
        keep[..., state] = np.exp(-steps / lasts_h)
    keep[..., LAYER] = np.exp(-steps / noise.layer_h)
    keep[..., RIPPLE] = np.exp(-steps / noise.ripple_h)
    keep[..., SWAY] = np.exp(-steps / noise.sway_h)
    carry = np.asarray((np.exp(-steps / RATE_H) - np.exp(-steps / SLOW_H)) / (1.0 / SLOW_H - 1.0 / RATE_H))
    seen = np.zeros((*shape, STATES))
    seen[..., LEVEL] = seen[..., WANDER] = 1.0
    seen[..., SLOW] = seen[..., LAYER] = noise.litres_per_k
    seen[..., RIPPLE] = noise.ripple_l
    seen[..., SWAY] = noise.sway_l
    added = _added(steps, keep, noise, jump_var_l2, sold_l)
    from pipeline.estimate.kernels import kalman_gains  # numba is a second to import: only who analyses pays

    gain, sd = kalman_gains(_flat(keep, 2), carry, _flat(seen, 2), _flat(added, 2), _flat(_at_first(noise), 2))
    return Filter(keep, carry, seen, gain.reshape(keep.shape), sd.reshape(shape))


def _flat(values: Floats, kept: int) -> Floats:
    """The array with its leading axes as one, the last `kept` as they are."""
    return np.ascontiguousarray(values.reshape(-1, *values.shape[-kept:]))


def _added(steps: Floats, keep: Floats, noise: Noise, jump_var_l2: Floats, sold_l: Floats) -> Floats:
    """Variance that each step adds to each state, the covariance of slow and rate, and the dip's own. (..., k, 9)."""
    moved = np.abs(np.diff(sold_l, prepend=sold_l[:1]))
    added = np.zeros((*keep.shape[:-1], STATES + 2))
    added[..., LEVEL] = noise.walk_per_l * moved + jump_var_l2
    added[..., WANDER] = noise.walk_l**2 * WANDER_H / 2.0 * (1.0 - keep[..., WANDER] ** 2)
    slow = noise.rate_k_per_h[..., None, None] ** 2 * _slow_growth(steps)
    added[..., SLOW], added[..., RATE], added[..., STATES] = slow[..., 0, 0], slow[..., 1, 1], slow[..., 0, 1]
    added[..., LAYER] = noise.layer_k**2
    added[..., RIPPLE] = 1.0 - keep[..., RIPPLE] ** 2
    added[..., SWAY] = 1.0 - keep[..., SWAY] ** 2
    added[..., STATES + 1] = noise.white_l**2
    return added


def _at_first(noise: Noise) -> Floats:
    """Covariance of the states before the first dip. Shape (..., 7, 7)."""
    cov = np.zeros((*noise.white_l.shape[:-1], STATES, STATES))
    cov[..., LEVEL, LEVEL] = UNKNOWN_L2
    cov[..., WANDER, WANDER] = noise.walk_l[..., 0] ** 2 * WANDER_H / 2.0
    slow = slice(SLOW, RATE + 1)
    cov[..., slow, slow] = noise.rate_k_per_h[..., 0, None, None] ** 2 * _slow_growth(np.array([1e4]))[0]
    cov[..., RIPPLE, RIPPLE] = cov[..., SWAY, SWAY] = 1.0
    return cov


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

    `columns` are the book-corrected stock or a regressor, a column each, shape (k, c). Shape (..., k, c).
    """
    flat = (_flat(by.keep, 2), by.carry_h, _flat(by.seen, 2), _flat(by.gain, 2), _flat(by.sd_l, 1))
    left = np.zeros((len(flat[0]), STATES, columns.shape[1]))
    rows = _innovations(columns, *flat, left)
    return np.asarray(rows.reshape(*by.sd_l.shape[:-1], *columns.shape))


def whitened_on(columns: Floats, by: Filter, start: int, states: Floats) -> Floats:
    """Innovations of some dips' rows of columns, in units of their SDs; `states` is carried on in place.

    Parameters
    ----------
    columns : ndarray, shape (n, c)
        The columns at dips `start` to `start` + n.
    by : Filter
        Of one noise.
    states : ndarray, shape (S, c)
        The filter's states of each column after the dip before; zeros where a column was zero until then.
    """
    here = slice(start, start + len(columns))
    parts = (by.keep[None, here], by.carry_h[here], by.seen[None, here], by.gain[None, here], by.sd_l[None, here])
    left = np.ascontiguousarray(states)[None]
    rows = _innovations(columns, *parts, left)[0]
    states[:] = left[0]
    return np.asarray(rows)


def _innovations(columns: Floats, *parts: Floats) -> Floats:
    """The compiled loop over some columns, as they must lie for it."""
    from pipeline.estimate.kernels import innovations

    return np.asarray(innovations(np.ascontiguousarray(columns, dtype=np.float64), *parts))
