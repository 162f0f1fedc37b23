"""The dips of one tank fitted with a chart that may be wrong: Gauss-Newton around the whitened linear model.

Charts go wrong in one way at a time, and by much or by little: each way and size has a prior of its own, and what they
say is weighed by how well it foretold the data (Laplace's approximation of the marginal likelihood).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_data import ChartData
from pipeline.estimate.chart_shape import SHAPES, TankModel
from pipeline.estimate.regression import Posterior, Prior, posterior
from pipeline.estimate.whiten import whitened

Floats = NDArray[np.float64]

CHART = ("tilt", "offset", *SHAPES)
"""Coefficients of the chart in order, the tilt as a change from the papers'; what else moves the stock follows."""

SOUND_SD = {"tilt": 1.5, "offset": 1.5, "scale": 0.003, "remainder": 0.003}
"""SDs of a sound tank: mm/m, mm, shares. Common practice, no source: charts and walls 0.3 %, a probe's height ±3 mm
(API MPMS 3.1B allows ±3 mm for inventory)."""
OFFSET_UNKNOWN_PROBE_SD_MM = 2.5
"""The same for the offset where the papers do not say where the probe stands: the tilt works through it. No source."""
WRONG_SD = {"tilt": (6.0, 15.0, 40.0), "offset": (6.0, 15.0, 40.0), "scale": (0.008, 0.025), "remainder": (0.01, 0.03)}
WRONG_SHARE = 0.15
"""SDs of charts that are wrong in one way, and the prior share of tanks that are wrong in that way. No source."""
ROLL_SD_DEG = 2.0
_PRIOR_ODDS = {"sound": 0.0} | {way: float(np.log(WRONG_SHARE / len(sizes))) for way, sizes in WRONG_SD.items()}
_LATTICE = np.array([2.0, 4.0])
"""Poses are linearised at multiples of these (mm/m, mm): between them the litres bend by less than 0.1."""
_MOST_STEPS = 12
_HELD = 4.0


@dataclass(frozen=True)
class Fit:
    """One way, and size, for the chart to be wrong.

    `prior` and `belief` are over `CHART` and then the data's others; `log_evidence` includes the way's prior odds,
    `prior_odds` against a sound chart; `residual` are the whitened rows that it leaves, shape (k,).
    """

    way: str
    prior_odds: float
    prior: Prior
    belief: Posterior
    log_evidence: float
    residual: Floats


@dataclass(frozen=True)
class _Rows:
    """Whitened rows around one pose: y (k,), columns (k, p), and their products."""

    y: Floats
    columns: Floats
    gram: Floats
    score: Floats


_RowsAt = Callable[[tuple[int, int]], _Rows]


def fit_ways(data: ChartData, model: TankModel, *, told: Mapping[str, tuple[float, float]] | None = None) -> list[Fit]:
    """Every way fitted, likeliest first.

    Parameters
    ----------
    data, model : ChartData, TankModel
    told : mapping, optional
        Mean and SD of some of the data's others, known from elsewhere: a carrier's bias from the rest of the fleet.
    """
    mean, sd = data.prior.mean.copy(), data.prior.sd.copy()
    for name, (known, doubt) in (told or {}).items():
        if name in data.names:
            mean[data.names.index(name)], sd[data.names.index(name)] = known, doubt
    data = replace(data, prior=Prior(mean, sd))
    ways = ways_of(model)
    loosest = Prior(ways[0][1].mean, np.max([prior.sd for _, prior in ways], axis=0))
    data = _weighed(data, _fit(data, "any", loosest, _rows_at(data, model)))
    rows_at = _rows_at(data, model)
    fits = [_fit(data, way, prior, rows_at) for way, prior in ways]
    return sorted(fits, key=lambda fit: -fit.log_evidence)


