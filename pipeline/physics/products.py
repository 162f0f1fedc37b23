"""The products of the contract: typical density, expansion, and what ethanol or FAME in them does to it.

A blend's parts expand each by its own law and their volumes add up (ideal mixing). Ethanol follows OIML R 22. FAME
follows the hydrocarbons' law at its own density, which was found to fit it and its blends [3]_. The excess volume of
ethanol in petrol is left out, for want of a free source: a coefficient in use for E0 to E40, 1.27e-3 per K, is 5 %
above ours for E10. So take as the uncertainty (95 %) of the expansion 2 % for a plain product of known density, 3 %
for a FAME blend and 5 % for an ethanol blend, and 4 % more where the density is not known.

References
----------
.. [1] API Manual of Petroleum Measurement Standards, Chapter 11.1, 2004: hydrocarbons.
.. [2] OIML R 22, "International alcoholometric tables", 1975: pure ethanol.
.. [3] M. Tat, J. Van Gerpen, "The specific gravity of biodiesel and its blends with diesel fuel", Journal of the
   American Oil Chemists' Society 77 (2000) 115-119.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs
from pipeline.physics.base_15 import vcf_15
from pipeline.physics.ethanol import ethanol_density_kg_m3, ethanol_growth

FAME_DENSITY_15_KG_M3: Final = 883.0
"""Middle of what EN 14214 allows, 860 to 900 [kg/m³], by common practice."""


@dataclass(frozen=True)
class Blend:
    """What a product is made of: a hydrocarbon, and shares by volume at 15 °C of ethanol and FAME."""

    stock_15_kg_m3: float
    ethanol_share: float = 0.0
    fame_share: float = 0.0

    @property
    def stock_share(self) -> float:
        """Share by volume at 15 °C of the hydrocarbon."""
        return 1.0 - self.ethanol_share - self.fame_share

    @property
    def added_15_kg_m3(self) -> float:
        """Mass that ethanol and FAME bring to a cubic metre of the blend at 15 °C [kg/m³]."""
        return self.ethanol_share * float(ethanol_density_kg_m3(15.0)) + self.fame_share * FAME_DENSITY_15_KG_M3

    @property
    def density_15_kg_m3(self) -> float:
        """Density at 15 °C by ideal mixing [kg/m³]."""
        return self.stock_share * self.stock_15_kg_m3 + self.added_15_kg_m3


PRODUCTS: Final = {
    "gasoline_e0": Blend(740.0),
    "gasoline_e5": Blend(740.0, ethanol_share=0.05),
    "gasoline_e10": Blend(740.0, ethanol_share=0.10),
    "gasoline_e85": Blend(740.0, ethanol_share=0.85),
    "diesel_b0": Blend(833.0),
    "diesel_b7": Blend(833.0, fame_share=0.07),
    "diesel_b20": Blend(833.0, fame_share=0.20),
    "kerosene": Blend(800.0),
    "heating_oil": Blend(845.0),
}
"""The contract's products. Stocks lie mid-way in EN 228 (720..775) and EN 590 (820..845 kg/m³); those of kerosene and
heating oil are common practice, no source."""


COLDEST_C, WARMEST_C = -39.5, 59.5
"""Between these every product's volume and its growth are known; product in a tank is hardly beyond. [°C]"""


def held_in_range(temp_c: FloatArray) -> FloatArray:
    """Temperatures as far as `product_vcf` and `expansion_per_k` take those of every product; NaN stays NaN. [°C]"""
    return np.clip(temp_c, COLDEST_C, WARMEST_C)


def product_density_15_kg_m3(product: str) -> float:
    """Typical density of `product` at 15 °C [kg/m³].

    Raises
    ------
    ValueError : if the product is not one of the contract's.
    """
    return _blend(product).density_15_kg_m3


