"""Volume correction of liquid hydrocarbons for temperature and pressure, to the base of 60 °F.

The method of API MPMS Chapter 11.1-2004 (= ASTM D1250-04, IP 200/04), procedure 11.1.6.1, unrounded. A single number
out of range raises ValueError; in an array such places become NaN.

References
----------
.. [1] API Manual of Petroleum Measurement Standards, Chapter 11.1, "Temperature and Pressure Volume Correction Factors
   for Generalized Crude Oils, Refined Products, and Lubricating Oils", 2004 with addendum 1 (2007), §11.1.6.1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs, nan_or_raise

WATER_DENSITY_60F_KG_M3: Final = 999.016
"""Density of water at 60 °F that relative density and °API refer to [kg/m³], [1]_."""

TEMP_LOW_F: Final = -58.0
TEMP_HIGH_F: Final = 302.0
"""Temperatures within which the correction holds. [°F]"""

_ITS68 = (-0.148759, -0.267408, 1.080760, 1.269056, -4.089591, -1.871251, 7.438081, -3.536296)
_DELTA_60 = 0.01374979547
_BASE_60_F = 60.0068749


@dataclass(frozen=True)
class LiquidGroup:
    """A group of liquids that share coefficients, and the densities at 60 °F that it holds for [kg/m³]."""

    name: str
    density_low: float
    density_high: float
    k0: float
    k1: float
    k2: float


LIQUID_GROUPS: Final = {
    group.name: group
    for group in (
        LiquidGroup("gasoline", 610.6, 770.3520, 192.4571, 0.2438, 0.0),
        LiquidGroup("transition", 770.3520, 787.5195, 1489.0670, 0.0, -0.00186840),
        LiquidGroup("jet", 787.5195, 838.3127, 330.3010, 0.0, 0.0),
        LiquidGroup("fuel_oil", 838.3127, 1163.5, 103.8720, 0.2701, 0.0),
        LiquidGroup("crude", 610.6, 1163.5, 341.0957, 0.0, 0.0),
        LiquidGroup("lubricant", 800.9, 1163.5, 0.0, 0.34878, 0.0),
    )
}
"""Coefficients of [1]_; the first four are the refined products, told apart by density."""

_PRODUCTS = tuple(LIQUID_GROUPS[name] for name in ("gasoline", "transition", "jet", "fuel_oil"))


def density_60_from_api(api_gravity: ArrayLike) -> FloatOrArray:
    """Density at 60 °F from °API [kg/m³]."""
    return like_inputs(WATER_DENSITY_60F_KG_M3 * 141.5 / (131.5 + as_floats(api_gravity)), api_gravity)


def temp_its68_f(temp_f: ArrayLike) -> FloatOrArray:
    """Temperature on the scale of 1968, on which the coefficients rest, from one of the scale of 1990 [°F]."""
    celsius = (as_floats(temp_f) - 32.0) / 1.8
    tau = celsius / 630.0
    shift = np.polynomial.polynomial.polyval(tau, (0.0, *_ITS68))
    return like_inputs(1.8 * (celsius - shift) + 32.0, temp_f)


def density_its68_kg_m3(density_60_kg_m3: ArrayLike, *, group: str | None = None) -> FloatOrArray:
    """Density at the 60 °F of the scale of 1968, ρ* of [1]_ [kg/m³]."""
    rho = as_floats(density_60_kg_m3)
    k0, k1, k2 = _coefficients(rho, group)
    a = _DELTA_60 / 2.0 * ((k0 / rho + k1) / rho + k2)
    b = (2.0 * k0 + k1 * rho) / (k0 + (k1 + k2 * rho) * rho)
    shift = np.expm1(a * (1.0 + 0.8 * a)) / (1.0 + a * (1.0 + 1.6 * a) * b)
    return like_inputs(rho * (1.0 + shift), density_60_kg_m3)


def expansion_60_per_f(density_60_kg_m3: ArrayLike, *, group: str | None = None) -> FloatOrArray:
    """Coefficient of thermal expansion at 60 °F, α60 of [1]_ [1/°F]."""
    rho = as_floats(density_60_kg_m3)
    k0, k1, k2 = _coefficients(rho, group)
    shifted = as_floats(density_its68_kg_m3(rho, group=group))
    return like_inputs((k0 / shifted + k1) / shifted + k2, density_60_kg_m3)


def ctl_60f(density_60_kg_m3: ArrayLike, temp_f: ArrayLike, *, group: str | None = None) -> FloatOrArray:
    """Correction for temperature: volume at 60 °F over volume at `temp_f`, at the same pressure.

    Parameters
    ----------
    density_60_kg_m3, temp_f : float or ndarray, broadcast together
        Density at 60 °F [kg/m³] and the liquid's temperature [°F].
    group : str, optional
        A key of `LIQUID_GROUPS`; without it a refined product's group is told from its density.

    Returns
    -------
    float or ndarray
        Unrounded. In arrays NaN where an input is NaN or out of range.

    Raises
    ------
    ValueError : if a single density or temperature is out of range, or `group` is unknown.

    Examples
    --------
    Example 6 of [1]_, §11.1.6.1: petrol of 657.3 kg/m³ at 27.3 °F.

    >>> ctl_60f(657.3, 27.3)
    1.026475833518
    """
    rho, temp = as_floats(density_60_kg_m3), as_floats(temp_f)
    inside = (temp >= TEMP_LOW_F) & (temp <= TEMP_HIGH_F)
    nan_or_raise(inside, f"temperature must be {TEMP_LOW_F}..{TEMP_HIGH_F} °F", temp_f)
    alpha = as_floats(expansion_60_per_f(rho if rho.ndim else density_60_kg_m3, group=group))
    warmer = as_floats(temp_its68_f(np.where(inside, temp, np.nan))) - _BASE_60_F
    return like_inputs(np.exp(-alpha * warmer * (1.0 + 0.8 * alpha * (warmer + _DELTA_60))), density_60_kg_m3, temp_f)


def compressibility_per_100k_psi(
    density_60_kg_m3: ArrayLike, temp_f: ArrayLike, *, group: str | None = None
) -> FloatOrArray:
    """Scaled compressibility Fp of [1]_ [1e-5/psi]."""
    shifted = as_floats(density_its68_kg_m3(density_60_kg_m3, group=group))
    temp = as_floats(temp_its68_f(temp_f))
    factor = np.exp(-1.9947 + 0.00013427 * temp + (793920.0 + 2326.0 * temp) / shifted**2)
    return like_inputs(factor, density_60_kg_m3, temp_f)


def cpl_60f(
    density_60_kg_m3: ArrayLike, temp_f: ArrayLike, pressure_psig: ArrayLike, *, group: str | None = None
) -> FloatOrArray:
    """Correction for pressure: volume at atmospheric pressure over volume at `pressure_psig`; below it 1."""
    factor = as_floats(compressibility_per_100k_psi(density_60_kg_m3, temp_f, group=group))
    pressure = np.maximum(as_floats(pressure_psig), 0.0)
    return like_inputs(1.0 / (1.0 - 1e-5 * factor * pressure), density_60_kg_m3, temp_f, pressure_psig)


def ctpl_60f(
    density_60_kg_m3: ArrayLike, temp_f: ArrayLike, pressure_psig: ArrayLike, *, group: str | None = None
) -> FloatOrArray:
    """Correction for temperature and pressure, rounded to the 5 decimals that [1]_ prints."""
    ctl = as_floats(ctl_60f(density_60_kg_m3, temp_f, group=group))
    cpl = as_floats(cpl_60f(density_60_kg_m3, temp_f, pressure_psig, group=group))
    return like_inputs(np.round(ctl * cpl, 5), density_60_kg_m3, temp_f, pressure_psig)


def _coefficients(rho: FloatArray, group: str | None) -> tuple[FloatArray, FloatArray, FloatArray]:
    """K0, K1 and K2 for each density; NaN outside the group's densities (ValueError for a single one)."""
    if group is not None and group not in LIQUID_GROUPS:
        raise ValueError(f"group must be one of {', '.join(LIQUID_GROUPS)}, got {group!r}")
    groups = _PRODUCTS if group is None else (LIQUID_GROUPS[group],)
    low, high = groups[0].density_low, groups[-1].density_high
    inside = (rho >= low) & (rho <= high)
    if rho.ndim == 0:
        nan_or_raise(inside, f"density at 60 °F must be {low}..{high} kg/m³", float(rho))
    if len(groups) == 1:
        one = groups[0]
        return (
            np.where(inside, one.k0, np.nan),
            np.where(inside, one.k1, np.nan),
            np.where(inside, one.k2, np.nan),
        )
    place = np.searchsorted([entry.density_low for entry in groups[1:]], rho, side="right")
    table = np.array([(entry.k0, entry.k1, entry.k2) for entry in groups])[place]
    k0, k1, k2 = np.moveaxis(np.where(inside[..., None], table, np.nan), -1, 0)
    return k0, k1, k2
