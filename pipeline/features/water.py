"""Water below the product: its litres day by day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.gauge import GaugeSeries, Strapping
from pipeline.physics.ranks import median

Floats = NDArray[np.float64]

SIDE_MM = 3.0
"""Over so much either side the chart's slope is taken."""


@dataclass(frozen=True)
class WaterPoint:
    """Water in a tank over one stretch of hours: median height [mm], litres by a smooth chart, and readings behind it.

    `surface_l_per_mm` is the chart's slope there, 0 where no water is.
    """

    ts_s: float
    water_mm: float
    water_l: float
    surface_l_per_mm: float
    count: int
    spread_mm: float


def water_points(series: GaugeSeries, strapping: Strapping, *, hours: float = 4.0) -> list[WaterPoint]:
    """Medians of the water float over stretches of `hours`, where it was read."""
    known = np.isfinite(series.water_mm)
    ts, water = series.ts_s[known], series.water_mm[known]
    if not len(ts):
        return []
    key = np.floor(ts / (hours * 3600.0)).astype(np.int64)
    starts = np.flatnonzero(np.diff(key, prepend=key[0] - 1))
    ends = np.append(starts[1:], len(key))
    edges = list(zip(starts.tolist(), ends.tolist(), strict=True))
    height = np.array([median(water[low:high]) for low, high in edges])
    off = np.abs(water - np.repeat(height, ends - starts))
    spread = [1.4826 * median(off[low:high]) for low, high in edges]
    at = np.add.reduceat(ts, starts) / (ends - starts)
    about = np.maximum(np.stack([height, height - SIDE_MM, height + SIDE_MM]), strapping.span_mm()[0])
    then = np.tile(at, 3)
    litres = strapping.volume_l(about.ravel(), then) + strapping.between_rows_l(about.ravel(), then)
    here, low_l, high_l = litres.reshape(about.shape)
    slope = np.where(height > 0.0, (high_l - low_l) / (about[2] - about[1]), 0.0)
    columns = (at, height, here, slope, ends - starts, np.array(spread))
    return [WaterPoint(*row) for row in zip(*(column.tolist() for column in columns), strict=True)]
