"""Density of ethanol and of its mixtures with water.

References
----------
.. [1] OIML R 22, "International alcoholometric tables", International Organization of Legal Metrology, 1975: general
   formula of density against mass fraction and temperature.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatOrArray, as_floats, like_inputs, nan_or_raise

# Powers of the mass fraction, from 0 up.
_A: Final = (
    9.982012300e2, -1.929769495e2, 3.891238958e2, -1.668103923e3, 1.352215441e4, -8.829278388e4,
    3.062874042e5, -6.138381234e5, 7.470172998e5, -5.478461354e5, 2.234460334e5, -3.903285426e4,
)  # fmt: skip
# Powers of (t - 20 °C), from 1 up.
_B: Final = (-2.0618513e-1, -5.2682542e-3, 3.6130013e-5, -3.8957702e-7, 7.1693540e-9, -9.9739231e-11)
# For each power of (t - 20 °C), from 1 up: powers of the mass fraction, from 1 up.
_C: Final = (
    (
        1.693443461530087e-1, -1.046914743455169e1, 7.196353469546523e1, -7.047478054272792e2,
        3.924090430035045e3, -1.210164659068747e4, 2.248646550400788e4, -2.605562982188164e4,
        1.852373922069467e4, -7.420201433430137e3, 1.285617841998974e3,
    ),
    (
        -1.193013005057010e-2, 2.517399633803461e-1, -2.170575700536993, 1.353034988843029e1,
        -5.029988758547014e1, 1.096355666577570e2, -1.422753946421155e2, 1.080435942856230e2,
        -4.414153236817392e1, 7.442971530188783,
    ),
    (
        -6.802995733503803e-4, 1.876837790289664e-2, -2.002561813734156e-1, 1.022992966719220,
        -2.895696483903638, 4.810060584300675, -4.672147440794683, 2.458043105903461, -5.411227621436812e-1,
    ),
    (4.075376675622027e-6, -8.763058573471110e-6, 6.515031360099368e-6, -1.515784836987210e-6),
    (-2.788074354782409e-8, 1.345612883493354e-8),
)  # fmt: skip


def ethanol_water_density_kg_m3(mass_fraction: ArrayLike, temp_c: ArrayLike) -> FloatOrArray:
    """Density of a mixture of ethanol and water at atmospheric pressure [kg/m³].

    Parameters
    ----------
    mass_fraction, temp_c : float or ndarray, broadcast together
        Mass of ethanol over mass of the mixture, 0..1, and temperature [°C], -20..40.

    Returns
    -------
    float or ndarray
        In arrays NaN where an input is NaN or out of range.

    Raises
    ------
    ValueError : if a single number is out of range.

    References
    ----------
    .. [1] OIML R 22 (1975), the general formula; coefficients from its annex.
    """
    share, temp = as_floats(mass_fraction), as_floats(temp_c)
    inside = (share >= 0.0) & (share <= 1.0) & (temp >= -20.0) & (temp <= 40.0)
    nan_or_raise(inside, "mass fraction must be 0..1 and temperature -20..40 °C", mass_fraction, temp_c)
    polyval = np.polynomial.polynomial.polyval
    warmer = temp - 20.0
    density = polyval(share, _A) + polyval(warmer, (0.0, *_B))
    for power, coefficients in enumerate(_C, start=1):
        density = density + warmer**power * polyval(share, (0.0, *coefficients))
    return like_inputs(np.where(inside, density, np.nan), mass_fraction, temp_c)


def ethanol_density_kg_m3(temp_c: ArrayLike) -> FloatOrArray:
    """Density of pure ethanol, -20..40 °C [kg/m³]."""
    return ethanol_water_density_kg_m3(1.0, temp_c)


def ethanol_growth(temp_c: ArrayLike) -> FloatOrArray:
    """Volume of pure ethanol at `temp_c` over its volume at 15 °C, -40..60 °C.

    OIML R 22 within its -20..40 °C; beyond, its density runs on in a straight line, which at 60 °C is some 0.1 % off.
    In arrays NaN where the temperature is NaN or out of range; ValueError for a single number.
    """
    temp = as_floats(temp_c)
    inside = (temp >= -40.0) & (temp <= 60.0)
    nan_or_raise(inside, "ethanol's temp_c must be -40..60", temp_c)
    near = np.clip(np.where(inside, temp, np.nan), -20.0, 40.0)
    edge = np.clip(near, -19.5, 39.5)
    density, steps = (as_floats(ethanol_density_kg_m3(at.reshape(-1))).reshape(temp.shape) for at in (near, edge))
    apart = near - edge
    slope = np.where(apart == 0.0, 0.0, (density - steps) / np.where(apart == 0.0, 1.0, apart))
    return like_inputs(float(ethanol_density_kg_m3(15.0)) / (density + slope * (temp - near)), temp_c)
