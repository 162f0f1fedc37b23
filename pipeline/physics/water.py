"""Water under fuel: its density, how much an ethanol blend can dissolve, and the layer that a split leaves.

References
----------
.. [1] M. Tanaka, G. Girard, R. Davis, A. Peuto, N. Bignell, "Recommended table for the density of water between 0 °C
   and 40 °C based on recent experimental reports", Metrologia 38 (2001) 301-309, DOI 10.1088/0026-1394/38/4/3.
.. [2] D. Korotney, "Water phase separation in oxygenated gasoline", memorandum, US Environmental Protection Agency,
   1995, as quoted by the trade: 0.4948 % at 60 °F and 0.3646 % at 20 °F for 10 % of ethanol.
.. [3] University of Nebraska, field test of E10 and E15, temperature not stated: 3.06 and 6.47 US tsp a US gal, which
   is 0.398 % and 0.842 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs, nan_or_raise
from pipeline.physics.ethanol import ethanol_density_kg_m3, ethanol_water_density_kg_m3
from pipeline.physics.products import PRODUCTS

SPLIT_ETHANOL_SHARE: Final = (0.4, 0.8)
"""Share of a blend's ethanol that goes down when it splits (trade leaflets; indicative)."""

# E10's line through [2]_ and two more quoted points, 0.5 % at 60 °F and 0.3 % at 10 °F.
_E10_AT_15_PCT, _E10_PER_K = 0.494, 0.0066
_E10_BAND_PCT, _BEYOND_PER_K = 0.12, 0.005
_KNOWN_LOW_C, _KNOWN_HIGH_C = -12.0, 16.0
# What petrol without ethanol holds at 15 °C; from memory.
_E0_PCT = 0.02


def water_density_kg_m3(temp_c: ArrayLike) -> FloatOrArray:
    """Density of air-free water at atmospheric pressure, 0..40 °C [kg/m³].

    Within 0.001 kg/m³. In arrays NaN where the temperature is NaN or out of range; ValueError for a single number.

    References
    ----------
    .. [1] Tanaka et al., Metrologia 38 (2001) 301-309, equation 1.
    """
    temp = as_floats(temp_c)
    inside = (temp >= 0.0) & (temp <= 40.0)
    nan_or_raise(inside, "temp_c must be 0..40", temp_c)
    shape = (temp - 3.983035) ** 2 * (temp + 301.797) / (522528.9 * (temp + 69.34881))
    return like_inputs(np.where(inside, 999.974950 * (1.0 - shape), np.nan), temp_c)


@dataclass(frozen=True, eq=False)
class WaterTolerance:
    """Water that a blend can dissolve, percent by volume: best guess and the band it is likely in."""

    pct: FloatOrArray
    low_pct: FloatOrArray
    high_pct: FloatOrArray


def water_tolerance(product: str, temp_c: ArrayLike) -> WaterTolerance:
    """Water that an ethanol blend holds before it splits [% by volume].

    E10: a straight line through three quoted points between -12 and 16 °C, which they miss by 0.015 %; ± 0.12 %, for
    they are second-hand and one more measurement [3]_ lies 0.13 % lower; beyond them the band widens by 0.005 % a
    kelvin. E5: half-way between E10 and petrol's 0.02 %, ± 0.17 %, for want of data. Use the band, not the guess.

    Parameters
    ----------
    product : str
        One of the contract's products.
    temp_c : float or ndarray
        Temperature of the blend [°C].

    Returns
    -------
    WaterTolerance
        NaN for products other than E5 and E10 (E85 holds some percent, no figure found; the others hold a trace and
        do not split), and where the temperature is NaN.

    Raises
    ------
    ValueError : if the product is unknown.
    """
    if product not in PRODUCTS:
        raise ValueError(f"product must be one of {', '.join(PRODUCTS)}, got {product!r}")
    temp = as_floats(temp_c)
    beyond = np.maximum(_KNOWN_LOW_C - temp, 0.0) + np.maximum(temp - _KNOWN_HIGH_C, 0.0)
    pct = np.maximum(_E10_AT_15_PCT + _E10_PER_K * (temp - 15.0), 0.0)
    band = _E10_BAND_PCT + _BEYOND_PER_K * beyond
    if product == "gasoline_e5":
        pct, band = (pct + _E0_PCT) / 2.0, band + 0.05
    elif product != "gasoline_e10":
        pct = pct * np.nan
    low, high = np.maximum(pct - band, 0.0), pct + band
    return WaterTolerance(like_inputs(pct, temp_c), like_inputs(low, temp_c), like_inputs(high, temp_c))


