"""What a thermometer in a tank makes of the product's mean temperature, before its own offset and noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from pipeline.simulate.laws.level import Around
from pipeline.simulate.laws.spreads import Floats, Rng, Spread

_DAY_S = 86_400.0

ThermometerLaw = Callable[[Floats, Around, Rng], Floats]
"""Takes a temperature [°C], what is around and random numbers; returns what is shown of it [°C]."""


@dataclass(frozen=True)
class Lag:
    """A thermometer in a well, which follows as a first-order lag."""

    tau_min: Spread

    def __call__(self, temp_c: Floats, around: Around, rng: Rng) -> Floats:
        """Return the temperature, late. [°C]"""
        keep = float(np.exp(-around.step_s / (60.0 * self.tau_min.draw(rng))))
        lagged, _ = lfilter([1.0 - keep], [1.0, -keep], temp_c, zi=[keep * temp_c[0]])
        return np.asarray(lagged)


@dataclass(frozen=True)
class Drift:
    """An element that ages: a steady rate of its own. [K a month]"""

    k_a_month: Spread

    def __call__(self, temp_c: Floats, around: Around, rng: Rng) -> Floats:
        """Return the temperature with what has drifted since the window's start. [°C]"""
        return temp_c + self.k_a_month.draw(rng) * around.at_s / (30.0 * _DAY_S)


@dataclass(frozen=True)
class Layers:
    """Layers after a drop, which the elements do not weigh as the volume does; they mix within hours to days."""

    kelvin: Spread
    tau_h: Spread

    def __call__(self, temp_c: Floats, around: Around, rng: Rng) -> Floats:
        """Return the temperature with what each drop's layers make of it. [°C]"""
        shown = temp_c.copy()
        for end_s in around.drop_end_s:
            size, tau_s = self.kelvin.draw(rng), 3_600.0 * self.tau_h.draw(rng)
            since = around.at_s - end_s
            after = since >= 0.0
            shown[after] += size * np.exp(-since[after] / tau_s)
        return shown


@dataclass(frozen=True)
class Shaft:
    """A stem that carries the air's warmth down to the elements: a share of the way from product to air."""

    share: Spread

    def __call__(self, temp_c: Floats, around: Around, rng: Rng) -> Floats:
        """Return the temperature, a little of the way to the air's. [°C]"""
        return temp_c + self.share.draw(rng) * (around.air_c - temp_c)


@dataclass(frozen=True)
class LowElement:
    """One element near the bottom of product that grows warmer upward: off by gradient × half its depth."""

    k_per_m: Spread

    def __call__(self, temp_c: Floats, around: Around, rng: Rng) -> Floats:
        """Return the temperature at the bottom. [°C]"""
        return temp_c - self.k_per_m.draw(rng) * around.level_mm / 2_000.0
