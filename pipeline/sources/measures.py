"""Units that sites measure in, brought to the contract's. Every figure with its source.

NIST SP 811: Guide for the Use of the International System of Units, 2008, appendix B.8 and B.9.
"""

from collections.abc import Mapping
from typing import Final

import polars as pl

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
    "1": ("", 1.0, 0.0),
}
"""Every unit that settings may name: the quantity that it measures, and how to get to the contract's unit."""

_DECIMALS: Final = 6
"""A converted figure is rounded to a millionth of the contract's unit: below any instrument, above the arithmetic."""


def quantity(column: str) -> str:
    """Quantity that a column of the contract holds, by its suffix; empty where it has no unit."""
    for suffix in ("_kg_m3", "_mm", "_l", "_c"):
        if column.endswith(suffix):
            return suffix[1:]
    return ""


def fits(unit: str, column: str) -> bool:
    """Whether a unit measures what the column holds."""
    return unit in FACTORS and FACTORS[unit][0] == quantity(column)


def converted(value: pl.Expr, unit: str) -> pl.Expr:
    """The value in the contract's unit.

    >>> import polars as pl
    >>> pl.select(converted(pl.lit(212.0), "degF")).item()
    100.0
    >>> pl.select(converted(pl.lit(10.0), "gal_us")).item()
    37.854118
    """
    _, factor, offset = FACTORS[unit]
    if factor == 1.0 and offset == 0.0:
        return value
    return ((value + offset) * factor).round(_DECIMALS)
