"""Litres below a level in a cylindrical tank, upright or lying, with dished ends, tilt and roll.

A tank is a solid of revolution made of pieces along its axis. At each point of the axis the liquid fills a segment of
a circle; its area, integrated along the axis (`sections`), is the volume. One rule serves every end shape, tilted or
not. A volume costs some 10 µs: for many of them take `gauge_table` and interpolate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs
from pipeline.physics.profiles import Piece, end_pieces, mirrored, shell
from pipeline.physics.sections import Section, across_axis, along_axis, chord, segment_area

SHAPES = ("horizontal_cylinder", "vertical_cylinder")
END_SHAPES = ("flat", "hemispherical", "elliptical_2_1", "torispherical", "spherical_cap")

# An upright tank that leans less stands straight: a micrometre in a metre.
_LEAST_SLOPE = 1e-6
# Levels worked on at once: bounds the memory.
_CHUNK = 2048


@dataclass(frozen=True)
class TankShape:
    """Nominal shape of a tank: shell, ends and their sizes in mm.

    `length_mm` is the shell without its ends: the length of a lying tank, the height of an upright one. Both ends are
    alike. An upright tank with dished ends stands on a convex bottom.

    Raises
    ------
    ValueError : if a name is unknown, a size is not positive, or a spherical cap's depth is missing or beyond the
        radius.
    """

    shape: str
    end_shape: str
    diameter_mm: float
    length_mm: float
    end_depth_mm: float | None = None

    def __post_init__(self) -> None:
        """Refuse what is no tank."""
        if self.shape not in SHAPES:
            raise ValueError(f"shape must be one of {', '.join(SHAPES)}, got {self.shape!r}")
        if self.end_shape not in END_SHAPES:
            raise ValueError(f"end_shape must be one of {', '.join(END_SHAPES)}, got {self.end_shape!r}")
        if not (self.diameter_mm > 0 and self.length_mm > 0):
            raise ValueError(f"diameter_mm and length_mm must be positive, got {self.diameter_mm}, {self.length_mm}")
        if self.end_shape == "spherical_cap" and not 0 < (self.end_depth_mm or 0.0) <= self.diameter_mm / 2:
            raise ValueError(f"a spherical_cap's end_depth_mm must be in (0, radius], got {self.end_depth_mm}")

    @property
    def depth_mm(self) -> float:
        """Highest level that the tank can show [mm]."""
        if self.shape == "horizontal_cylinder":
            return self.diameter_mm
        return 200.0 * _pieces(self)[-1].stop


def volume_l(
    level_mm: ArrayLike,
    tank: TankShape,
    *,
    tilt_mm_per_m: float = 0.0,
    probe_position_mm: float = 0.0,
    roll_deg: float = 0.0,
) -> FloatOrArray:
    """Litres below `level_mm`, at the tank's own temperature.

    In a lying tank x runs along the axis from mid-length, and the depth at x is level + tilt (x - probe position): a
    positive tilt lowers the axis toward +x. In an upright tank x is the horizontal distance from the axis, with the
    same rule. Roll turns a lying tank about its axis, so that its probe leans: a reading h stands for
    (h - R) cos(roll) + R; an upright tank knows no roll. The walls are taken as thin, empty of fittings, and stiff.

    Parameters
    ----------
    level_mm : float or ndarray
        Surface above the bottom of the shell at the probe, measured square to the axis of a lying tank [mm].
    tank : TankShape
    tilt_mm_per_m, probe_position_mm, roll_deg : float
        How the tank lies and where its probe stands [mm/m, mm, degrees].

    Returns
    -------
    float or ndarray
        [l]. NaN where `level_mm` is NaN or outside 0..`tank.depth_mm`: never clamped. A tilted tank still holds
        liquid at level 0 if the probe is not at its low end.

    Raises
    ------
    ValueError : if an option is not finite.

    Notes
    -----
    Quadrature of the segment area R² arccos((R - h)/R) - (R - h) √(2Rh - h²) over the axis; relative error below 1e-9.

    References
    ----------
    .. [1] D. Jones, "Calculating Tank Volume", 2004: the closed forms for level tanks that this is checked against.

    Examples
    --------
    >>> tank = TankShape("horizontal_cylinder", "flat", 1500.0, 5000.0)
    >>> round(volume_l(750.0, tank), 6)
    4417.864669
    """
    pose = _Pose(tilt_mm_per_m, probe_position_mm, roll_deg)
    return like_inputs(_over_levels(level_mm, tank, pose, segment_area), level_mm)


def surface_l_per_mm(
    level_mm: ArrayLike,
    tank: TankShape,
    *,
    tilt_mm_per_m: float = 0.0,
    probe_position_mm: float = 0.0,
    roll_deg: float = 0.0,
) -> FloatOrArray:
    """Litres that one millimetre of reading stands for at `level_mm`: dV/dh, the free surface's area [l/mm].

    Parameters, range and NaN are those of `volume_l`.
    """
    pose = _Pose(tilt_mm_per_m, probe_position_mm, roll_deg)
    return like_inputs(_over_levels(level_mm, tank, pose, chord) / 100.0, level_mm)


def capacity_l(tank: TankShape) -> float:
    """Litres of the brim-full tank, whatever its tilt [l]."""
    pieces = _pieces(tank)
    return float(across_axis(pieces, np.array([pieces[-1].stop]), segment_area)[0])


def level_mm(
    volume_l: ArrayLike,
    tank: TankShape,
    *,
    tilt_mm_per_m: float = 0.0,
    probe_position_mm: float = 0.0,
    roll_deg: float = 0.0,
) -> FloatOrArray:
    """Level at which the tank holds `volume_l`: the inverse of `volume_l` [mm].

    NaN where the volume is NaN, or where the surface would stand outside 0..`tank.depth_mm` at the probe (a tilted
    tank has litres that its probe cannot see). Newton's method inside a bracket; residual below 1e-9 of the capacity.
    """
    pose = _Pose(tilt_mm_per_m, probe_position_mm, roll_deg)
    wanted = as_floats(volume_l)
    # Fine toward both ends, where a lying tank's volume bends most.
    grid = tank.depth_mm * (1.0 - np.cos(np.linspace(0.0, np.pi, 257))) / 2.0
    known = _over_levels(grid, tank, pose, segment_area)
    upper = np.clip(np.searchsorted(known, wanted), 1, grid.size - 1)
    low, high = grid[upper - 1], grid[upper]
    level = np.interp(wanted, known, grid, left=np.nan, right=np.nan)
    for _ in range(12):
        miss = _over_levels(level, tank, pose, segment_area) - wanted
        area = _over_levels(level, tank, pose, chord)
        low, high = np.where(miss <= 0.0, level, low), np.where(miss >= 0.0, level, high)
        step = level - 100.0 * miss / np.where(area > 0.0, area, np.inf)
        level = np.where((step >= low) & (step <= high), step, (low + high) / 2.0)
        if not np.any(np.abs(miss) > 1e-9 * known[-1]):
            break
    return like_inputs(np.where((wanted >= known[0]) & (wanted <= known[-1]), level, np.nan), volume_l)


def gauge_table(
    tank: TankShape,
    *,
    tilt_mm_per_m: float = 0.0,
    probe_position_mm: float = 0.0,
    roll_deg: float = 0.0,
    step_mm: float = 5.0,
) -> tuple[FloatArray, FloatArray]:
    """A chart of the tank: rising levels [mm] and the litres below each, for linear interpolation.

    The levels are the multiples of `step_mm` from 0 to the brim, and between them as many more as hold the
    interpolation error below 0.1 l (half-way between rows it is measured, and kept below 0.05 l).

    Raises
    ------
    ValueError : if `step_mm` is not positive.
    """
    if not step_mm > 0:
        raise ValueError(f"step_mm must be positive, got {step_mm}")
    pose = _Pose(tilt_mm_per_m, probe_position_mm, roll_deg)
    levels = np.append(np.arange(0.0, tank.depth_mm, step_mm), tank.depth_mm)
    levels = levels[np.append(np.diff(levels) > 1e-6, True)]
    volumes = _over_levels(levels, tank, pose, segment_area)
    while True:
        middles = (levels[1:] + levels[:-1]) / 2.0
        exact = _over_levels(middles, tank, pose, segment_area)
        coarse = np.abs(exact - (volumes[1:] + volumes[:-1]) / 2.0) > 0.05
        if not coarse.any():
            return levels, volumes
        where = np.flatnonzero(coarse) + 1
        levels, volumes = np.insert(levels, where, middles[coarse]), np.insert(volumes, where, exact[coarse])


@dataclass(frozen=True)
class _Pose:
    """How a tank lies: tilt, where its probe stands, roll."""

    tilt_mm_per_m: float
    probe_position_mm: float
    roll_deg: float

    def __post_init__(self) -> None:
        """Refuse what is not finite."""
        if not np.isfinite([self.tilt_mm_per_m, self.probe_position_mm, self.roll_deg]).all():
            raise ValueError(f"tilt, probe position and roll must be finite, got {self}")


def _pieces(tank: TankShape) -> list[Piece]:
    """List the tank's pieces along its axis, in dm from mid-length."""
    radius, half = tank.diameter_mm / 200.0, tank.length_mm / 200.0
    end = end_pieces(tank.end_shape, radius, half, (tank.end_depth_mm or 0.0) / 100.0)
    return [*mirrored(end), shell(radius, half), *end]


