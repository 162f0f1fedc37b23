"""The figures that a chart's fit comes to: tilt, offset, scale, what is left, and litres at any level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_data import METERS, ChartData
from pipeline.estimate.chart_fit import CHART, Fit
from pipeline.estimate.chart_shape import TankModel
from pipeline.estimate.regression import Posterior

Floats = NDArray[np.float64]

NAMES = ("tilt", "roll", "offset", "datum", "scale", "remainder", "stock", "meters", "tickets")
"""What `Terms` holds, in order; the last two are no chart's, but what a chart is mistaken for."""
_LEVELS = 60


@dataclass(frozen=True)
class Estimate:
    """One figure with its 95 % interval.

    `value`, `low`, `high` are NaN where nothing can be said at all; `doubt_left` is its SD after the data over that
    before, `is_identified` whether that is little enough, and `note` why not, and what the figure moves with.
    """

    name: str
    value: float
    low: float
    high: float
    is_identified: bool
    doubt_left: float
    note: str


@dataclass(frozen=True)
class Terms:
    """`NAMES` by one fit: `value` (n,), their slopes by the coefficients (n, p), for belief and prior alike."""

    value: Floats
    slopes: Floats

    def spread(self, belief: Posterior) -> Floats:
        """Covariance of the figures, shape (n, n)."""
        return np.asarray(self.slopes @ belief.cov @ self.slopes.T)


def correction_l(model: TankModel, fit: Fit, level_mm: Floats) -> tuple[Floats, Floats]:
    """True litres less the base chart's at each level by one fit, and their slopes by `CHART`. Shapes (k,), (k, c)."""
    change, offset = fit.belief.mean[:2]
    shapes = model.shapes_l(level_mm)
    tilt = model.tilt_mm_per_m + change
    litres = model.posed_l(level_mm, tilt, offset) + shapes @ fit.belief.mean[2 : len(CHART)]
    return litres, np.column_stack([model.pose_slopes_l(level_mm, tilt, offset), shapes])


def remainder_slopes(model: TankModel, level_mm: Floats, span_mm: tuple[float, float]) -> Floats:
    """What walls and nominal geometry add beyond a straight share of the litres drawn, by `CHART`. Shape (k, c). [l]

    Pose and roll aside; nothing at the lowest and at the highest level seen.
    """
    level = np.append(level_mm, span_mm)
    base = model.base_l(level)
    inner = np.zeros((len(level), len(CHART)))
    inner[:, 2:] = model.shapes_l(level)
    inner[:, CHART.index("roll")] = 0.0
    risen = (base - base[-2]) / (base[-1] - base[-2])
    return np.asarray((inner - inner[-2] - risen[:, None] * (inner[-1] - inner[-2]))[:-2])


def terms_of(model: TankModel, data: ChartData, fit: Fit, span_mm: tuple[float, float], stock_mm: float) -> Terms:
    """The figures of one fit.

    `datum` is what a reading stands above the depth at mid-length, beyond what the papers say: offset and tilt
    together, where neither is told alone. `scale` is how much more the tank gives than its chart says from the highest
    level seen to the lowest, pose included; `remainder` the largest departure of walls and nominal geometry from their
    own straight share of the litres; `stock` the litres below `stock_mm` beyond what the chart says.
    """
    level = np.linspace(*span_mm, _LEVELS)
    litres, by_chart = correction_l(model, fit, level)
    base = model.base_l(level)
    whole = base[-1] - base[0]
    count = len(fit.belief.mean)
    slopes = np.zeros((len(NAMES), count))
    for row, name in enumerate(("tilt", "roll", "offset")):
        slopes[row, CHART.index(name)] = 1.0
    slopes[3, :2] = model.position_mm / 1000.0, 1.0
    slopes[4, : len(CHART)] = (by_chart[-1] - by_chart[0]) / whole
    inner = remainder_slopes(model, level, span_mm)
    left = inner @ fit.belief.mean[: len(CHART)]
    worst = int(np.argmax(np.abs(left)))
    slopes[5, : len(CHART)] = inner[worst]
    stock, by_stock = correction_l(model, fit, np.array([stock_mm]))
    slopes[6, : len(CHART)] = by_stock[0]
    slopes[7, len(CHART) :] = _meters(data)
    slopes[8, len(CHART) :] = _tickets(data)
    value = slopes @ fit.belief.mean
    value[6] = stock[0]
    value[4] = (litres[-1] - litres[0]) / whole
    return Terms(value, slopes)


def _meters(data: ChartData) -> Floats:
    """Share of the litres sold that each meter's error stands for, and the error common to all of them."""
    own = ("meter:", "calibrated:")
    sold = np.array(
        [abs(data.others[-1, place]) if name.startswith(own) else 0.0 for place, name in enumerate(data.names)]
    )
    sold = sold / max(float(sold.sum()), 1e-9)
    sold[data.names.index(METERS)] = 1.0
    return sold


def _tickets(data: ChartData) -> Floats:
    """Share of the litres ticketed that each carrier's bias stands for, and the bias common to all."""
    came = np.array(
        [abs(data.others[-1, place]) if name.startswith("carrier:") else 0.0 for place, name in enumerate(data.names)]
    )
    came = came / max(float(came.sum()), 1e-9)
    came[data.names.index("tickets")] = 1.0
    return came