@dataclass(frozen=True)
class SplitLayer:
    """The layer under a blend that has split: litres at 15 °C, mass fraction of ethanol, density at the temperature."""

    volume_15_l: float
    ethanol_mass_fraction: float
    density_kg_m3: float


def split_layer(product: str, blend_l: float, water_l: float, *, ethanol_share: float, temp_c: float) -> SplitLayer:
    """Layer of water and ethanol that a split leaves on the bottom.

    Volumes count as at 15 °C. All the water goes down, and `ethanol_share` of the ethanol (see
    `SPLIT_ETHANOL_SHARE`); the hydrocarbon that they carry along, some percent, is left out. Such a layer lies between
    fuel and water: a float that is weighted for water may not lift on it.

    Raises
    ------
    ValueError : if the product is no ethanol blend, or a number is out of range.
    """
    ethanol_in_blend = PRODUCTS[product].ethanol_share if product in PRODUCTS else 0.0
    if ethanol_in_blend == 0.0:
        raise ValueError(f"only an ethanol blend splits, got {product!r}")
    if not (blend_l > 0.0 and water_l > 0.0 and 0.0 <= ethanol_share <= 1.0):
        raise ValueError(f"litres must be positive and ethanol_share 0..1, got {blend_l}, {water_l}, {ethanol_share}")
    water_kg = water_l * float(water_density_kg_m3(15.0)) / 1000.0
    ethanol_kg = blend_l * ethanol_in_blend * ethanol_share * float(ethanol_density_kg_m3(15.0)) / 1000.0
    fraction = ethanol_kg / (water_kg + ethanol_kg)
    litres = 1000.0 * (water_kg + ethanol_kg) / float(ethanol_water_density_kg_m3(fraction, 15.0))
    return SplitLayer(litres, fraction, float(ethanol_water_density_kg_m3(fraction, temp_c)))


def float_lift(layer_kg_m3: ArrayLike, product_kg_m3: ArrayLike, float_kg_m3: ArrayLike) -> FloatOrArray:
    """Where a water float of density `float_kg_m3` rides: 1 on the layer's surface, 0 on the tank's bottom.

    It lifts only off a layer that is denser than itself, and sinks only through a product that is lighter; NaN where
    an input is NaN, or where the float is lighter than the product and so rides on that.
    """
    layer, product, weight = as_floats(layer_kg_m3), as_floats(product_kg_m3), as_floats(float_kg_m3)
    known: FloatArray = np.where((weight > product) & ~np.isnan(layer), 1.0, np.nan)
    return like_inputs(known * (layer > weight), layer_kg_m3, product_kg_m3, float_kg_m3)


def wet_density_15_kg_m3(density_15_kg_m3: ArrayLike, water_pct: ArrayLike) -> FloatOrArray:
    """Density at 15 °C of a blend with `water_pct` percent by volume of water dissolved in it, ideal mixing [kg/m³].

    The half percent that E10 can hold raises it by about 1.2 kg/m³: density alone does not show dissolved water.
    """
    share = as_floats(water_pct) / 100.0
    mixed = (as_floats(density_15_kg_m3) + share * float(water_density_kg_m3(15.0))) / (1.0 + share)
    return like_inputs(mixed, density_15_kg_m3, water_pct)
