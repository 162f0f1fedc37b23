"""Volume and density of fuels between the observed temperature and 15 °C.

Hydrocarbons follow API MPMS 11.1-2004 (`volume_correction`), carried over to a base of 15 °C. A single number out of
range raises ValueError; in an array such places become NaN, and NaN stays NaN.

References
----------
.. [1] API Manual of Petroleum Measurement Standards, Chapter 11.1, 2004 with addendum 1 (2007).
.. [2] ASTM D1250-80 / ISO 91-1:1982, Table 54B.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs, nan_or_raise
from pipeline.physics.base_15 import density_15_kg_m3, density_60_kg_m3, observed_density_kg_m3, vcf_15
from pipeline.physics.products import (
    expansion_per_k,
    product_base_density_15_kg_m3,
    product_density_15_kg_m3,
    product_vcf,
)
from pipeline.physics.volume_correction import cpl_60f, ctl_60f, ctpl_60f, density_60_from_api

__all__ = [
    "cpl_60f",
    "ctl_60f",
    "ctpl_60f",
    "density_15_kg_m3",
    "density_60_from_api",
    "density_60_kg_m3",
    "expansion_per_k",
    "observed_density_kg_m3",
    "product_base_density_15_kg_m3",
    "product_density_15_kg_m3",
    "product_vcf",
    "table_54b_vcf",
    "vcf_15",
]

_54B_LOW: Final = 653.0
_54B_HIGH: Final = 1075.0


def table_54b_vcf(temp_c: ArrayLike, density_15_kg_m3: ArrayLike) -> FloatOrArray:
    """Volume at 15 °C over volume at `temp_c` by the older Table 54B [2]_, still printed on tickets.

    For cross-checks: `vcf_15` is the method in force. NaN, or ValueError for a single number, outside 653..1075 kg/m³.
    """
    rho = as_floats(density_15_kg_m3)
    inside = (rho >= _54B_LOW) & (rho <= _54B_HIGH)
    nan_or_raise(inside, f"density at 15 °C must be {_54B_LOW}..{_54B_HIGH} kg/m³", density_15_kg_m3)
    alpha: FloatArray = np.select(
        [~inside, rho <= 770.0, rho < 787.5, rho <= 839.0],
        [
            np.full_like(rho, np.nan),
            (346.4228 + 0.4388 * rho) / rho**2,
            -0.00336312 + 2680.3206 / rho**2,
            594.5418 / rho**2,
        ],
        (186.9696 + 0.4862 * rho) / rho**2,
    )
    warmer = as_floats(temp_c) - 15.0
    return like_inputs(np.exp(-alpha * warmer * (1.0 + 0.8 * alpha * warmer)), temp_c, density_15_kg_m3)
