"""Climates, and what vapour a petrol tank loses in them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.simulate.laws.spreads import Floats


@dataclass(frozen=True)
class Climate:
    """How the air's warmth goes, against the usual for a latitude.

    `warmer_c` is added to the year's mean [°C], `year_times` multiplies the year's swing; half the day's swing [K];
    weather's SD [K] and how long it lasts [h].
    """

    warmer_c: float = 0.0
    year_times: float = 1.0
    half_day_c: float = 4.5
    weather_sd_c: float = 2.5
    weather_h: float = 48.0


VapourLaw = Callable[[Floats, Floats], tuple[Floats, Floats]]
"""Takes hourly temperatures of the tank's surroundings and of the air [°C]; returns the factors of the vapour that goes
with sales, and of the breathing, in each hour."""


@dataclass(frozen=True)
class ByVapourPressure:
    """Losses in proportion to petrol's vapour pressure, which grows exponentially with warmth: 1 at 15 °C. [1/K]"""

    per_k: float

    def __call__(self, around_c: Floats, air_c: Floats) -> tuple[Floats, Floats]:
        """Return both factors by the surroundings' temperature."""
        factor = np.exp(self.per_k * (around_c - 15.0))
        return factor, factor


@dataclass(frozen=True)
class MorningBreathing:
    """A tank breathes out while the air above it warms, in proportion to how fast; never while it cools."""

    times: float

    def __call__(self, around_c: Floats, air_c: Floats) -> tuple[Floats, Floats]:
        """Return 1 for sales, and breathing's factor, of mean `times`."""
        rising = np.maximum(np.gradient(air_c), 0.0)
        return np.ones_like(air_c), self.times * rising / rising.mean()
