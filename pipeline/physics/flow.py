"""Flow through holes, lines and nozzles.

A leak's rate is positive when product leaves. Head and pressure are those that drive the flow.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatOrArray, as_floats, like_inputs
from pipeline.physics.volume_correction import compressibility_per_100k_psi
from pipeline.units import L_PER_US_GAL, SECONDS_PER_HOUR, STANDARD_GRAVITY_M_S2

SHARP_EDGE_DISCHARGE: Final = 0.61
"""Discharge coefficient of a sharp-edged hole (textbooks: 0.61 to 0.62)."""

KPA_PER_PSI: Final = 6.894757293168
"""Kilopascals in a pound-force per square inch (NIST SP 811 (2008), appendix B.8)."""

NOZZLE_LIMIT_L_PER_MIN: Final = 10.0 * L_PER_US_GAL
"""Most that a US retail petrol nozzle may give, 10 US gal/min (40 CFR 80.22(j), now 1090.1500 ff.) [l/min]."""


def orifice_flow_l_per_h(
    hole_mm: ArrayLike, head_mm: ArrayLike, *, discharge: float = SHARP_EDGE_DISCHARGE
) -> FloatOrArray:
    """Flow through a round hole of diameter `hole_mm` under `head_mm` of the liquid itself [l/h].

    Torricelli: Cd A √(2gh), whatever the density. Not positive head, no flow: 0. What comes in against the head of
    groundwater is `leak_flow_l_per_h`'s business.
    """
    head_m = np.maximum(as_floats(head_mm), 0.0) / 1000.0
    area_m2 = np.pi / 4.0 * (as_floats(hole_mm) / 1000.0) ** 2
    flow_m3_s = discharge * area_m2 * np.sqrt(2.0 * STANDARD_GRAVITY_M_S2 * head_m)
    return like_inputs(1000.0 * SECONDS_PER_HOUR * flow_m3_s, hole_mm, head_mm)


def leak_flow_l_per_h(
    hole_mm: ArrayLike,
    product_head_mm: ArrayLike,
    *,
    product_kg_m3: ArrayLike,
    groundwater_head_mm: ArrayLike = 0.0,
    water_kg_m3: float = 999.1,
    discharge: float = SHARP_EDGE_DISCHARGE,
) -> FloatOrArray:
    """Flow through a hole between product inside and groundwater outside [l/h].

    Positive: product leaves; negative: water enters. Both heads are measured up from the hole; below it a head is 0.
    """
    inside = as_floats(product_kg_m3) * np.maximum(as_floats(product_head_mm), 0.0)
    outside = water_kg_m3 * np.maximum(as_floats(groundwater_head_mm), 0.0)
    moving = np.where(inside >= outside, as_floats(product_kg_m3), water_kg_m3)
    flow = as_floats(orifice_flow_l_per_h(as_floats(hole_mm), np.abs(inside - outside) / moving, discharge=discharge))
    signed = np.where(inside >= outside, flow, -flow)
    return like_inputs(signed, hole_mm, product_head_mm, product_kg_m3, groundwater_head_mm)


def hole_mm(flow_l_per_h: ArrayLike, head_mm: ArrayLike, *, discharge: float = SHARP_EDGE_DISCHARGE) -> FloatOrArray:
    """Diameter of the round hole that gives `flow_l_per_h` under `head_mm` [mm]; NaN where there is no head."""
    head_m = np.where(as_floats(head_mm) > 0.0, as_floats(head_mm), np.nan) / 1000.0
    speed = discharge * np.sqrt(2.0 * STANDARD_GRAVITY_M_S2 * head_m)
    area_m2 = as_floats(flow_l_per_h) / (1000.0 * SECONDS_PER_HOUR) / speed
    return like_inputs(1000.0 * np.sqrt(4.0 * area_m2 / np.pi), flow_l_per_h, head_mm)


def rate_at_head_l_per_h(rate_l_per_h: ArrayLike, from_head: ArrayLike, to_head: ArrayLike) -> FloatOrArray:
    """Leak rate at another head, or another line pressure: in proportion to the square root [l/h].

    Heads or pressures in any one unit. 0 where `to_head` is not positive, NaN where `from_head` is not.

    References
    ----------
    .. [1] US EPA, UST Technical Compendium, Release Detection, question 3 (1990): √(P2/P1).

    Examples
    --------
    3 gal/h at 10 psi, at 20 psi:

    >>> round(rate_at_head_l_per_h(3.0, 10.0, 20.0), 4)
    4.2426
    """
    start = np.where(as_floats(from_head) > 0.0, as_floats(from_head), np.nan)
    ratio = np.sqrt(np.maximum(as_floats(to_head), 0.0) / start)
    return like_inputs(as_floats(rate_l_per_h) * ratio, rate_l_per_h, from_head, to_head)


def head_kpa(head_mm: ArrayLike, density_kg_m3: ArrayLike) -> FloatOrArray:
    """Pressure of a column of liquid, ρgh [kPa]."""
    pressure = as_floats(density_kg_m3) * STANDARD_GRAVITY_M_S2 * as_floats(head_mm) / 1e6
    return like_inputs(pressure, head_mm, density_kg_m3)


def pressure_head_mm(pressure_kpa: ArrayLike, density_kg_m3: ArrayLike) -> FloatOrArray:
    """Column of liquid that has this pressure at its foot: the inverse of `head_kpa` [mm]."""
    head = as_floats(pressure_kpa) * 1e6 / (as_floats(density_kg_m3) * STANDARD_GRAVITY_M_S2)
    return like_inputs(head, pressure_kpa, density_kg_m3)


def bulk_modulus_mpa(density_60_kg_m3: ArrayLike, temp_f: ArrayLike = 60.0) -> FloatOrArray:
    """Bulk modulus of a liquid hydrocarbon near atmospheric pressure [MPa].

    The inverse of the compressibility of API MPMS 11.1-2004, §11.1.6.1. Range and NaN as there.
    """
    factor = as_floats(compressibility_per_100k_psi(density_60_kg_m3, temp_f))
    return like_inputs(100.0 * KPA_PER_PSI / factor, density_60_kg_m3, temp_f)


def line_change_l(
    line_l: ArrayLike,
    pressure_drop_kpa: ArrayLike,
    *,
    bulk_modulus_mpa: float,
    wall_modulus_mpa: float = np.inf,
    diameter_over_wall: float = 0.0,
) -> FloatOrArray:
    """Litres that a full line gives back when its pressure falls by `pressure_drop_kpa` [l].

    ΔV/V = ΔP (1/K + D/(E e)), thin wall; `diameter_over_wall` is D/e. By default the wall is stiff. Such litres look
    like a leak while a line cools and its pressure sinks, and are none.
    """
    give = 1.0 / bulk_modulus_mpa + diameter_over_wall / wall_modulus_mpa
    change = as_floats(line_l) * as_floats(pressure_drop_kpa) / 1000.0 * give
    return like_inputs(change, line_l, pressure_drop_kpa)


def exceeds_nozzle(
    volume_l: ArrayLike, seconds: ArrayLike, *, limit_l_per_min: float = NOZZLE_LIMIT_L_PER_MIN
) -> FloatOrArray:
    """1 where `volume_l` in `seconds` is faster than one nozzle can give, so no sale at one nozzle; else 0.

    NaN where an input is NaN or no time passed. The default is the US limit for petrol at retail; truck diesel flows
    at 80 to 120 l/min.
    """
    time = np.where(as_floats(seconds) > 0.0, as_floats(seconds), np.nan)
    per_min = as_floats(volume_l) / time * 60.0
    return like_inputs(np.where(np.isnan(per_min), np.nan, per_min > limit_l_per_min), volume_l, seconds)


def drain_days(surface_m2: float, head_mm: float, hole_mm: float, *, discharge: float = SHARP_EDGE_DISCHARGE) -> float:
    """Days until an upright prism of liquid has run out through a hole in its bottom [days].

    2S/(Cd A) √(h/2g), by integrating Torricelli's law.
    """
    area_m2 = discharge * np.pi / 4.0 * (hole_mm / 1000.0) ** 2
    seconds = 2.0 * surface_m2 / area_m2 * np.sqrt(head_mm / 1000.0 / (2.0 * STANDARD_GRAVITY_M_S2))
    return float(seconds / 86400.0)
