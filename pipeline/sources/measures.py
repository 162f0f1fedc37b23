"""Units that sites measure in, brought to the contract's. Every figure with its source.

NIST SP 811: Guide for the Use of the International System of Units, 2008, appendix B.8 and B.9.
"""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import polars as pl

from pipeline.physics.volume_correction import LIQUID_GROUPS, WATER_DENSITY_60F_KG_M3, ctl_60f
from pipeline.units import L_PER_US_GAL

FACTORS: Final[Mapping[str, tuple[str, float, float]]] = {
    # unit: quantity, factor, what to add before it is applied
    "mm": ("mm", 1.0, 0.0),
    "cm": ("mm", 10.0, 0.0),
    "m": ("mm", 1000.0, 0.0),
    "in": ("mm", 25.4, 0.0),  # exact, NIST SP 811
    "ft": ("mm", 304.8, 0.0),  # exact, NIST SP 811
    "l": ("l", 1.0, 0.0),
    "ml": ("l", 0.001, 0.0),
    "m3": ("l", 1000.0, 0.0),
    "gal_us": ("l", L_PER_US_GAL, 0.0),
    "gal_imp": ("l", 4.54609, 0.0),  # exact, NIST SP 811
    "bbl": ("l", 42 * L_PER_US_GAL, 0.0),  # a barrel of oil is 42 US gallons, NIST SP 811
    "degC": ("c", 1.0, 0.0),
    "degF": ("c", 5.0 / 9.0, -32.0),  # exact, NIST SP 811 B.9
    "K": ("c", 1.0, -273.15),  # exact, NIST SP 811 B.9
    "kg_m3": ("kg_m3", 1.0, 0.0),
    "kg_l": ("kg_m3", 1000.0, 0.0),
    "lb_ft3": ("kg_m3", 0.45359237 / 0.3048**3, 0.0),  # of the exact pound and foot, NIST SP 811
    "lb_gal_us": ("kg_m3", 0.45359237 / (L_PER_US_GAL / 1000.0), 0.0),
    "per_l": ("per_l", 1.0, 0.0),
    "per_gal_us": ("per_l", 1.0 / L_PER_US_GAL, 0.0),
    "per_gal_imp": ("per_l", 1.0 / 4.54609, 0.0),
    "1": ("", 1.0, 0.0),
}
"""Units that a factor brings to the contract's: the quantity that each measures, and how to get there."""

API: Final = "api"
"""Unit of API gravity, which is no factor away from a density."""
UNITS: Final = (*FACTORS, API)
"""Every unit that settings may name."""

_DECIMALS: Final = 6
"""A converted figure is rounded to a millionth of the contract's unit: below any instrument, above the arithmetic."""
_BASE_15_F: Final = 59.0
"""15 °C in °F, exact."""


def quantity(column: str) -> str:
    """Quantity that a column of the contract holds, by its suffix; empty where it has no unit."""
    if column == "unit_price":
        return "per_l"
    for suffix in ("_kg_m3", "_mm", "_l", "_c"):
        if column.endswith(suffix):
            return suffix[1:]
    return ""


def fits(unit: str, column: str) -> bool:
    """Whether a unit measures what the column holds."""
    measured = "kg_m3" if unit == API else FACTORS[unit][0] if unit in FACTORS else None
    return measured == quantity(column)


def converted(value: pl.Expr, unit: str) -> pl.Expr:
    """The value in the contract's unit; of API gravity the density at 60 °F, null where no refined product has it.

    >>> import polars as pl
    >>> pl.select(converted(pl.lit(212.0), "degF")).item()
    100.0
    >>> pl.select(converted(pl.lit(10.0), "gal_us")).item()
    37.854118
    >>> pl.select(converted(pl.lit(10.0), "api")).item()  # relative density 1: water at 60 °F
    999.016
    """
    if unit == API:
        density = (141.5 * WATER_DENSITY_60F_KG_M3 / (value + 131.5)).round(_DECIMALS)
        low, high = LIQUID_GROUPS["gasoline"].density_low, LIQUID_GROUPS["fuel_oil"].density_high
        return pl.when(density.is_between(low, high)).then(density)
    _, factor, offset = FACTORS[unit]
    if factor == 1.0 and offset == 0.0:
        return value
    return ((value + offset) * factor).round(_DECIMALS)


def densities_from_60(rows: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """Rows whose densities at 60 °F are brought to where the contract has them: 15 °C, or the reading's `temp_c`.

    By API MPMS 11.1 for refined products. Null where the reading has no temperature, or one that no product has.
    """
    for name in columns:
        temp_f = rows["temp_c"].to_numpy() * 1.8 + 32.0 if name == "density_kg_m3" else _BASE_15_F
        density_60 = rows[name].to_numpy()
        factor = ctl_60f(density_60, np.broadcast_to(temp_f, density_60.shape))
        rows = rows.with_columns(pl.Series(name, density_60 * factor, nan_to_null=True).round(_DECIMALS))
    return rows
