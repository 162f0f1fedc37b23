"""What evaporates: a share of the throughput, and what a resting tank breathes out, more of it where it is warm.

Losses are negative litres, as everywhere; a product that hardly evaporates loses 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatOrArray, as_floats, like_inputs
from pipeline.physics.products import PRODUCTS


@dataclass(frozen=True)
class VapourLoss:
    """Share of the throughput that is lost [-] and breathing of a resting tank [l/h], each with its likely range."""

    throughput_share: float
    throughput_low: float
    throughput_high: float
    breathing_l_per_h: float
    breathing_low: float
    breathing_high: float


_PETROL = VapourLoss(0.0003, 0.0001, 0.0005, 0.03, 0.01, 0.06)
_NONE = VapourLoss(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

VAPOUR_LOSS: Final = {product: _PETROL if product.startswith("gasoline") else _NONE for product in PRODUCTS}
"""Petrol with vapour recovery 0.01 to 0.05 % of the throughput, 10 to 60 ml an hour at rest: common practice, no
source. Without recovery a submerged fill alone displaces 0.13 % (AP-42 §5.2, 880 mg/l, from memory)."""


REFERENCE_C: Final = 15.0
VAPOUR_SLOPE_K: Final = 5_237.3 / 1.8
"""How steeply the logarithm of petrol's vapour pressure falls with 1/T: AP-42 §7.1, table 7.1-2, B of motor gasoline of
RVP 10, 5,237.3 °R (from memory). [K]"""


def vapour_pressure_ratio(product: str, temp_c: ArrayLike) -> FloatOrArray:
    """Vapour pressure at a temperature as a multiple of that at 15 °C; 1 for what hardly evaporates, and where unknown.

    ln P = A − B/T (Clausius and Clapeyron, as AP-42 §7.1 equation 1-25 has it for petroleum liquids).
    """
    kelvin = as_floats(temp_c) + 273.15
    steep_k = VAPOUR_SLOPE_K if product.startswith("gasoline") else 0.0
    ratio = np.exp(steep_k * (1.0 / (REFERENCE_C + 273.15) - 1.0 / np.clip(kelvin, 233.15, 333.15)))
    return like_inputs(np.nan_to_num(ratio, nan=1.0), temp_c)


def vapour_change_l(
    product: str,
    throughput_l: ArrayLike,
    hours: ArrayLike,
    *,
    throughput_share: float | None = None,
    breathing_l_per_h: float | None = None,
) -> FloatOrArray:
    """Litres that evaporation takes from the stock: negative, or 0 [l].

    Parameters
    ----------
    product : str
    throughput_l, hours : float or ndarray, broadcast together
        What was sold, and how long the tank breathed.
    throughput_share, breathing_l_per_h : float, optional
        Instead of the typical ones of `VAPOUR_LOSS`.

    Raises
    ------
    ValueError : if the product is unknown.
    """
    if product not in VAPOUR_LOSS:
        raise ValueError(f"product must be one of {', '.join(VAPOUR_LOSS)}, got {product!r}")
    typical = VAPOUR_LOSS[product]
    share = typical.throughput_share if throughput_share is None else throughput_share
    breathing = typical.breathing_l_per_h if breathing_l_per_h is None else breathing_l_per_h
    lost = share * as_floats(throughput_l) + breathing * as_floats(hours)
    return like_inputs(0.0 - lost, throughput_l, hours)


def liquid_share(vapour_mg_per_l: ArrayLike, condensate_kg_m3: float = 670.0) -> FloatOrArray:
    """Share of a liquid's volume that an emission of `vapour_mg_per_l` takes with it.

    `condensate_kg_m3` is the density of what evaporates, lighter than the petrol that it leaves.
    """
    return like_inputs(as_floats(vapour_mg_per_l) / 1000.0 / condensate_kg_m3, vapour_mg_per_l)


def loading_loss_mg_per_l(
    saturation: ArrayLike, pressure_kpa: ArrayLike, molar_mass_g_per_mol: ArrayLike, temp_c: ArrayLike
) -> FloatOrArray:
    """Vapour that filling drives out, as mass per volume loaded [mg/l].

    Parameters
    ----------
    saturation : float or ndarray
        0.5 submerged, 1.0 with vapour balance, 1.45 splash.
    pressure_kpa, molar_mass_g_per_mol, temp_c : float or ndarray
        True vapour pressure, molar mass of the vapour, temperature of the liquid.

    Notes
    -----
    The ideal gas law times the saturation: S P M/(R T). AP-42's 12.46 S P M/T in lb a 1000 gal, psia and °R is the
    same within 0.1 %.

    References
    ----------
    .. [1] US EPA, AP-42, 5th edition, §5.2, equation 1 (1995; its saturation factors from memory).
    """
    gas_j_per_mol_k = 8.314462618
    amount = as_floats(saturation) * as_floats(pressure_kpa) / (gas_j_per_mol_k * (as_floats(temp_c) + 273.15))
    return like_inputs(
        1000.0 * amount * as_floats(molar_mass_g_per_mol), saturation, pressure_kpa, molar_mass_g_per_mol, temp_c
    )
