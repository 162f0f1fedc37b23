"""How a tank's walls are uneven: what is added to the relative slope of litres over level."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.simulate.laws.spreads import Floats, Rng, Spread

WallLaw = Callable[[Floats, float, Rng], Floats]
"""Takes levels [mm], the tank's depth [mm] and random numbers; returns what is added to the slope's factor."""


@dataclass(frozen=True)
class Waves:
    """Smooth unevenness of one scale: an SD that keeps for a length. Several of them make several scales."""

    sd: Spread
    length_mm: Spread

    def __call__(self, level_mm: Floats, depth_mm: float, rng: Rng) -> Floats:
        """Return random waves of a Gaussian spectrum."""
        numbers = rng.normal(0.0, 1.0 / self.length_mm.draw(rng), 60)
        phases = rng.uniform(0.0, 2.0 * np.pi, 60)
        waves = np.cos(np.outer(level_mm, numbers) + phases).sum(axis=1)
        return np.asarray(self.sd.draw(rng) * np.sqrt(2.0 / 60.0) * waves)


@dataclass(frozen=True)
class Dent:
    """One dent: litres missing around a level, in a share of tanks."""

    among: float
    share: Spread
    width_mm: Spread

    def __call__(self, level_mm: Floats, depth_mm: float, rng: Rng) -> Floats:
        """Return the dent's bell, or nought."""
        dented = rng.random() < self.among
        centre = rng.uniform(0.2, 0.8) * depth_mm
        bell = np.exp(-0.5 * ((level_mm - centre) / self.width_mm.draw(rng)) ** 2)
        return -self.share.draw(rng) * bell * float(dented)


@dataclass(frozen=True)
class Ribs:
    """Stiffening rings and plates at an even pitch: a wave of one length through the whole depth."""

    share: Spread
    pitch_mm: Spread

    def __call__(self, level_mm: Floats, depth_mm: float, rng: Rng) -> Floats:
        """Return the wave."""
        phase = rng.uniform(0.0, 2.0 * np.pi)
        return self.share.draw(rng) * np.cos(2.0 * np.pi * level_mm / self.pitch_mm.draw(rng) + phase)
