"""The products of the contract: typical density, expansion, and what blending with ethanol or FAME does to it.

Ethanol blends: the two volumes at 15 °C expand each by its own law and add up (ideal mixing). The excess volume of
ethanol in petrol is left out; it makes an E10 expand some 2 to 5 % more than stated here. FAME blends: the same, FAME
with a constant coefficient. Take 5 % (95 %) as the uncertainty of a blend's expansion, 2 % of a plain product's.

References
----------
.. [1] API Manual of Petroleum Measurement Standards, Chapter 11.1, 2004: hydrocarbons.
.. [2] OIML R 22, "International alcoholometric tables", 1975: pure ethanol.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatOrArray, as_floats, like_inputs
from pipeline.physics.base_15 import vcf_15
from pipeline.physics.ethanol import ethanol_density_kg_m3

FAME_DENSITY_15_KG_M3: Final = 883.0
FAME_SLOPE_KG_M3_PER_K: Final = 0.723


@dataclass(frozen=True)
class Product:
    """What a product is blended from: a hydrocarbon and a share by volume at 15 °C of ethanol or FAME."""

    stock_15_kg_m3: float
    ethanol_share: float = 0.0
    fame_share: float = 0.0

    @property
    def density_15_kg_m3(self) -> float:
        """Density of the blend at 15 °C by ideal mixing. [kg/m³]"""
        stock = 1.0 - self.ethanol_share - self.fame_share
        ethanol = float(ethanol_density_kg_m3(15.0))
        return (
            stock * self.stock_15_kg_m3
            + self.ethanol_share * ethanol
            + self.fame_share * FAME_DENSITY_15_KG_M3
        )


PRODUCTS: Final = {
    "gasoline_e0": Product(740.0),
    "gasoline_e5": Product(740.0, ethanol_share=0.05),
    "gasoline_e10": Product(740.0, ethanol_share=0.10),
    "gasoline_e85": Product(740.0, ethanol_share=0.85),
    "diesel_b0": Product(833.0),
    "diesel_b7": Product(833.0, fame_share=0.07),
    "diesel_b20": Product(833.0, fame_share=0.20),
    "kerosene": Product(800.0),
    "heating_oil": Product(845.0),
}
"""Typical stocks: mid-range of EN 228 and EN 590; kerosene and heating oil by common practice, no source."""


def product_density_15_kg_m3(product: str) -> float:
    """Typical density of `product` at 15 °C. [kg/m³]

    Raises
    ------
    ValueError : if the product is not one of the contract's.
    """
    return _product(product).density_15_kg_m3


def product_vcf(product: str, temp_c: ArrayLike, density_15_kg_m3: ArrayLike | None = None) -> FloatOrArray:
    """Volume of `product` at 15 °C over its volume at `temp_c`.

    Parameters
    ----------
    product : str
        One of the contract's products.
    temp_c : float or ndarray
        [°C]
    density_15_kg_m3 : float or ndarray, optional
        The product's own density at 15 °C; without it the typical one. Of a blend that is mostly ethanol the density
        says little about its hydrocarbon, so there it is not used.

    Returns
    -------
    float or ndarray
        In arrays NaN where an input is NaN or out of range.

    Raises
    ------
    ValueError : if the product is unknown or a single number is out of range.
    """
    blend = _product(product)
    density = blend.density_15_kg_m3 if density_15_kg_m3 is None else as_floats(density_15_kg_m3)
    share = blend.ethanol_share + blend.fame_share
    added = blend.density_15_kg_m3 - (1.0 - share) * blend.stock_15_kg_m3
    stock = (
        blend.stock_15_kg_m3 + (density - blend.density_15_kg_m3) * 0.0
        if share > 0.5
        else (density - added) / (1.0 - share)
    )
    volume = (1.0 - share) / as_floats(vcf_15(temp_c, stock if np.ndim(stock) else float(stock)))
    if blend.ethanol_share:
        volume = volume + blend.ethanol_share * ethanol_density_kg_m3(15.0) / as_floats(
            ethanol_density_kg_m3(temp_c)
        )
    if blend.fame_share:
        warmer = as_floats(temp_c) - 15.0
        volume = volume + blend.fame_share / (1.0 - FAME_SLOPE_KG_M3_PER_K / FAME_DENSITY_15_KG_M3 * warmer)
    return like_inputs(1.0 / volume, temp_c, 0.0 if density_15_kg_m3 is None else density_15_kg_m3)


def product_base_density_15_kg_m3(product: str, density_kg_m3: ArrayLike, temp_c: ArrayLike) -> FloatOrArray:
    """Density of `product` at 15 °C from the density observed at `temp_c`. [kg/m³]

    NaN where an input is NaN or out of range.
    """
    observed, temp = np.broadcast_arrays(
        np.atleast_1d(as_floats(density_kg_m3)), np.atleast_1d(as_floats(temp_c))
    )
    base = observed.copy()
    for _ in range(40):
        again = observed / as_floats(product_vcf(product, temp, base))
        done = not np.any(np.abs(again - base) > 1e-10 * base)
        base = again
        if done:
            break
    shape = np.broadcast_shapes(np.shape(density_kg_m3), np.shape(temp_c))
    return like_inputs(base.reshape(shape), density_kg_m3, temp_c)


def expansion_per_k(
    product: str, temp_c: ArrayLike, density_15_kg_m3: ArrayLike | None = None
) -> FloatOrArray:
    """Share by which a litre of `product` grows when it warms by 1 K at `temp_c`. [1/K]"""
    temp = as_floats(temp_c)
    warmer = as_floats(product_vcf(product, temp + 0.25, density_15_kg_m3))
    cooler = as_floats(product_vcf(product, temp - 0.25, density_15_kg_m3))
    slope = -(np.log(warmer) - np.log(cooler)) / 0.5
    return like_inputs(slope, temp_c, 0.0 if density_15_kg_m3 is None else density_15_kg_m3)


def _product(product: str) -> Product:
    """The product of that name."""
    if product not in PRODUCTS:
        raise ValueError(f"product must be one of {', '.join(PRODUCTS)}, got {product!r}")
    return PRODUCTS[product]