def product_vcf(product: str, temp_c: ArrayLike, density_15_kg_m3: ArrayLike | None = None) -> FloatOrArray:
    """Volume of `product` at 15 °C over its volume at `temp_c`.

    Parameters
    ----------
    product : str
        One of the contract's products.
    temp_c : float or ndarray
        Temperature, -50..150 °C, of ethanol blends -40..60 °C.
    density_15_kg_m3 : float or ndarray, optional
        The product's own density at 15 °C; without it the typical one. Where ethanol is more than half, the density
        says little about the hydrocarbon and is not used (NaN still gives NaN).

    Returns
    -------
    float or ndarray
        In arrays NaN where an input is NaN or out of range.

    Raises
    ------
    ValueError : if the product is unknown or a single number is out of range.

    Examples
    --------
    Petrol of 740 kg/m³ at 25 °C (crude oil's coefficients, sometimes misapplied, would give 0.98875).

    >>> round(product_vcf("gasoline_e0", 25.0, 740.0), 5)
    0.9877
    """
    blend = _blend(product)
    volume = blend.stock_share / as_floats(vcf_15(temp_c, _stock_15_kg_m3(blend, density_15_kg_m3)))
    if blend.ethanol_share:
        volume = volume + blend.ethanol_share * as_floats(ethanol_growth(temp_c))
    if blend.fame_share:
        volume = volume + blend.fame_share / as_floats(vcf_15(temp_c, FAME_DENSITY_15_KG_M3))
    return like_inputs(1.0 / volume, temp_c, 0.0 if density_15_kg_m3 is None else density_15_kg_m3)


def product_base_density_15_kg_m3(product: str, density_kg_m3: ArrayLike, temp_c: ArrayLike) -> FloatOrArray:
    """Density of `product` at 15 °C from the density observed at `temp_c` [kg/m³].

    Fixed-point iteration on density_15 = density / VCF, to 1e-10. NaN where an input is NaN or out of range.
    """
    shape = np.broadcast_shapes(np.shape(density_kg_m3), np.shape(temp_c))
    observed = np.broadcast_to(as_floats(density_kg_m3), shape).ravel()
    temp = np.broadcast_to(as_floats(temp_c), shape).ravel()
    base = observed
    for _ in range(40):
        again = observed / as_floats(product_vcf(product, temp, base))
        settled = not np.any(np.abs(again - base) > 1e-10 * base)
        base = again
        if settled:
            break
    return like_inputs(base.reshape(shape) if shape else base[0], density_kg_m3, temp_c)


def expansion_per_k(product: str, temp_c: ArrayLike, density_15_kg_m3: ArrayLike | None = None) -> FloatOrArray:
    """Share by which a litre of `product` grows for 1 K of warming at `temp_c` [1/K].

    The slope of -ln VCF over ± 0.25 K; range and NaN are those of `product_vcf`.
    """
    temp = as_floats(temp_c)
    warmer, cooler = (as_floats(product_vcf(product, temp + d, density_15_kg_m3)) for d in (0.25, -0.25))
    slope = (np.log(cooler) - np.log(warmer)) / 0.5
    return like_inputs(slope, temp_c, 0.0 if density_15_kg_m3 is None else density_15_kg_m3)


@cache
def expansion_15_per_k(product: str) -> float:
    """`expansion_per_k` of a product's typical density at 15 °C, which is asked for at every drop. [1/K]"""
    return float(as_floats(expansion_per_k(product, 15.0)))


def _stock_15_kg_m3(blend: Blend, density_15_kg_m3: ArrayLike | None) -> FloatArray | float:
    """Density of the blend's hydrocarbon, told from the blend's density where that says enough."""
    if density_15_kg_m3 is None:
        return blend.stock_15_kg_m3
    density = as_floats(density_15_kg_m3)
    if blend.stock_share > 0.5:
        stock = (density - blend.added_15_kg_m3) / blend.stock_share
    else:
        stock = np.where(np.isnan(density), np.nan, blend.stock_15_kg_m3)
    return float(stock) if np.ndim(stock) == 0 else stock


def _blend(product: str) -> Blend:
    """Look the product up."""
    if product not in PRODUCTS:
        raise ValueError(f"product must be one of {', '.join(PRODUCTS)}, got {product!r}")
    return PRODUCTS[product]
