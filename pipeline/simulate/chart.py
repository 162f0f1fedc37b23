"""The tank's true shape at its gauge, and the chart that the site believes in."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.physics.geometry import volume_l
from pipeline.simulate.families.record import PLAIN, Family
from pipeline.simulate.model import Fault, Floats, Tank
from pipeline.simulate.seeds import Part, stream

_STEP_MM = 1.0


@dataclass(frozen=True)
class TrueShape:
    """Litres below each level of the true surface at the probe."""

    level_mm: Floats
    volume_l: Floats

    def level_at(self, litres: Floats) -> Floats:
        """Level of the surface where the tank holds `litres`. [mm]"""
        return np.interp(litres, self.volume_l, self.level_mm)

    def volume_at(self, level_mm: Floats) -> Floats:
        """Litres below a level. [l]"""
        return np.interp(level_mm, self.level_mm, self.volume_l)


def true_shape(tank: Tank, seed: int, family: Family = PLAIN) -> TrueShape:
    """Return the tank's true shape: its nominal one as it lies, scaled, with walls that are a little off.

    The slope dV/dh is off by a smooth error of SD `slope_sd` that keeps for `slope_length_mm`, and by what the
    family's laws of walls add.
    """
    rng = stream(seed, Part.CHART, tank.index)
    levels = np.append(np.arange(0.0, tank.shape.depth_mm, _STEP_MM), tank.shape.depth_mm)
    nominal = np.asarray(
        volume_l(
            levels,
            tank.shape,
            tilt_mm_per_m=tank.true.tilt_mm_per_m,
            probe_position_mm=tank.true.probe_position_mm,
        )
    )
    middles = (levels[1:] + levels[:-1]) / 2.0
    slope = 1.0 + tank.true.slope_sd * smooth_noise(rng, middles, tank.true.slope_length_mm)
    for place, law in enumerate(family.wall_laws):
        slope = slope + law(middles, tank.shape.depth_mm, family.rng(seed, "wall", place, tank.index))
    grown = np.diff(nominal) * slope * (1.0 + tank.true.scale)
    volumes = np.concatenate([[nominal[0]], nominal[0] + np.cumsum(grown)])
    return TrueShape(levels, np.maximum.accumulate(volumes + 1e-9 * np.arange(volumes.size)))


def smooth_noise(rng: np.random.Generator, at: Floats, length: float) -> Floats:
    """Noise of mean 0 and SD 1 that keeps for `length`: random waves of a Gaussian spectrum."""
    waves = 60
    numbers = rng.normal(0.0, 1.0 / length, waves)
    phases = rng.uniform(0.0, 2.0 * np.pi, waves)
    return np.asarray(np.sqrt(2.0 / waves) * np.cos(np.outer(at, numbers) + phases).sum(axis=1))


def strapping_rows(tank: Tank, step_mm: float) -> tuple[Floats, Floats]:
    """Levels and whole litres of the chart that the site uses: the nominal shape as the papers have it.

    Tilt and probe position are the papers'; where these are silent the tank is taken as level. A chart by rows of equal
    litres gives their levels in whole millimetres.
    """
    if tank.chart_rows is not None:
        fine = np.linspace(0.0, tank.shape.depth_mm, 2_001)
        wanted = np.linspace(0.0, tank.capacity_l, int(tank.chart_rows) + 1)
        inner = np.round(np.interp(wanted[1:-1], _nominal_l(tank, fine), fine))
        levels = np.concatenate([[0.0], inner, [tank.shape.depth_mm]])
    else:
        levels = np.append(np.arange(0.0, tank.shape.depth_mm - 1e-6, step_mm), tank.shape.depth_mm)
    volumes = _nominal_l(tank, levels)
    if tank.chart_round_l is not None:
        return levels, np.maximum.accumulate(np.round(volumes / tank.chart_round_l) * tank.chart_round_l)
    return levels, np.round(volumes, 1 if step_mm < 20.0 else 0)


def _nominal_l(tank: Tank, levels: Floats) -> Floats:
    """Litres below levels of the nominal shape, lying as the papers have it."""
    tilt, place = tank.tilt_mm_per_m or 0.0, tank.probe_position_mm or 0.0
    return np.asarray(volume_l(levels, tank.shape, tilt_mm_per_m=tilt, probe_position_mm=place))


def wrong_chart(levels: Floats, volumes: Floats, fault: Fault) -> Floats:
    """Litres of a chart that is wrong: scaled as a whole, or with a dent or bulge that is not there."""
    size = fault.params["size"]
    if int(fault.params["kind"]) == 2:
        return np.round(volumes * (1.0 + size), 1)
    middles = (levels[1:] + levels[:-1]) / 2.0
    bump = np.exp(-0.5 * ((middles - fault.params["centre"]) / fault.params["width"]) ** 2)
    steps = np.diff(volumes) * (1.0 + size * bump)
    return np.round(np.concatenate([volumes[:1], volumes[0] + np.cumsum(steps)]), 1)


def with_chart_faults(tank: Tank, faults: list[Fault]) -> Tank:
    """Return the tank as chart errors that are not the chart's own leave it: tilted, or its probe off."""
    for fault in faults:
        if fault.cause == "chart_error" and int(fault.params["kind"]) == 0:
            tilted = tank.true.tilt_mm_per_m + fault.params["size"]
            tank = replace(tank, true=replace(tank.true, tilt_mm_per_m=tilted))
        elif fault.cause == "chart_error" and int(fault.params["kind"]) == 1:
            offset = tank.gauge.offset_mm + fault.params["size"]
            tank = replace(tank, gauge=replace(tank.gauge, offset_mm=offset))
    return tank
