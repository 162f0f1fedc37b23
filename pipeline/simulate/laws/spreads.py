"""Ranges that a law or a figure is drawn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rng = np.random.Generator
Record = TypeVar("Record")


@dataclass(frozen=True)
class Uniform:
    """Evenly from `low` to `high`."""

    low: float
    high: float

    def draw(self, rng: Rng) -> float:
        """One value."""
        return float(rng.uniform(self.low, self.high))


@dataclass(frozen=True)
class LogUniform:
    """Evenly on a logarithmic scale from `low` to `high`, both above 0."""

    low: float
    high: float

    def draw(self, rng: Rng) -> float:
        """One value."""
        return float(np.exp(rng.uniform(np.log(self.low), np.log(self.high))))


@dataclass(frozen=True)
class Normal:
    """Gaussian, cut off at three SD."""

    mean: float
    sd: float

    def draw(self, rng: Rng) -> float:
        """One value."""
        return float(np.clip(rng.normal(self.mean, self.sd), self.mean - 3.0 * self.sd, self.mean + 3.0 * self.sd))


@dataclass(frozen=True)
class OneOf:
    """One of some values, each as likely as the others."""

    values: tuple[float, ...]

    def draw(self, rng: Rng) -> float:
        """One value."""
        return self.values[int(rng.integers(len(self.values)))]


Spread = Uniform | LogUniform | Normal | OneOf
Spreads = Mapping[str, Spread]


def redrawn(record: Record, spreads: Spreads, rng: Rng) -> Record:
    """Return a frozen record with the fields that `spreads` names drawn anew, in order of their names."""
    drawn: dict[str, Any] = {name: spreads[name].draw(rng) for name in sorted(spreads)}
    return replace(record, **drawn) if drawn else record  # type: ignore[type-var]
