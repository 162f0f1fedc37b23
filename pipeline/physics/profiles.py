"""Outlines of shells and dished ends: the radius along the axis, and where a straight line meets it.

Lengths share one unit. A piece spans start..stop of the axis; ends are those at the +x side of a tank whose shell
stops at `half`, and `mirrored` gives the other side's.

References
----------
.. [1] D. Jones, "Calculating Tank Volume", 2004: shapes of heads; torispherical ones of crown radius f D and knuckle
   radius k D.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.physics.arrays import FloatArray

CROWN_DIAMETERS, KNUCKLE_DIAMETERS = 1.0, 0.1
"""Radii of a torispherical end, in diameters of the shell, as the lake contract has them."""


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
        height = at_middle + slope * self.origin
        roots: list[FloatArray] = []
        for side in (1.0,) if self.offset == 0.0 else (1.0, -1.0):
            # (height - side offset + slope u)² = c0 + c1 u², with u = x - origin
            above = height - side * self.offset
            low, high = _quadratic_roots(slope**2 - self.c1, 2.0 * slope * above, above**2 - self.c0)
            roots += [self.origin + low, self.origin + high]
        return roots


def shell(radius: float, half: float) -> Piece:
    """Cylinder from -half to half."""
    return Piece(-half, half, 0.0, radius**2, 0.0)


def ellipsoidal_end(radius: float, half: float, depth: float) -> list[Piece]:
    """Half an ellipsoid; a hemisphere if its depth is the radius."""
    return [Piece(half, half + depth, 0.0, radius**2, -((radius / depth) ** 2), half)]


def spherical_end(radius: float, half: float, depth: float) -> list[Piece]:
    """Cap of a ball, at most a hemisphere."""
    ball = (radius**2 + depth**2) / (2.0 * depth)
    return [Piece(half, half + depth, 0.0, ball**2, -1.0, half + depth - ball)]


def torispherical_end(radius: float, half: float, *, crown: float, knuckle: float) -> list[Piece]:
    """Knuckle, then crown, which touch on the line through their circles' centres."""
    depth = torispherical_depth(radius, crown=crown, knuckle=knuckle)
    sine = (radius - knuckle) / (crown - knuckle)
    reach = knuckle * float(np.sqrt(1.0 - sine**2))
    return [
        Piece(half, half + reach, radius - knuckle, knuckle**2, -1.0, half),
        Piece(half + reach, half + depth, 0.0, crown**2, -1.0, half + depth - crown),
    ]


def torispherical_depth(radius: float, *, crown: float, knuckle: float) -> float:
    """How far a torispherical end reaches beyond the shell."""
    return float(crown - np.sqrt((crown - knuckle) ** 2 - (radius - knuckle) ** 2))


def mirrored(end: Sequence[Piece]) -> list[Piece]:
    """Give the same end on the other side of the tank."""
    return [Piece(-p.stop, -p.start, p.offset, p.c0, p.c1, -p.origin) for p in reversed(end)]


def end_pieces(end_shape: str, radius: float, half: float, cap_depth: float) -> list[Piece]:
    """Pieces of an end by the contract's name for it; `cap_depth` is that of a spherical cap."""
    if end_shape == "flat":
        return []
    if end_shape == "spherical_cap":
        return spherical_end(radius, half, cap_depth)
    if end_shape == "torispherical":
        crown, knuckle = 2.0 * radius * CROWN_DIAMETERS, 2.0 * radius * KNUCKLE_DIAMETERS
        return torispherical_end(radius, half, crown=crown, knuckle=knuckle)
    return ellipsoidal_end(radius, half, radius if end_shape == "hemispherical" else radius / 2.0)


def _quadratic_roots(a: float, b: FloatArray, c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Both roots of a u² + b u + c, without cancellation; NaN where not real."""
    if a == 0.0:
        none = np.full_like(c, np.nan)
        return none, none
    with np.errstate(invalid="ignore", divide="ignore"):
        q = -0.5 * (b + np.copysign(np.sqrt(b**2 - 4.0 * a * c), b))
        return q / a, np.where(q == 0.0, 0.0, c / q)
