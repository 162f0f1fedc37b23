"""Outlines of shells and dished ends: the radius along the axis, and where a straight line meets it.

Lengths share one unit. A piece spans start..stop of the axis, measured from the tank's mid-length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.physics.arrays import FloatArray


@dataclass(frozen=True)
class Piece:
    """A stretch of a solid of revolution, of radius `offset` + √(c0 + c1 (x - origin)²)."""

    start: float
    stop: float
    offset: float
    c0: float
    c1: float
    origin: float = 0.0

    def radius(self, x: FloatArray) -> FloatArray:
        """Radius at `x`, within the piece."""
        return np.asarray(self.offset + np.sqrt(np.maximum(self.c0 + self.c1 * (x - self.origin) ** 2, 0.0)))

    def crossings(self, at_middle: FloatArray, slope: float) -> list[FloatArray]:
        """Every x at which |at_middle + slope x| may equal the radius; NaN where there is none."""
        heights = at_middle + slope * self.origin
        sides = (1.0,) if self.offset == 0.0 else (1.0, -1.0)
        roots: list[FloatArray] = []
        for side in sides:
            # (height - side offset + slope u)² = c0 + c1 u², with u = x - origin
            low, high = _quadratic_roots(
                slope**2 - self.c1,
                2.0 * slope * (heights - side * self.offset),
                (heights - side * self.offset) ** 2 - self.c0,
            )
            roots += [self.origin + low, self.origin + high]
        return roots


def _quadratic_roots(a: float, b: FloatArray, c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Both roots of a u² + b u + c, without cancellation; NaN where not real."""
    if a == 0.0:
        none = np.full_like(c, np.nan)
        return none, none
    with np.errstate(invalid="ignore", divide="ignore"):
        q = -0.5 * (b + np.copysign(np.sqrt(b**2 - 4.0 * a * c), b))
        return q / a, np.where(q == 0.0, 0.0, c / q)


def end_depth_dm(end_shape: str, radius: float, end_depth_mm: float | None) -> float:
    """How far an end reaches beyond the shell [the unit of `radius`, dm].

    References
    ----------
    .. [1] D. Jones, "Calculating Tank Volume", 2004: torispherical heads of crown f D and knuckle k D.
    """
    if end_shape == "spherical_cap":
        return float(end_depth_mm or 0.0) / 100.0
    if end_shape == "torispherical":
        crown, knuckle = 2.0 * radius, 0.2 * radius
        return float(crown - np.sqrt((crown - knuckle) ** 2 - (radius - knuckle) ** 2))
    return {"flat": 0.0, "hemispherical": radius, "elliptical_2_1": radius / 2.0}[end_shape]


def axis_pieces(end_shape: str, radius: float, length: float, end_depth_mm: float | None) -> list[Piece]:
    """Pieces of a tank from one end to the other [dm]."""
    half, depth = length / 2.0, end_depth_dm(end_shape, radius, end_depth_mm)
    shell = Piece(-half, half, 0.0, radius**2, 0.0)
    if end_shape == "flat":
        return [shell]
    if end_shape == "torispherical":
        far = _torispherical_end(radius, half, depth)
    elif end_shape == "spherical_cap":
        ball = (radius**2 + depth**2) / (2.0 * depth)
        far = [Piece(half, half + depth, 0.0, ball**2, -1.0, half + depth - ball)]
    else:
        far = [Piece(half, half + depth, 0.0, radius**2, -((radius / depth) ** 2), half)]
    near = [Piece(-p.stop, -p.start, p.offset, p.c0, p.c1, -p.origin) for p in reversed(far)]
    return [*near, shell, *far]


def _torispherical_end(radius: float, half: float, depth: float) -> list[Piece]:
    """Knuckle, then crown, of an end whose crown radius is a diameter and knuckle radius a tenth of it."""
    crown, knuckle = 2.0 * radius, 0.2 * radius
    # The two circles touch on the line through their centres.
    sine = (radius - knuckle) / (crown - knuckle)
    reach = knuckle * np.sqrt(1.0 - sine**2)
    return [
        Piece(half, half + reach, radius - knuckle, knuckle**2, -1.0, half),
        Piece(half + reach, half + depth, 0.0, crown**2, -1.0, half + depth - crown),
    ]
