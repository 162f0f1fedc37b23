"""What a tank's own gauge says of each trading day beside its stock: water, temperature and density."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.observe import UnitObserved
from pipeline.features.trading_days import TradingDays
from pipeline.ledger.gauge import GaugeSeries
from pipeline.physics.products import held_in_range, product_base_density_15_kg_m3
from pipeline.physics.ranks import median

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MemberDays:
    """One tank's days, shape (n,) each, NaN where nothing was read.

    The last water, the median temperature, and the median density brought to 15 °C by that temperature.
    """

    water_mm: Floats
    temp_c: Floats
    density_15_kg_m3: Floats


def member_days(days: TradingDays, seen: UnitObserved) -> dict[str, MemberDays]:
    """Of each member tank of a unit."""
    found = {}
    for name, series in zip(seen.unit.members, seen.unit.member_series, strict=True):
        temp = _median(days, series.ts_s, series.temp_c)
        density = _median(days, series.ts_s, series.density_kg_m3)
        base = product_base_density_15_kg_m3(seen.unit.product, density, held_in_range(temp))
        found[name] = MemberDays(_last_water(days, series), temp, np.asarray(base, dtype=np.float64))
    return found


def _last_water(days: TradingDays, series: GaugeSeries) -> Floats:
    known = np.flatnonzero(np.isfinite(series.water_mm))
    edges = np.searchsorted(series.ts_s[known], days.bounds_s)
    out = np.full(len(days), np.nan)
    there = edges[1:] > edges[:-1]
    out[there] = series.water_mm[known[edges[1:][there] - 1]]
    return out


def _median(days: TradingDays, ts_s: Floats, values: Floats) -> Floats:
    """The median of the known values of each day."""
    known = np.isfinite(values)
    held, edges = values[known], np.searchsorted(ts_s[known], days.bounds_s)
    return np.array([median(held[low:high]) if high > low else np.nan for low, high in pairwise(edges)])


def change_since_known(values: Floats) -> Floats:
    """Each value less the last known one before it; NaN where there is none of either. Shape of `values`."""
    out = np.full(len(values), np.nan)
    known = np.flatnonzero(np.isfinite(values))
    out[known[1:]] = np.diff(values[known])
    return out


def rise_within_week(values: Floats) -> Floats:
    """Each value less the lowest of the seven before it; NaN where there is none of either. Shape of `values`."""
    out = np.full(len(values), np.nan)
    for place in range(1, len(values)):
        past = values[max(0, place - 7) : place]
        if np.isfinite(values[place]) and np.isfinite(past).any():
            out[place] = values[place] - np.nanmin(past)
    return out
