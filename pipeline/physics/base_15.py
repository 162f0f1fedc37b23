"""API MPMS 11.1-2004 carried over to a base of 15 °C.

References
----------
.. [1] API Manual of Petroleum Measurement Standards, Chapter 11.1, 2004, §11.1.6.1 and §11.1.7 (metric base).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs, nan_or_raise
from pipeline.physics.volume_correction import TEMP_HIGH_F, TEMP_LOW_F, ctl_60f

_BASE_15_F = 59.0


def vcf_15(temp_c: ArrayLike, density_15_kg_m3: ArrayLike, group: str | None = None) -> FloatOrArray:
    """Volume at 15 °C over volume at `temp_c`: what observed litres are multiplied by to become litres at 15 °C.

    Parameters
    ----------
    temp_c, density_15_kg_m3 : float or ndarray, broadcast together
        Temperature [°C], -50..150, and density at 15 °C [kg/m³].
    group : str, optional
        A key of `volume_correction.LIQUID_GROUPS`; without it told from the density.

    Returns
    -------
    float or ndarray
        Unrounded. In arrays NaN where an input is NaN or out of range.

    Raises
    ------
    ValueError : if a single temperature or density is out of range.
    """
    _check_temp(temp_c)
    if np.ndim(density_15_kg_m3):
        base = as_floats(density_60_kg_m3(density_15_kg_m3, 15.0, group))
    else:
        base = as_floats(_base_of_one(float(as_floats(density_15_kg_m3)), group))
    factor = _ctl(base, temp_c, group) / _ctl(base, 15.0, group)
    return like_inputs(factor, temp_c, density_15_kg_m3)


def observed_density_kg_m3(density_15_kg_m3: ArrayLike, temp_c: ArrayLike, group: str | None = None) -> FloatOrArray:
    """Density at `temp_c` of a liquid of known density at 15 °C [kg/m³]."""
    factor = as_floats(vcf_15(temp_c, density_15_kg_m3, group))
    return like_inputs(as_floats(density_15_kg_m3) * factor, density_15_kg_m3, temp_c)


def density_15_kg_m3(density_kg_m3: ArrayLike, temp_c: ArrayLike, group: str | None = None) -> FloatOrArray:
    """Density at 15 °C from the density observed at `temp_c`, with no correction of a hydrometer's glass [kg/m³]."""
    _check_temp(temp_c)
    base = as_floats(density_60_kg_m3(density_kg_m3, temp_c, group))
    return like_inputs(base * _ctl(base, 15.0, group), density_kg_m3, temp_c)


def density_60_kg_m3(density_kg_m3: ArrayLike, temp_c: ArrayLike, group: str | None = None) -> FloatOrArray:
    """Density at 60 °F from the density observed at `temp_c` [kg/m³].

    Newton's method on ρ60 CTL(ρ60, t) = ρ; NaN where an input is NaN or the result is out of range.

    Raises
    ------
    ValueError : if single numbers lead out of range.
    """
    observed, temp = np.broadcast_arrays(as_floats(density_kg_m3), as_floats(temp_c))
    base = observed.copy() if observed.ndim else np.array([observed])
    target, at = np.atleast_1d(observed), np.atleast_1d(temp)
    for _ in range(20):
        # The standard's own start, kept inside the table while the search runs.
        inside = np.clip(base, 620.0, 1150.0) if group is None else base
        factor = _ctl(inside, at, group)
        nudged = _ctl(inside * (1.0 + 1e-6), at, group)
        slope = factor + (nudged - factor) * 1e6
        step = (target - base * factor) / slope
        base = base + step
        if not np.any(np.abs(step) > 1e-10 * np.abs(base)):
            break
    result = np.where(np.isfinite(_ctl(base, at, group)), base, np.nan).reshape(observed.shape)
    nan_or_raise(
        np.isfinite(result),
        "density and temperature lie out of the range of API MPMS 11.1",
        density_kg_m3,
        temp_c,
    )
    return like_inputs(result, density_kg_m3, temp_c)


@lru_cache(maxsize=1024)
def _base_of_one(density_15_kg_m3: float, group: str | None) -> float:
    """Density at 60 °F of one at 15 °C: the products' typical ones are asked for at every drop. [kg/m³]"""
    return float(as_floats(density_60_kg_m3(density_15_kg_m3, 15.0, group)))


def _ctl(density_60: FloatArray, temp_c: ArrayLike, group: str | None) -> FloatArray:
    """CTL of arrays, so that what lies out of range is NaN."""
    return as_floats(
        ctl_60f(np.atleast_1d(density_60), 1.8 * np.atleast_1d(as_floats(temp_c)) + 32.0, group=group)
    ).reshape(np.broadcast_shapes(np.shape(density_60), np.shape(temp_c)))


def _check_temp(temp_c: ArrayLike) -> None:
    """Refuse a single temperature out of range."""
    fahrenheit = 1.8 * as_floats(temp_c) + 32.0
    nan_or_raise((fahrenheit >= TEMP_LOW_F) & (fahrenheit <= TEMP_HIGH_F), "temp_c must be -50..150", temp_c)
