"""The dips of one tank fitted with a chart that may be wrong: Gauss-Newton around the whitened linear model.

Litres drawn against metered litres teach the chart; a drop teaches it only through its ticket, with the ticket's doubt
and a lasting bias of each carrier. Charts go wrong in one way at a time: each way has a prior of its own, and what they
say is weighed by how well it foretold the data (Laplace's approximation of the marginal likelihood).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_data import ChartData
from pipeline.estimate.chart_shape import SHAPES, TankModel
from pipeline.estimate.regression import Posterior, Prior, posterior
from pipeline.estimate.whiten import whitened

Floats = NDArray[np.float64]

POSE = ("tilt", "offset")
CHART = (*POSE, *SHAPES)
"""Coefficients of the chart, in this order; what else moves the stock follows."""

TILT_SD_MM_PER_M = 2.0
OFFSET_SD_MM = 2.0
OFFSET_UNKNOWN_PROBE_SD_MM = 3.0
SCALE_SD = 0.003
WALL_SD = 0.003
ROLL_SD_DEG = 2.0
"""Priors of a sound tank. Common practice, no source: charts and walls 0.3 %; a probe's height a few mm."""
WIDE = {"tilt": 20.0, "offset": 20.0, "scale": 0.02, "remainder": 0.03}
"""Ways for a chart to be badly wrong, with the SD of each: mm/m, mm, shares."""
WIDE_LOG_PRIOR = float(np.log(0.02))
"""Log odds of each of them against a sound chart. No source."""

MOST_STEPS = 8


@dataclass(frozen=True)
class Fit:
    """One way for the chart to be wrong.

    `way`, its prior, belief over `CHART` and then the others (the tilt as a
    change from the papers'), `log_evidence` with the way's prior odds, and the whitened residuals.
    """

    way: str
    prior: Prior
    belief: Posterior
    log_evidence: float
    residual: Floats


def ways_of(model: TankModel) -> dict[str, Prior]:
    """The prior of the chart's coefficients for each way for it to be wrong; `sound` is the first."""
    kappa = np.radians(ROLL_SD_DEG) ** 2 / 2.0
    lying = model.tank.shape == "horizontal_cylinder"
    offset = OFFSET_SD_MM if model.knows_probe else OFFSET_UNKNOWN_PROBE_SD_MM
    modes = len(CHART) - 5
    mean = np.concatenate([[0.0, 0.0, kappa if lying else 0.0, 0.0, 0.5], np.zeros(modes)])
    sd = np.concatenate(
        [[TILT_SD_MM_PER_M, offset, np.sqrt(2.0) * kappa if lying else 1e-9, SCALE_SD, 0.5], np.full(modes, WALL_SD)]
    )
    ways = {"sound": Prior(mean, sd)}
    for way, wide in WIDE.items():
        if way == "tilt" and not (model.knows_probe and lying):
            continue
        places = [number for number, name in enumerate(CHART) if name.split(":")[0] == way]
        other = sd.copy()
        other[places] = np.hypot(other[places], wide)
        ways[way] = Prior(mean, other)
    return ways


def fit_way(data: ChartData, model: TankModel, way: str, prior: Prior, start: Floats) -> Fit:
    """The fit under one prior, by Gauss-Newton from the pose `start` (change of tilt, offset)."""
    both = Prior(np.concatenate([prior.mean, data.prior.mean]), np.concatenate([prior.sd, data.prior.sd]))
    fixed = np.column_stack([-data.vcf[:, None] * model.shapes_l(data.level_mm), data.others])
    root = np.sqrt(data.weight)[:, None]
    fixed = whitened(fixed, data.hours, data.gain) * root
    pose = start
    for _ in range(MOST_STEPS):
        tilt = model.tilt_mm_per_m + pose[0]
        slopes = model.pose_slopes_l(data.level_mm, tilt, pose[1])
        y = data.y_l + data.vcf * (model.posed_l(data.level_mm, tilt, pose[1]) - slopes @ pose)
        moving = whitened(np.column_stack([y, -data.vcf[:, None] * slopes]), data.hours, data.gain) * root
        rows = np.column_stack([moving[:, 1:], fixed])
        gram, score = rows.T @ rows, rows.T @ moving[:, 0]
        belief = posterior(gram, score, both)
        step = belief.mean[:2] - pose
        pose = pose + np.clip(step, -15.0, 15.0)
        if (np.abs(step) < 0.02).all():
            break
    residual = moving[:, 0] - rows @ belief.mean
    off = (belief.mean - both.mean) / both.sd
    scaled = gram * both.sd[:, None] * both.sd[None, :] + np.eye(len(both.sd))
    evidence = -0.5 * float(residual @ residual + off @ off + np.linalg.slogdet(scaled)[1])
    return Fit(way, both, belief, evidence + (0.0 if way == "sound" else WIDE_LOG_PRIOR), residual)


def stretched(data: ChartData, fit: Fit) -> ChartData:
    """The data with odd rows held back and all rows stretched to the scatter that the fit leaves, by row and by day."""
    day = np.floor(data.hours / 24.0).astype(np.int64)
    held = np.clip(fit.residual, -4.0, 4.0)
    _, place = np.unique(day, return_inverse=True)
    count = np.bincount(place)
    by_day = np.bincount(place, held) / np.sqrt(count)
    spread = max(1.0, float(np.mean(held**2)), float(np.mean(np.minimum(by_day**2, 9.0))))
    odd = np.minimum(1.0, 4.0 / np.maximum(np.abs(fit.residual), 1e-9))
    return replace(data, weight=odd / spread)


def fit_ways(data: ChartData, model: TankModel, *, told: Mapping[str, tuple[float, float]] | None = None) -> list[Fit]:
    """Every way fitted, likeliest first; `told` are names among the others with a mean and SD known from elsewhere."""
    for name, (mean, sd) in (told or {}).items():
        if name in data.names:
            place = data.names.index(name)
            data = replace(data, prior=Prior(_put(data.prior.mean, place, mean), _put(data.prior.sd, place, sd)))
    ways = ways_of(model)
    loosest = np.max([prior.sd for prior in ways.values()], axis=0)
    first = fit_way(data, model, "any", Prior(ways["sound"].mean, loosest), np.zeros(2))
    data = stretched(data, first)
    fits = [fit_way(data, model, way, prior, np.zeros(2)) for way, prior in ways.items()]
    return sorted(fits, key=lambda fit: -fit.log_evidence)


def _put(values: Floats, place: int, value: float) -> Floats:
    out = values.copy()
    out[place] = value
    return out
