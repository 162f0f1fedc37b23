"""Shapes shared by the physics functions: a number in gives a number out, an array an array."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
FloatOrArray = float | FloatArray


def as_floats(values: ArrayLike | None) -> FloatArray:
    """Give `values` as a float64 array; None becomes NaN."""
    return np.asarray(values, dtype=np.float64)


def like_inputs(result: Any, *inputs: ArrayLike) -> FloatOrArray:
    """Give `result` as a float if every input was a single number, else as an array."""
    if all(np.ndim(value) == 0 for value in inputs):
        return float(result)
    return np.asarray(result, dtype=np.float64)


def nan_or_raise(inside: Any, what: str, *values: ArrayLike) -> None:
    """Refuse a single number out of range; arrays pass, and the caller writes NaN there.

    Raises
    ------
    ValueError : if all `values` are single numbers, none is NaN, and `inside` is false.
    """
    if any(np.ndim(value) or np.isnan(as_floats(value)) for value in values):
        return
    if not np.all(inside):
        raise ValueError(f"{what}, got {', '.join(str(value) for value in values)}")
