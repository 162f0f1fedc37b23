"""What the gauge makes of the truth: levels, temperatures, water and densities with their errors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from pipeline.simulate.chart import TrueShape
from pipeline.simulate.model import DAY_S, HOUR_S, Floats, Gauge, Tank
from pipeline.simulate.seeds import Part, stream


@dataclass
class Signals:
    """What the gauge says at each instant, before the historian; NaN where it says nothing."""

    at_s: Floats
    level_mm: Floats
    water_mm: Floats
    temp_c: Floats
    density_kg_m3: Floats


@dataclass(frozen=True)
class Moves:
    """When product moved: starts and ends of open hoses, and of drops. [s]"""

    open_start_s: Floats
    open_end_s: Floats
    drop_start_s: Floats
    drop_end_s: Floats


def level_signal(
    tank: Tank,
    shape: TrueShape,
    at_s: Floats,
    held_l: Floats,
    moves: Moves,
    *,
    seed: int,
    float_mm: Callable[[Floats], Floats] = lambda level_mm: level_mm,
) -> Floats:
    """Level that the gauge finds for the litres that the tank holds, not yet rounded. [mm]

    White and coloured noise, ripple while pumping and waves after it, waves after drops, the shell's slow yielding to
    a fill, a wander of litres (temperature layers, vapour), and the probe's constant offset. [C] `float_mm` is what
    the float and the gauge's head make of the surface's level.
    """
    rng = stream(seed, Part.LEVEL, tank.index)
    gauge = tank.gauge
    step_s = float(at_s[1] - at_s[0])
    litres = held_l + gauge.shell_share * (held_l - _followed(held_l, step_s, gauge.shell_tau_s))
    litres = litres + _wander(rng, gauge, at_s.size, step_s)
    level = float_mm(shape.level_at(litres))
    ripple = gauge.ripple_mm * envelope(at_s, moves.open_start_s, moves.open_end_s, gauge.ripple_tau_s)
    waves = gauge.drop_wave_mm * envelope(at_s, moves.drop_start_s, moves.drop_end_s, gauge.drop_wave_tau_s)
    # Waves of a few seconds, read once a minute, look like noise that fades.
    spread = np.sqrt(gauge.white_mm**2 + ripple**2 + waves**2)
    coloured = gauge.coloured_mm * _red_noise(rng, at_s.size, step_s, gauge.coloured_tau_s)
    white = rng.normal(0.0, 1.0, at_s.size)
    if gauge.tail_dof is not None:
        # A Gaussian over the root of a chi-square is Student's t; scaled to keep the SD.
        white *= np.sqrt((gauge.tail_dof - 2.0) / rng.chisquare(gauge.tail_dof, at_s.size))
    return level + gauge.offset_mm + coloured + spread * white


def envelope(at_s: Floats, start_s: Floats, end_s: Floats, tau_s: float) -> Floats:
    """1 while something moves, then exp(-time since / tau)."""
    if start_s.size == 0:
        return np.zeros_like(at_s)
    starts, ends = np.sort(start_s), np.sort(end_s)
    begun = np.searchsorted(starts, at_s, side="right")
    ended = np.searchsorted(ends, at_s, side="right")
    since = np.where(ended > 0, at_s - ends[np.maximum(ended - 1, 0)], np.inf)
    return np.where(begun > ended, 1.0, np.exp(-since / tau_s))


def _followed(values: Floats, step_s: float, tau_s: float) -> Floats:
    """`values` as a first-order lag follows them."""
    keep = float(np.exp(-step_s / tau_s))
    lagged, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(lagged)


def _red_noise(rng: np.random.Generator, count: int, step_s: float, tau_s: float) -> Floats:
    """First-order autoregressive noise of SD 1."""
    keep = float(np.exp(-step_s / tau_s))
    shocks = rng.normal(0.0, np.sqrt(1.0 - keep**2), count)
    shocks[0] = rng.normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def _wander(rng: np.random.Generator, gauge: Gauge, count: int, step_s: float) -> Floats:
    """A walk of `wander_l` a root hour that comes back over three days. [l]"""
    keep = float(np.exp(-step_s / (72.0 * HOUR_S)))
    shocks = rng.normal(0.0, gauge.wander_l * np.sqrt(step_s / HOUR_S), count)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def rounded(values: Floats, resolution: float) -> Floats:
    """`values` on the grid of a resolution, free of binary dust."""
    return np.round(np.round(values / resolution) * resolution, 3)


def temperature_signal(
    tank: Tank, at_s: Floats, true_c: Floats, drops: list[tuple[float, float]], *, seed: int
) -> Floats:
    """Temperature that the gauge shows for a true mean of `true_c`. [°C]

    A constant error; a slow one whose rate is what a night's leak test suffers from; layers for hours after a drop
    (`drops`: end [s] and by how much it changed the mean [K]); noise of the electronics. [C]
    """
    rng = stream(seed, Part.TEMPERATURE, tank.index)
    gauge = tank.gauge
    hours = np.arange(-1.0, at_s[-1] / HOUR_S + 2.0)
    rate = gauge.temp_rate_c_per_h * _red_noise(rng, hours.size, HOUR_S, 20.0 * HOUR_S)
    slow = np.asarray(lfilter([1.0], [1.0, -float(np.exp(-1.0 / 120.0))], rate))
    shown = true_c + gauge.temp_offset_c + np.interp(at_s / HOUR_S, hours, slow)
    for end_s, change in drops:
        since = at_s - end_s
        near = (since >= 0.0) & (since < 2.0 * DAY_S)
        layer = 0.08 * change * rng.normal(0.0, 1.0)
        shown[near] += layer * np.exp(-since[near] / (5.0 * HOUR_S))
    shown += gauge.temp_noise_c * rng.normal(0.0, 1.0, at_s.size)
    return rounded(shown, gauge.temp_resolution_c)


def water_signal(tank: Tank, shape: TrueShape, layer_l: Floats, *, seed: int) -> Floats:
    """Water level that the float shows; 0 where there is no water. [mm]"""
    rng = stream(seed, Part.WATER, tank.index)
    noise = tank.gauge.water_noise_mm * rng.normal(0.0, 1.0, layer_l.size)
    level = np.where(layer_l > 0.5, shape.level_at(layer_l) + noise, 0.0)
    return np.maximum(rounded(level, tank.gauge.water_resolution_mm), 0.0)


def density_signal(tank: Tank, density_15: Floats, vcf: Floats, *, seed: int) -> Floats:
    """Density that the gauge shows at the product's own temperature; NaN without a densitometer. [kg/m³]"""
    if not tank.gauge.has_density:
        return np.full_like(density_15, np.nan)
    rng = stream(seed, Part.DENSITY, tank.index)
    gauge = tank.gauge
    noise = gauge.density_noise_kg_m3 * rng.normal(0.0, 1.0, density_15.size)
    return rounded(density_15 * vcf + gauge.density_offset_kg_m3 + noise, 0.1)


def siphon_lag_l(at_s: Floats, moved_apart_l: Floats, tau_s: float = 360.0) -> Floats:
    """Litres by which a joined tank is behind its partner, which draws levels through the siphon. [l]

    `moved_apart_l` is half the difference of what has left the two by each instant. [C]
    """
    step_s = float(at_s[1] - at_s[0])
    keep = float(np.exp(-step_s / tau_s))
    return np.asarray(lfilter([1.0], [1.0, -keep], np.diff(moved_apart_l, prepend=moved_apart_l[0])))
