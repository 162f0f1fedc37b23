"""What a tank's chart may be wrong by, as shapes over the level: its pose, its size, its nominal geometry, its walls.

A reading r stands for the litres base(r) + [V(r − offset; tilt) − V(r; as the papers say)] + shapes(r) · coefficients.
`base` is the chart with the nominal tank's curve between its rows; V is the nominal tank in its pose, in full; the
shapes are linear: roll, scale, how far the nominal tank is right where the chart differs from it, and a smooth rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

from pipeline.physics.geometry import TankShape, volume_l

Floats = NDArray[np.float64]

REMAINDER_LENGTH_MM = 250.0
"""Over this distance a wall's error of slope keeps its sign. Common practice, no source: 200 to 400 mm."""
REMAINDER_MODES = 16
"""So many smooth shapes, the strongest, make up what roll, scale and geometry leave. No source."""
SHAPES = ("roll", "scale", "geometry", *(f"remainder:{mode}" for mode in range(REMAINDER_MODES)))
_STEPS = 200
_TILT_STEP_MM_PER_M = 0.5
_OFFSET_STEP_MM = 0.5


@dataclass(frozen=True, eq=False)
class TankModel:
    """A lying or upright tank with the chart in force, and how its papers say that it lies.

    `knows_probe` tells whether the papers say where the probe stands; where they do not it is taken at mid-length, and
    a tilt then shows only in what it does to the curve, while most of it goes into the offset.
    """

    tank: TankShape
    tilt_mm_per_m: float
    position_mm: float
    knows_probe: bool
    rows_mm: Floats
    rows_l: Floats
    _nominal: CubicSpline
    _missed: PchipInterpolator
    _modes: tuple[Floats, Floats]

    def nominal_l(self, level_mm: Floats) -> Floats:
        """The nominal tank as its papers have it, beyond its ends its last value. [l]"""
        return np.asarray(self._nominal(_angle(level_mm, self.tank.depth_mm)))

    def base_l(self, level_mm: Floats) -> Floats:
        """The chart at its rows, between them the nominal tank's curve; levels are held to the chart's span. [l]"""
        inside = np.clip(level_mm, self.rows_mm[0], self.rows_mm[-1])
        return np.asarray(self.nominal_l(inside) + self._missed(inside))

    def posed_l(self, level_mm: Floats, tilt_mm_per_m: float, offset_mm: float) -> Floats:
        """What another tilt and an offset of the probe (reading less true level) add to the base. [l]"""
        if tilt_mm_per_m == self.tilt_mm_per_m:
            there = self.nominal_l(level_mm - offset_mm)
        else:
            curve = _curve(self.tank, tilt_mm_per_m, self.position_mm)
            there = np.asarray(curve(_angle(level_mm - offset_mm, self.tank.depth_mm)))
        return there - self.nominal_l(level_mm)

    def pose_slopes_l(self, level_mm: Floats, tilt_mm_per_m: float, offset_mm: float) -> Floats:
        """Derivatives of `posed_l` by tilt and by offset, central differences. Shape (k, 2). [l m/mm, l/mm]"""
        up = self.posed_l(level_mm, tilt_mm_per_m + _TILT_STEP_MM_PER_M, offset_mm)
        down = self.posed_l(level_mm, tilt_mm_per_m - _TILT_STEP_MM_PER_M, offset_mm)
        further = self.posed_l(level_mm, tilt_mm_per_m, offset_mm + _OFFSET_STEP_MM)
        nearer = self.posed_l(level_mm, tilt_mm_per_m, offset_mm - _OFFSET_STEP_MM)
        return np.column_stack(
            [(up - down) / (2.0 * _TILT_STEP_MM_PER_M), (further - nearer) / (2.0 * _OFFSET_STEP_MM)]
        )

    def shapes_l(self, level_mm: Floats) -> Floats:
        """Litres that one unit of each of `SHAPES` adds. Shape (k, shapes).

        Roll's unit is 1 − cos(roll), scale's a share, geometry's the whole way to the nominal tank, each of the
        remainder's one SD of a wall whose slope is off by 100 %: cumulated eigenfunctions of a Gaussian covariance.
        """
        base = self.base_l(level_mm)
        radius = self.tank.diameter_mm / 2.0
        rolled = np.zeros_like(level_mm)
        if self.tank.shape == "horizontal_cylinder":
            surface = (self.nominal_l(level_mm + 1.0) - self.nominal_l(level_mm - 1.0)) / 2.0
            rolled = -surface * (level_mm - radius)
        at, modes = self._modes
        remainder = np.column_stack([np.interp(level_mm, at, modes[:, mode]) for mode in range(modes.shape[1])])
        return np.column_stack([rolled, base, self.nominal_l(level_mm) - base, remainder])


