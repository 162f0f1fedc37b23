"""How a tank's chart may be off, as regressors of its balance: by scale, by offset, and unevenly in its usual ways."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.fleet import Unit

Floats = NDArray[np.float64]

TOLERANCE_PCT: Final = 0.15
"""A chart is wrong that is off by more of the tank's litres between two levels. Common practice, no source. [%]"""
BANDS = 32
"""Equal bands of level, each with a slope error of its own, over the chart's height."""
SHAPES = 16
"""Regressors of the bands together: the ways in which neighbouring bands are wrong alike, strongest first."""
CHART_COLUMNS = 2 + SHAPES
"""Regressors of one chart: its scale, its offset, its shapes."""
BAND_SD = 0.004
BAND_REACH_MM = 200.0
"""SD of a chart's local slope error, and how far it keeps. Common practice, no source: 0.3 %, 200 to 400 mm."""


def shape_columns(unit: Unit, level_mm: Floats, at_s: Floats) -> Floats:
    """What each of a chart's usual ways to be uneven adds below the surface, one usual size of each. (k, SHAPES). [l]

    Slope errors of SD `BAND_SD` in each of `BANDS` equal bands of level, alike over `BAND_REACH_MM`, by their principal
    components (a Gaussian process cut off after `SHAPES`).
    """
    bottom, top = _span_mm(unit)
    edges = np.linspace(bottom, top, BANDS + 1)
    below = np.column_stack([unit.stock_l(np.clip(level_mm, bottom, edge), at_s) for edge in edges])
    middle = 0.5 * (edges[1:] + edges[:-1])
    alike = np.exp(-0.5 * ((middle[:, None] - middle[None, :]) / BAND_REACH_MM) ** 2)
    size, shape = np.linalg.eigh(BAND_SD**2 * alike)
    return np.asarray(np.diff(below, axis=1) @ (shape * np.sqrt(np.maximum(size, 0.0)))[:, : -SHAPES - 1 : -1])


def _span_mm(unit: Unit) -> tuple[float, float]:
    """Lowest and highest level that every member's charts cover. [mm]"""
    spans = [strap.span_mm() for strap in unit.strappings]
    return max(low for low, _ in spans), min(high for _, high in spans)


def chart_changes_s(unit: Unit) -> Floats:
    """When a new chart came into force while there were readings. [s]"""
    if not len(unit.series):
        return np.empty(0)
    first, last = unit.series.ts_s[0], unit.series.ts_s[-1]
    changes = np.unique(np.concatenate([strap.valid_from_s for strap in unit.strappings]))
    return np.asarray(changes[(changes > first) & (changes <= last)])


def chart_columns(unit: Unit, level_mm: Floats, at_s: Floats) -> Floats:
    """What each chart's scale [share], offset [mm] and shapes would add at levels and instants, while in force.

    Shape (n, charts·`CHART_COLUMNS`), litres at ambient temperature a unit of each. Beyond what they add at the middle
    of the chart: a constant stays in the balance's own, and brought to 15 °C it would stand in for whatever goes with
    the temperature. All by the level: the gauge's litres carry the water float's noise too, and a scale of theirs
    beside a band of the same size would stand in for that. Books that are far off move a level out of the chart; it is
    taken for its end.
    """
    changes = chart_changes_s(unit)
    version = np.searchsorted(changes, at_s, "right")
    bottom, top = _span_mm(unit)

    def added(level_mm: Floats) -> Floats:
        litres, slope = unit.stock_l(level_mm, at_s), unit.surface_l_per_mm(level_mm, at_s)
        return np.column_stack([litres, slope, shape_columns(unit, level_mm, at_s)])

    one = added(np.clip(level_mm, bottom, top)) - added(np.full(len(level_mm), 0.5 * (bottom + top)))
    return np.column_stack([one * (version == number)[:, None] for number in range(len(changes) + 1)])


def chart_names(unit: Unit) -> tuple[str, ...]:
    """The names of `chart_columns`, in order."""
    parts = ["scale", "offset", *(f"shape:{number}" for number in range(SHAPES))]
    return tuple(f"chart{number}:{part}" for number in range(len(chart_changes_s(unit)) + 1) for part in parts)
