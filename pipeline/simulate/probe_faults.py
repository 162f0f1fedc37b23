"""A gauge that sticks, jumps, falls silent or turns noisy."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.model import Fault, Floats, Tank
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.sensors import Signals


def with_probe_faults(signals: Signals, tank: Tank, faults: list[Fault], *, seed: int) -> Signals:
    """Return the signals as the tank's probe faults leave them."""
    level = signals.level_mm.copy()
    for fault in faults:
        if fault.cause == "probe_fault":
            level = _faulty(level, signals.at_s, tank, fault, seed)
    return Signals(signals.at_s, level, signals.water_mm, signals.temp_c, signals.density_kg_m3)


def _faulty(level: Floats, at_s: Floats, tank: Tank, fault: Fault, seed: int) -> Floats:
    rng = stream(seed, Part.FAULT_DETAIL, fault.index, 4)
    end_s = np.inf if fault.end_s is None else fault.end_s
    during = np.flatnonzero((at_s >= fault.start_s) & (at_s < end_s))
    if during.size == 0:
        return level
    kind = int(fault.params["kind"])
    if kind == 0:
        level[during] = level[during[0]]
    elif kind == 1:
        level[during] += fault.params["jump_mm"]
    elif kind == 2:
        level[during[rng.random(during.size) < fault.params["dropped_share"]]] = np.nan
    else:
        white = max(tank.gauge.white_mm, 0.05) * fault.params["noise_times"]
        level[during] += white * rng.normal(0.0, 1.0, during.size)
    return level
