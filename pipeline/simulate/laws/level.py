"""What a level gauge makes of the surface before its electronics' own noise: wander, floats that hang, spikes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from pipeline.simulate.laws.spreads import Floats, Rng, Spread

_HOUR_S = 3_600.0
_DAY_S = 86_400.0


@dataclass(frozen=True)
class Around:
    """What a gauge stands in, at even instants: the air, the product, and when drops ended."""

    at_s: Floats
    air_c: Floats
    temp_c: Floats
    density_15_kg_m3: Floats
    level_mm: Floats
    drop_end_s: Floats

    @property
    def step_s(self) -> float:
        """Seconds between instants."""
        return float(self.at_s[1] - self.at_s[0])


LevelLaw = Callable[[Floats, Around, Rng], Floats]
"""Takes a level [mm], what is around and random numbers; returns the level that comes of it [mm]."""


@dataclass(frozen=True)
class OrnsteinUhlenbeck:
    """Gaussian wander of a stationary SD that forgets itself exponentially.

    The exact discretisation of dx = −x dt/τ + σ√(2/τ) dW (G. E. Uhlenbeck & L. S. Ornstein, "On the theory of the
    Brownian motion", Phys. Rev. 36 (1930) 823-841).
    """

    sd_mm: Spread
    tau_h: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level with a tank's own wander. [mm]"""
        sd_mm, tau_h = self.sd_mm.draw(rng), self.tau_h.draw(rng)
        return level_mm + sd_mm * remembering(rng, level_mm.size, around.step_s / (tau_h * _HOUR_S))


def remembering(rng: Rng, count: int, step: float) -> Floats:
    """Stationary Gaussian noise of SD 1 whose correlation falls to 1/e over 1/`step` values."""
    keep = float(np.exp(-step))
    shocks = rng.normal(0.0, np.sqrt(1.0 - keep**2), count)
    shocks[0] = rng.normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


@dataclass(frozen=True)
class Flicker:
    """Noise whose spectral density falls as 1/f^slope between two periods, and is level beyond the longer one.

    Sums of random waves (M. Shinozuka & C.-M. Jan, "Digital simulation of random processes and its applications",
    J. Sound Vib. 25 (1972) 111-128).
    """

    sd_mm: Spread
    slope: Spread
    shortest_h: float
    longest_h: float

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level with a tank's own wander. [mm]"""
        sd_mm, slope = self.sd_mm.draw(rng), self.slope.draw(rng)
        count = 2 * level_mm.size
        per_h = np.fft.rfftfreq(count, around.step_s / _HOUR_S)
        density = np.where(per_h < 1.0 / self.shortest_h, np.maximum(per_h, 1.0 / self.longest_h) ** -slope, 0.0)
        density[0] = 0.0
        waves = rng.normal(0.0, 1.0, per_h.size) + 1j * rng.normal(0.0, 1.0, per_h.size)
        noise = np.fft.irfft(np.sqrt(density) * waves, count)[: level_mm.size]
        # Variance of what irfft makes of waves of variance 2·density: four times their sum over the count squared.
        return np.asarray(level_mm + sd_mm * noise * count / np.sqrt(4.0 * density.sum()))


@dataclass(frozen=True)
class Telegraph:
    """A float that hangs now a step higher, now a step lower, and changes over at random.

    Dwell times are exponential of mean `dwell_h`, so the correlation is exp(−2 t / dwell).
    """

    step_mm: Spread
    dwell_h: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level as the hanging float shows it: half a step up or down. [mm]"""
        step_mm, dwell_h = self.step_mm.draw(rng), self.dwell_h.draw(rng)
        changes = rng.random(level_mm.size) < 0.5 * -np.expm1(-2.0 * around.step_s / (dwell_h * _HOUR_S))
        side = np.where(np.cumsum(changes) % 2 == int(rng.integers(2)), 0.5, -0.5)
        return level_mm + step_mm * side


@dataclass(frozen=True)
class Play:
    """A float with play on its stem: it follows only where the surface pushes it from one end of the play.

    The play operator (M. A. Krasnosel'skii & A. V. Pokrovskii, "Systems with Hysteresis", Springer, 1989, section 2).
    """

    width_mm: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return where the float stands, at most half the play from the surface. [mm]"""
        half = self.width_mm.draw(rng) / 2.0
        shown = np.empty_like(level_mm)
        last = float(level_mm[0]) + half * float(rng.uniform(-1.0, 1.0))
        for row, level in enumerate(level_mm.tolist()):
            last = min(max(last, level - half), level + half)
            shown[row] = last
        return shown


@dataclass(frozen=True)
class StickSlip:
    """A float that stays where it is until the surface is too far off, then slips all the way to it."""

    grip_mm: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return where the float stands, at most its grip from the surface. [mm]"""
        grip = self.grip_mm.draw(rng)
        shown = np.empty_like(level_mm)
        last = float(level_mm[0])
        for row, level in enumerate(level_mm.tolist()):
            last = level if abs(level - last) > grip else last
            shown[row] = last
        return shown


@dataclass(frozen=True)
class Spikes:
    """Single readings that are off, either way: a Poisson number a day of exponential size."""

    a_day: Spread
    mean_mm: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level with spikes. [mm]"""
        a_day, mean_mm = self.a_day.draw(rng), self.mean_mm.draw(rng)
        struck = rng.random(level_mm.size) < a_day * around.step_s / _DAY_S
        sizes = rng.exponential(mean_mm, level_mm.size) * rng.choice([-1.0, 1.0], level_mm.size)
        return level_mm + np.where(struck, sizes, 0.0)


@dataclass(frozen=True)
class Bursts:
    """Minutes of interference, a few times a week, in which readings scatter."""

    a_week: Spread
    lasts_min: Spread
    sd_mm: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level with bursts. [mm]"""
        span_s = float(around.at_s[-1] - around.at_s[0])
        starts = rng.uniform(
            around.at_s[0], around.at_s[-1], rng.poisson(self.a_week.draw(rng) * span_s / 7.0 / _DAY_S)
        )
        loud = np.zeros(level_mm.size)
        for start_s in starts:
            during = (around.at_s >= start_s) & (around.at_s < start_s + 60.0 * self.lasts_min.draw(rng))
            loud[during] = self.sd_mm.draw(rng)
        return level_mm + loud * rng.normal(0.0, 1.0, level_mm.size)


@dataclass(frozen=True)
class Foam:
    """Foam after a drop, which lifts the float and settles: always upward."""

    height_mm: Spread
    tau_min: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level with foam. [mm]"""
        shown = level_mm.copy()
        tau_s = 60.0 * self.tau_min.draw(rng)
        for end_s in around.drop_end_s:
            since = around.at_s - end_s
            after = since >= 0.0
            shown[after] += self.height_mm.draw(rng) * np.exp(-since[after] / tau_s)
        return shown


@dataclass(frozen=True)
class HeadWarmth:
    """A gauge's head in the manhole whose length of time grows with the air's warmth."""

    mm_per_k: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level, higher in warm hours; nought at the window's mean. [mm]"""
        return np.asarray(level_mm + self.mm_per_k.draw(rng) * (around.air_c - around.air_c.mean()))


@dataclass(frozen=True)
class Draught:
    """A float that sinks deeper into lighter product, by Archimedes: draught ∝ 1/density."""

    draught_mm: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level, right for the density at the window's start. [mm]"""
        usual = around.density_15_kg_m3[0]
        return np.asarray(level_mm - self.draught_mm.draw(rng) * (usual / around.density_15_kg_m3 - 1.0))


@dataclass(frozen=True)
class Sinking:
    """A tank that settles into its bed, so that the level at its gauge creeps, steadily slower.

    To first order a growing tilt moves the level at the gauge by tilt × distance from the middle, whatever the stock.
    """

    mm: Spread
    tau_d: Spread

    def __call__(self, level_mm: Floats, around: Around, rng: Rng) -> Floats:
        """Return the level with what the tank has sunk since the window's start. [mm]"""
        mm, tau_d = self.mm.draw(rng), self.tau_d.draw(rng)
        return np.asarray(level_mm - mm * np.expm1(-around.at_s / (tau_d * _DAY_S)))