def ways_of(model: TankModel) -> list[tuple[str, Prior]]:
    """The priors of the chart's coefficients: first a sound chart's, then one for each way and size of being wrong."""
    lying = model.tank.shape == "horizontal_cylinder"
    # The mean and SD of 1 − cos(roll) for a roll drawn from a normal distribution.
    roll = float(np.radians(ROLL_SD_DEG) ** 2 / 2.0) if lying else 0.0
    kinds = [name.split(":")[0] for name in CHART]
    usual = SOUND_SD | {"geometry": 0.5, "roll": max(np.sqrt(2.0) * roll, 1e-9)}
    if not model.knows_probe:
        usual["offset"] = OFFSET_UNKNOWN_PROBE_SD_MM
    mean = np.array([{"roll": roll, "geometry": 0.5}.get(kind, 0.0) for kind in kinds])
    sd = np.array([usual[kind] for kind in kinds])
    ways = [("sound", Prior(mean, sd))]
    for way, sizes in WRONG_SD.items():
        if way == "tilt" and not (model.knows_probe and lying):
            continue
        mine = np.array([kind == way for kind in kinds])
        ways += [(way, Prior(mean, np.where(mine, np.hypot(sd, size), sd))) for size in sizes]
    return ways


def _rows_at(data: ChartData, model: TankModel) -> _RowsAt:
    """Whitened rows around each point of the lattice of poses, made once."""
    root = np.sqrt(data.weight)[:, None]
    steady = np.column_stack([-data.vcf[:, None] * model.shapes_l(data.still_mm), data.others])
    steady = whitened(steady, data.hours, data.gain) * root

    @cache
    def rows_at(point: tuple[int, int]) -> _Rows:
        change, offset = np.array(point) * _LATTICE
        tilt = model.tilt_mm_per_m + change
        slopes = model.pose_slopes_l(data.still_mm, tilt, offset)
        there = model.posed_l(data.still_mm, tilt, offset) - slopes @ np.array([change, offset])
        moving = np.column_stack([data.y_l + data.vcf * there, -data.vcf[:, None] * slopes])
        moving = whitened(moving, data.hours, data.gain) * root
        columns = np.column_stack([moving[:, 1:], steady])
        return _Rows(moving[:, 0], columns, columns.T @ columns, columns.T @ moving[:, 0])

    return rows_at


def _fit(data: ChartData, way: str, chart: Prior, rows_at: _RowsAt) -> Fit:
    """The fit under one prior, the pose linearised where it ends."""
    prior = Prior(np.concatenate([chart.mean, data.prior.mean]), np.concatenate([chart.sd, data.prior.sd]))
    point, seen = (0, 0), set[tuple[int, int]]()
    for _ in range(_MOST_STEPS):
        seen.add(point)
        rows = rows_at(point)
        belief = posterior(rows.gram, rows.score, prior)
        step = np.clip(belief.mean[:2] / _LATTICE - point, -4.0, 4.0)
        nearest = np.round(point + step).astype(int)
        point = (int(nearest[0]), int(nearest[1]))
        if point in seen:
            break
    residual = rows.y - rows.columns @ belief.mean
    off = (belief.mean - prior.mean) / prior.sd
    scaled = rows.gram * prior.sd[:, None] * prior.sd[None, :] + np.eye(len(prior.sd))
    evidence = -0.5 * float(residual @ residual + off @ off + np.linalg.slogdet(scaled)[1])
    odds = _PRIOR_ODDS.get(way, 0.0)
    return Fit(way, float(np.exp(odds)), prior, belief, evidence + odds, residual)


def _weighed(data: ChartData, fit: Fit) -> ChartData:
    """The data with odd rows held back and all rows stretched to the scatter that the fit leaves, by row and by day."""
    held = np.clip(fit.residual, -_HELD, _HELD)
    _, day = np.unique(np.floor(data.hours / 24.0), return_inverse=True)
    by_day = np.bincount(day, held) / np.sqrt(np.bincount(day))
    spread = max(1.0, float(np.mean(held**2)), float(np.mean(np.minimum(by_day**2, 9.0))))
    odd = np.minimum(1.0, _HELD / np.maximum(np.abs(fit.residual), 1e-9))
    return replace(data, weight=odd / spread)
