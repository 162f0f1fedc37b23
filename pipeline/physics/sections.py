"""Integrals of a circle's filled segment, or its chord, along the axis of a solid of revolution.

Gauss-Legendre quadrature, split where the surface meets the wall, in x = middle + half · sin(angle): that makes the
square roots at those places analytic, so that 40 nodes reach 1e-12. Lengths in one unit throughout.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from pipeline.physics.arrays import FloatArray
from pipeline.physics.profiles import Piece

Section = Callable[[FloatArray, FloatArray], FloatArray]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(40)
_SINES = np.sin(_NODES * np.pi / 2)
_SINE_WEIGHTS = _WEIGHTS * np.cos(_NODES * np.pi / 2) * np.pi / 2


def segment_area(radius: FloatArray, above: FloatArray) -> FloatArray:
    """Area of a circle's part that lies below `above`, measured up from its centre.

    R² arccos(-a/R) + a √(R² - a²), which is the usual form in the depth h = R + a.
    """
    height = np.clip(above, -radius, radius)
    half_chord = np.sqrt(np.maximum((radius - height) * (radius + height), 0.0))
    return radius**2 * np.arctan2(half_chord, -height) + height * half_chord


def chord(radius: FloatArray, above: FloatArray) -> FloatArray:
    """Width of a circle at the height `above` its centre; 0 beyond it."""
    return 2.0 * np.sqrt(np.maximum((radius - above) * (radius + above), 0.0))


def along_axis(pieces: Sequence[Piece], at_middle: FloatArray, slope: float, section: Section) -> FloatArray:
    """`section` integrated over all pieces, for each height of the surface.

    Parameters
    ----------
    pieces : sequence of Piece
    at_middle : array, shape (n,)
        Height of the surface above the axis at x = 0.
    slope : float
        Its rise for a unit of x.
    section : callable
        `segment_area` gives the volume below the surface, `chord` the surface's area.
    """
    return np.asarray(np.sum([_over_piece(piece, at_middle, slope, section) for piece in pieces], axis=0))


def across_axis(pieces: Sequence[Piece], height: FloatArray, section: Section) -> FloatArray:
    """The same below a surface square to the axis, at x = `height`: the volume, or the area of the circle there."""
    total = np.zeros_like(height)
    for number, piece in enumerate(pieces):
        top = np.clip(height, piece.start, piece.stop)
        if section is segment_area:
            total += _between(piece, (np.full_like(height, piece.start), top), height, 0.0, _disc)
        else:
            cut = ((height > piece.start) | (number == 0)) & (height <= piece.stop)
            total += np.where(cut, np.pi * piece.radius(top) ** 2, 0.0)
    return total


def _disc(radius: FloatArray, above: FloatArray) -> FloatArray:
    """Area of the whole circle."""
    return np.asarray(np.broadcast_to(np.pi * radius**2, np.broadcast_shapes(radius.shape, above.shape)))


def _over_piece(piece: Piece, at_middle: FloatArray, slope: float, section: Section) -> FloatArray:
    """`section` integrated over one piece, split where the surface meets the wall."""
    ends = [np.full_like(at_middle, piece.start), np.full_like(at_middle, piece.stop)]
    meets = np.nan_to_num(np.stack(ends + piece.crossings(at_middle, slope)), nan=piece.start)
    cuts = np.sort(np.clip(meets, piece.start, piece.stop), axis=0)
    total = np.zeros_like(at_middle)
    for low, high in pairwise(cuts):
        if np.any(high > low):
            total += _between(piece, (low, high), at_middle, slope, section)
    return total


def _between(
    piece: Piece,
    bounds: tuple[FloatArray, FloatArray],
    at_middle: FloatArray,
    slope: float,
    section: Section,
) -> FloatArray:
    """`section` integrated from bound to bound, one pair of bounds a surface."""
    low, high = bounds
    half = (high - low)[:, None] / 2.0
    x = (high + low)[:, None] / 2.0 + half * _SINES
    values = section(piece.radius(x), at_middle[:, None] + slope * x)
    return np.asarray((values * half) @ _SINE_WEIGHTS)
