"""What a drop into stock gives: temperature, density and litres of the mixture.

The two are of one product with one specific heat, mix completely, and exchange no heat with the tank meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs
from pipeline.physics.products import product_vcf


@dataclass(frozen=True, eq=False)
class Parcel:
    """Some litres of a product: observed volume [l], temperature [°C], density at 15 °C [kg/m³]; numbers or arrays."""

    volume_l: ArrayLike
    temp_c: ArrayLike
    density_15_kg_m3: ArrayLike


def volume_15_l(parcel: Parcel, product: str) -> FloatOrArray:
    """Litres that `parcel` has at 15 °C [l]."""
    factor = as_floats(product_vcf(product, parcel.temp_c, parcel.density_15_kg_m3))
    return like_inputs(as_floats(parcel.volume_l) * factor, *_parts(parcel))


def mass_kg(parcel: Parcel, product: str) -> FloatOrArray:
    """Mass of `parcel` [kg]."""
    litres = as_floats(volume_15_l(parcel, product))
    return like_inputs(litres * as_floats(parcel.density_15_kg_m3) / 1000.0, *_parts(parcel))


def mixed_temp_c(stock: Parcel, drop: Parcel, product: str) -> FloatOrArray:
    """Temperature once `drop` has mixed into `stock`: the mean of the two, weighted by mass [°C].

    NaN where an input is NaN; a part of 0 l still needs a temperature.
    """
    ours, theirs = as_floats(mass_kg(stock, product)), as_floats(mass_kg(drop, product))
    mixed = (ours * as_floats(stock.temp_c) + theirs * as_floats(drop.temp_c)) / _positive(ours + theirs)
    return like_inputs(mixed, *_parts(stock), *_parts(drop))


def mixed_density_15_kg_m3(stock: Parcel, drop: Parcel, product: str) -> FloatOrArray:
    """Density at 15 °C of the mixture: masses over litres at 15 °C, both of which add up [kg/m³]."""
    mass = as_floats(mass_kg(stock, product)) + as_floats(mass_kg(drop, product))
    litres = as_floats(volume_15_l(stock, product)) + as_floats(volume_15_l(drop, product))
    return like_inputs(1000.0 * mass / _positive(litres), *_parts(stock), *_parts(drop))


def mixture(stock: Parcel, drop: Parcel, product: str) -> Parcel:
    """Give `stock` after `drop`: mass and litres at 15 °C add up, the observed litres follow from the temperature."""
    temp = mixed_temp_c(stock, drop, product)
    density = mixed_density_15_kg_m3(stock, drop, product)
    litres_15 = as_floats(volume_15_l(stock, product)) + as_floats(volume_15_l(drop, product))
    volume = litres_15 / as_floats(product_vcf(product, temp, density))
    return Parcel(like_inputs(volume, *_parts(stock), *_parts(drop)), temp, density)


def _parts(parcel: Parcel) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
    """List a parcel's inputs."""
    return parcel.volume_l, parcel.temp_c, parcel.density_15_kg_m3


def _positive(amount: FloatArray) -> FloatArray:
    """Turn what cannot be divided by into NaN."""
    return np.where(amount > 0.0, amount, np.nan)