def depth_mm(tank: dict[str, Any]) -> float:
    """How deep a tank of the contract's `tanks` is at its deepest. [mm]"""
    return _shape(tank).depth_mm


def _shape(tank: dict[str, Any]) -> TankShape:
    return TankShape(tank["shape"], tank["end_shape"], tank["diameter_mm"], tank["length_mm"], tank["end_depth_mm"])


def tank_model(tank: dict[str, Any], rows_mm: Floats, rows_l: Floats) -> TankModel:
    """A tank from its row of the contract's `tanks` and the rows of its chart in force.

    Raises
    ------
    ValueError : if the sizes give no tank (`TankShape`).
    """
    shape = _shape(tank)
    tilt = float(tank["tilt_mm_per_m"] or 0.0)
    position = float(tank["probe_position_mm"] or 0.0)
    inside = rows_mm <= shape.depth_mm
    rows_mm, rows_l = rows_mm[inside], rows_l[inside]
    nominal = _curve(shape, tilt, position)
    missed = PchipInterpolator(rows_mm, rows_l - nominal(_angle(rows_mm, shape.depth_mm)))
    return TankModel(
        tank=shape,
        tilt_mm_per_m=tilt,
        position_mm=position,
        knows_probe=tank["probe_position_mm"] is not None,
        rows_mm=rows_mm,
        rows_l=rows_l,
        _nominal=nominal,
        _missed=missed,
        _modes=_remainder_modes(nominal, shape.depth_mm),
    )


def _angle(level_mm: Floats, depth_mm: float) -> Floats:
    """The angle in which a lying cylinder's volume is smooth up to its ends; levels are held to the tank."""
    return np.arccos(1.0 - 2.0 * np.clip(level_mm, 0.0, depth_mm) / depth_mm)


@lru_cache(maxsize=1024)
def _curve(tank: TankShape, tilt_mm_per_m: float, position_mm: float) -> CubicSpline:
    """Litres below a level, as a spline over `_angle`; every way to be wrong asks for the same ones again."""
    angle = np.linspace(0.0, np.pi, _STEPS + 1)
    level = np.clip(tank.depth_mm * (1.0 - np.cos(angle)) / 2.0, 0.0, tank.depth_mm)
    return CubicSpline(angle, volume_l(level, tank, tilt_mm_per_m=tilt_mm_per_m, probe_position_mm=position_mm))


def _remainder_modes(nominal: CubicSpline, depth_mm: float) -> tuple[Floats, Floats]:
    """Levels, and the litres that the leading modes of a Gaussian covariance of the slope's error add up to there."""
    at = np.linspace(0.0, depth_mm, _STEPS + 1)
    middles = (at[1:] + at[:-1]) / 2.0
    apart = (middles[:, None] - middles[None, :]) / REMAINDER_LENGTH_MM
    values, vectors = np.linalg.eigh(np.exp(-0.5 * apart**2))
    order = np.argsort(values)[::-1][:REMAINDER_MODES]
    modes = vectors[:, order] * np.sqrt(np.maximum(values[order], 0.0))
    # An eigenvector's sign is free: the same one on every machine.
    modes = modes * np.where(modes[np.abs(modes).argmax(axis=0), np.arange(modes.shape[1])] < 0.0, -1.0, 1.0)
    litres = np.diff(nominal(_angle(at, depth_mm)))
    return at, np.concatenate([np.zeros((1, modes.shape[1])), np.cumsum(modes * litres[:, None], axis=0)])