def _over_levels(levels: ArrayLike, tank: TankShape, pose: _Pose, section: Section) -> FloatArray:
    """Volume below each level [l], or the surface's area [dm²], as `section` is; NaN outside the tank."""
    level = as_floats(levels)
    flat = level.ravel()
    total = np.full(flat.shape, np.nan)
    inside = np.flatnonzero((flat >= 0.0) & (flat <= tank.depth_mm))
    for start in range(0, inside.size, _CHUNK):
        rows = inside[start : start + _CHUNK]
        total[rows] = _filled(flat[rows] / 100.0, tank, pose, section)
    return total.reshape(level.shape)


def _filled(level: FloatArray, tank: TankShape, pose: _Pose, section: Section) -> FloatArray:
    """`section` over the tank for levels inside it, with the surface as a straight line over the axis [dm]."""
    pieces = _pieces(tank)
    slope, probe = pose.tilt_mm_per_m / 1000.0, pose.probe_position_mm / 100.0
    if tank.shape == "horizontal_cylinder":
        cosine = float(np.cos(np.radians(pose.roll_deg)))
        surface = (level - tank.diameter_mm / 200.0) * cosine - slope * probe
        # A reading of 1 mm on a leaning probe is less of depth.
        return along_axis(pieces, surface, slope, section) * (cosine if section is chord else 1.0)
    height = level - tank.depth_mm / 200.0 - slope * probe
    if abs(slope) < _LEAST_SLOPE:
        return across_axis(pieces, height, section)
    # Upright and tilted: the surface crosses the section at height z at the distance (height - z)/slope.
    steep = abs(slope)
    return along_axis(pieces, height / steep, -1.0 / steep, section) / (steep if section is chord else 1.0)
