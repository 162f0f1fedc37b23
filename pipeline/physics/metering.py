"""What the law lets a fuel meter err by.

References
----------
.. [1] Directive 2014/32/EU, Annex VII (MI-005), points 2.1 to 2.4; the same figures in OIML R 117-1.
.. [2] NIST Handbook 44, §3.30, table T.2, and the older T.2.1.2.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatOrArray, as_floats, like_inputs, nan_or_raise
from pipeline.units import L_PER_US_GAL

MID_SYSTEM_PCT: Final = {0.3: 0.3, 0.5: 0.5, 1.0: 1.0, 1.5: 1.5, 2.5: 2.5}
"""Greatest error allowed to a measuring system by accuracy class, from 2 l up [%], [1]_ table 2 line A."""

MID_METER_PCT: Final = {0.3: 0.2, 0.5: 0.3, 1.0: 0.6, 1.5: 1.0, 2.5: 1.5}
"""The same for the meter alone [%], [1]_ table 2 line B."""

DISPENSER_CLASS: Final = 0.5
"""Accuracy class of a retail fuel dispenser, [1]_ table 5 (from memory)."""

TEMP_SENSOR_C: Final = {0.3: 0.3, 0.5: 0.5}
"""Greatest error of the temperature sensor of a converting system [°C], [1]_ point 2.8."""

US_PROVER_IN3: Final = {"acceptance": 3.0, "maintenance": 6.0}
"""Greatest error of a retail meter on a draw of 5 US gal [in³], [2]_ older T.2.1.2; 40 CFR 280.43(a)(5) has the 6."""

NIST_FAST_PCT: Final = {"acceptance": 0.2, "maintenance": 0.3, "special": 0.5}
"""Above 115 l/min (class 0.3) [%], [2]_ table T.2."""

NIST_RETAIL_PCT: Final = {"acceptance": 0.3, "maintenance": 0.5, "special": 0.5}
"""Retail (class 0.5) [%], [2]_ table T.2, from memory; agrees with 6 in³ in 5 gal, 0.52 %."""

L_PER_IN3: Final = L_PER_US_GAL / 231.0
"""Litres in a cubic inch: a US gallon is 231 of them."""


def max_permissible_error_l(
    volume_l: ArrayLike,
    accuracy_class: float = DISPENSER_CLASS,
    *,
    least_delivery_l: float | None = None,
    meter_alone: bool = False,
) -> FloatOrArray:
    """Greatest error, either way, that the law allows on `volume_l` [l].

    From 2 l up a share of the volume. Below, steps of it: 1..2 l the error of 2 l; 0.4..1 l twice the share; 0.2..0.4 l
    twice the error of 0.4 l; 0.1..0.2 l four times the share; below, four times the error of 0.1 l. Never less than the
    smallest error that belongs to the least delivery, if that is given.

    Parameters
    ----------
    volume_l : float or ndarray
    accuracy_class : float
        0.3, 0.5, 1.0, 1.5 or 2.5.
    least_delivery_l : float, optional
        The minimum measured quantity marked on the dispenser, often 2 or 5 l.
    meter_alone : bool
        The meter's own limits instead of the whole system's.

    Raises
    ------
    ValueError : if the class is unknown, or a single volume is not positive; in arrays such places are NaN.

    References
    ----------
    .. [1] Directive 2014/32/EU, Annex VII, points 2.1 to 2.4.

    Examples
    --------
    >>> round(max_permissible_error_l(20.0), 3), round(max_permissible_error_l(5.0, least_delivery_l=5.0), 3)
    (0.1, 0.05)
    """
    share = _class_pct(accuracy_class, MID_METER_PCT if meter_alone else MID_SYSTEM_PCT) / 100.0
    volume = as_floats(volume_l)
    nan_or_raise(volume > 0.0, "volume_l must be positive", volume_l)
    allowed = share * np.select(
        [volume >= 2.0, volume >= 1.0, volume >= 0.4, volume >= 0.2, volume >= 0.1, volume > 0.0],
        [volume, 2.0, 2.0 * volume, 2.0 * 0.4, 4.0 * volume, 4.0 * 0.1],
        np.nan,
    )
    if least_delivery_l is not None:
        allowed = np.maximum(allowed, min_error_l(least_delivery_l, accuracy_class))
    return like_inputs(allowed, volume_l)


def min_error_l(least_delivery_l: float, accuracy_class: float = DISPENSER_CLASS) -> float:
    """Smallest error that has to be allowed, E_min = 2 MMQ A/100 [l].

    References
    ----------
    .. [1] Directive 2014/32/EU, Annex VII, point 2.4 (the formula from memory).
    """
    return 2.0 * least_delivery_l * _class_pct(accuracy_class, MID_SYSTEM_PCT) / 100.0


def old_us_tolerance_l(volume_l: ArrayLike, *, maintenance: bool = True) -> FloatOrArray:
    """Greatest error by the older US rule, 0.5 in³ and 0.5 in³ a gallon, at least 1 in³; in service the double [l].

    References
    ----------
    .. [1] NIST Handbook 44, older T.2.1.2.
    """
    gallons = as_floats(volume_l) / L_PER_US_GAL
    cubic_inches = np.maximum(0.5 + 0.5 * gallons, 1.0) * (2.0 if maintenance else 1.0)
    return like_inputs(cubic_inches * L_PER_IN3, volume_l)


def _class_pct(accuracy_class: float, table: dict[float, float]) -> float:
    """Look the class up."""
    if accuracy_class not in table:
        raise ValueError(f"accuracy_class must be one of {', '.join(map(str, table))}, got {accuracy_class}")
    return table[accuracy_class]
