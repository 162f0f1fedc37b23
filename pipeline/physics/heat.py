"""Heat between a buried tank and the ground, and the litres that cooling takes.

References
----------
.. [1] T. Kusuda, P. Achenbach, "Earth temperature and thermal diffusivity at selected stations in the United States",
   ASHRAE Transactions 71 (1965) part 1, 61-75.
.. [2] F. Incropera, D. DeWitt, "Fundamentals of Heat and Mass Transfer", table of conduction shape factors: horizontal
   cylinder in a semi-infinite medium.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs
from pipeline.physics.products import product_vcf
from pipeline.units import SECONDS_PER_HOUR

_DAYS_PER_YEAR = 365.0
# 95 % quantile of χ² with one degree of freedom.
_CHI2_95 = 3.841458820694124


def ground_temp_c(
    day_of_year: ArrayLike,
    depth_m: ArrayLike,
    *,
    mean_c: float,
    amplitude_c: float,
    coldest_day: float,
    diffusivity_m2_per_day: float = 0.05,
) -> FloatOrArray:
    """Temperature of undisturbed ground at `depth_m` [°C].

    A yearly wave that fades and lags with depth; no frost, no groundwater, no paving.

    Parameters
    ----------
    day_of_year, depth_m : float or ndarray, broadcast together
    mean_c, amplitude_c, coldest_day : float
        Of the surface: yearly mean, half the yearly swing, and the day of its minimum.
    diffusivity_m2_per_day : float
        Of the soil; 0.02 (dry) to 0.08 (wet), common practice.

    References
    ----------
    .. [1] Kusuda and Achenbach (1965).
    """
    depth = as_floats(depth_m)
    fading = depth * np.sqrt(np.pi / (_DAYS_PER_YEAR * diffusivity_m2_per_day))
    lag_days = depth / 2.0 * np.sqrt(_DAYS_PER_YEAR / (np.pi * diffusivity_m2_per_day))
    phase = 2.0 * np.pi / _DAYS_PER_YEAR * (as_floats(day_of_year) - coldest_day - lag_days)
    return like_inputs(mean_c - amplitude_c * np.exp(-fading) * np.cos(phase), day_of_year, depth_m)


def buried_shape_factor_m(diameter_m: float, length_m: float, axis_depth_m: float) -> float:
    """Conduction shape factor of a buried cylinder, its ends left out [m].

    2πL/arccosh(2z/D), for a cylinder much longer than wide whose axis lies at the depth z.

    Raises
    ------
    ValueError : if a size is not positive or the cylinder breaks the surface.
    """
    if not (diameter_m > 0.0 and length_m > 0.0 and 2.0 * axis_depth_m > diameter_m):
        raise ValueError(f"no buried cylinder: diameter {diameter_m}, length {length_m}, axis at {axis_depth_m} m")
    return float(2.0 * np.pi * length_m / np.arccosh(2.0 * axis_depth_m / diameter_m))


def time_constant_h(
    volume_l: ArrayLike,
    shape_factor_m: float,
    *,
    density_kg_m3: float,
    heat_capacity_j_per_kg_k: float = 2200.0,
    conductivity_w_per_m_k: float = 1.5,
) -> FloatOrArray:
    """Hours in which a buried tank's distance from the ground's temperature falls to 1/e, quasi-steady [h].

    ρ c V/(k S). The first hours after a warm drop are faster (as √t), so a constant fitted to a curve is shorter.
    """
    capacity_j_per_k = density_kg_m3 * heat_capacity_j_per_kg_k * as_floats(volume_l) / 1000.0
    return like_inputs(capacity_j_per_k / (conductivity_w_per_m_k * shape_factor_m) / SECONDS_PER_HOUR, volume_l)


def temperature_after_h(
    start_c: ArrayLike, ground_c: ArrayLike, hours: ArrayLike, time_constant_h: ArrayLike
) -> FloatOrArray:
    """Temperature after `hours` beside ground of `ground_c`: an exponential approach [°C]."""
    ground = as_floats(ground_c)
    left = np.exp(-as_floats(hours) / as_floats(time_constant_h))
    return like_inputs(ground + (as_floats(start_c) - ground) * left, start_c, ground_c, hours, time_constant_h)


def thermal_change_l(
    volume_l: ArrayLike,
    product: str,
    from_c: ArrayLike,
    to_c: ArrayLike,
    *,
    density_15_kg_m3: ArrayLike | None = None,
) -> FloatOrArray:
    """Litres that `volume_l` at `from_c` gains on the way to `to_c`: negative when it cools [l]."""
    before = as_floats(product_vcf(product, from_c, density_15_kg_m3))
    after = as_floats(product_vcf(product, to_c, density_15_kg_m3))
    change = as_floats(volume_l) * (before / after - 1.0)
    return like_inputs(change, volume_l, from_c, to_c, 0.0 if density_15_kg_m3 is None else density_15_kg_m3)


@dataclass(frozen=True)
class TimeConstantFit:
    """A cooling curve's time constant [h] with its 95 % interval, and the curve's start and end [°C].

    `high_h` is infinite where the curve is too short, or too straight, to bound it.
    """

    time_constant_h: float
    low_h: float
    high_h: float
    start_c: float
    ground_c: float
    rms_c: float


def fit_time_constant(hours: ArrayLike, temp_c: ArrayLike) -> TimeConstantFit | None:
    """Time constant of a temperature curve that nears a constant, or None if the curve cannot show one.

    Least squares over time constants from a hundredth of the curve's length to a hundred lengths, each with its best
    start and end. The interval is that of the likelihood ratio; points count for fewer as their residuals hang together
    (lag-1 correlation). None for fewer than 6 finite points, or where a constant fits as well.

    Parameters
    ----------
    hours, temp_c : array, shape (n,)
        In order of time; points with a NaN are left out.
    """
    at, seen = as_floats(hours), as_floats(temp_c)
    known = np.isfinite(at) & np.isfinite(seen)
    at, seen = at[known], seen[known]
    if at.size < 6 or at[-1] <= at[0]:
        return None
    at = at - at[0]
    taus = at[-1] * np.geomspace(0.01, 100.0, 401)
    squares = _squares_left(taus, at, seen)
    best = int(np.argmin(squares))
    # The interval may be narrower than the grid: look again between the best point's neighbours.
    near = np.geomspace(taus[max(best - 1, 0)], taus[min(best + 1, taus.size - 1)], 401)
    taus = np.union1d(taus, near)
    squares = _squares_left(taus, at, seen)
    best = int(np.argmin(squares))
    end, swing = _best_line(np.exp(-at / taus[best]), seen)
    points = _independent_points(seen - end - swing * np.exp(-at / taus[best]))
    floor = max(float(squares[best]), 1e-12 * at.size)
    if points * np.log(max(float(np.sum((seen - seen.mean()) ** 2)), floor) / floor) <= _CHI2_95:
        return None
    likely = taus[points * np.log(np.maximum(squares, floor) / floor) <= _CHI2_95]
    return TimeConstantFit(
        time_constant_h=float(taus[best]),
        low_h=float(likely[0]),
        high_h=np.inf if likely[-1] == taus[-1] else float(likely[-1]),
        start_c=end + swing,
        ground_c=end,
        rms_c=float(np.sqrt(squares[best] / at.size)),
    )


def _squares_left(taus: FloatArray, at: FloatArray, seen: FloatArray) -> FloatArray:
    """Sum of squares that the best curve of each time constant leaves."""
    left = np.empty(taus.size)
    for number, tau in enumerate(taus):
        shape = np.exp(-at / tau)
        end, swing = _best_line(shape, seen)
        left[number] = np.sum((seen - end - swing * shape) ** 2)
    return left


def _best_line(shape: FloatArray, seen: FloatArray) -> tuple[float, float]:
    """Least squares of end + swing · shape."""
    centred = shape - shape.mean()
    swing = float(centred @ seen / (centred @ centred))
    return float(seen.mean() - swing * shape.mean()), swing


def _independent_points(residual: FloatArray) -> float:
    """How many independent points a series with this lag-1 correlation is worth, less the fit's three."""
    power = float(residual @ residual)
    lag_1 = float(residual[1:] @ residual[:-1]) / power if power > 0.0 else 0.0
    lag_1 = min(max(lag_1, 0.0), 0.99)
    return max(residual.size * (1.0 - lag_1) / (1.0 + lag_1) - 3.0, 1.0)
