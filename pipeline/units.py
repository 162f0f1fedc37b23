"""The few units and constants that the trade mixes, each with its source."""

from typing import Final

L_PER_US_GAL: Final = 3.785411784
"""Litres in a US gallon, exact: 231 cubic inches of 2.54 cm (NIST SP 811 (2008), appendix B.8)."""

L_PER_M3: Final = 1000.0
"""Litres in a cubic metre, exact."""

MM3_PER_L: Final = 1.0e6
"""Cubic millimetres in a litre, exact."""

REFERENCE_TEMP_C: Final = 15.0
"""Temperature that a `_15_l` and a `_15_kg_m3` are stated at [°C] (ISO 5024)."""

STANDARD_GRAVITY_M_S2: Final = 9.80665
"""Standard acceleration of free fall [m/s²], exact (BIPM, 3rd CGPM 1901)."""

SECONDS_PER_HOUR: Final = 3600.0
"""Seconds in an hour, exact."""

SECONDS_PER_DAY: Final = 86_400.0
"""Seconds in a UTC day; a trading day may last 23 or 25 hours."""

US_GAL_PER_H_0_2_L_PER_H: Final = 0.2 * L_PER_US_GAL
"""The leak that a monthly test has to find, 0.2 US gal/h, in litres an hour (40 CFR 280.43)."""
