"""The few units and constants that the trade mixes, each with its source, and how finely a figure is written."""

import math
from typing import Final

L_PER_US_GAL: Final = 3.785411784
"""Litres in a US gallon, exact: 231 cubic inches of 2.54 cm (NIST SP 811 (2008), appendix B.8)."""

STANDARD_GRAVITY_M_S2: Final = 9.80665
"""Standard acceleration of free fall [m/s²], exact (BIPM, 3rd CGPM 1901)."""

SECONDS_PER_HOUR: Final = 3600.0
"""Seconds in an hour, exact."""


def digits_for(low: float | None, high: float | None, value: float | None) -> int:
    """Decimals to write an estimate with: two figures of its interval's half width (three of the value without one).

    Negative where tens or hundreds are what is known: -1 means to round to tens.

    >>> digits_for(1900.0, 2700.0, 2310.0), digits_for(0.31, 0.45, 0.38), digits_for(None, None, 2310.0)
    (-1, 3, -1)
    """
    if low is not None and high is not None and math.isfinite(low) and math.isfinite(high) and high != low:
        scale, figures = abs(high - low) / 2, 2
    elif value is not None and math.isfinite(value) and value:
        scale, figures = abs(float(value)), 3
    else:
        return 0
    return min(max(figures - 1 - math.floor(math.log10(scale)), -6), 3)
