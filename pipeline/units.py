"""The few units and constants that the trade mixes, each with its source."""

from typing import Final

L_PER_US_GAL: Final = 3.785411784
"""Litres in a US gallon, exact: 231 cubic inches of 2.54 cm (NIST SP 811 (2008), appendix B.8)."""

STANDARD_GRAVITY_M_S2: Final = 9.80665
"""Standard acceleration of free fall [m/s²], exact (BIPM, 3rd CGPM 1901)."""

SECONDS_PER_HOUR: Final = 3600.0
"""Seconds in an hour, exact."""
