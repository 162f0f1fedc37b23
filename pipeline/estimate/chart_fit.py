"""The dips of one tank fitted with a chart that may be wrong: Gauss-Newton around the whitened linear model.

Charts go wrong in one way at a time, and by much or by little: each way and size has a prior of its own, and what they
say is weighed by how well it foretold the data (Laplace's approximation of the marginal likelihood).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_belief import Before, Seen, before_of, log_evidence, posterior_of
from pipeline.estimate.chart_data import METER_SD, ChartData
from pipeline.estimate.chart_proof import PROVED_SD
from pipeline.estimate.chart_shape import SHAPES, TankModel
from pipeline.estimate.regression import Posterior, Prior
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
SHAPE_SDS = (0.1, 0.3)
SHAPE_SCALE = 0.5
SHAPE_SHARE = 0.02
"""SDs of the slope of charts of another shape: of another tank, or where the section is none that papers can name.
Litres a millimetre are off by a tenth or more, the scale by half as much, and what lies below the levels seen is far
from sure. And the prior share of such tanks. No source."""
ROLL_SD_DEG = 2.0
"""By how much a tank may be rolled about its axis, SD. Common practice, no source. [°]"""
GROUPS = {"tilt": "pose", "offset": "pose", "scale": "scale", "remainder": "remainder", "shape": "shape"}
"""Ways to be wrong that are not always told apart, and so are counted together in a fleet."""
_LATTICE = np.array([2.0, 4.0])
"""Poses are linearised at multiples of these (mm/m, mm): between them the litres bend by less than 0.1."""
_MOST_STEPS = 12
_HELD = 4.0


@dataclass(frozen=True)
class Told:
    """What the rest of the fleet tells a tank.

    `names` of the data's others that tanks share (carriers, the meters' common error) with their `mean` (n,) and `cov`
    (n, n); `meter_sd` of a meter's own error; `spread` by kind of the chart's coefficients, as a share of the usual
    SD of a sound tank; `odds` by group of ways, as multiples of the usual ones.
    """

    names: tuple[str, ...] = ()
    mean: Floats = field(default_factory=lambda: np.zeros(0))
    cov: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    meter_sd: float = METER_SD
    spread: Mapping[str, float] = field(default_factory=dict)
    odds: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Fit:
    """One way, and size, for the chart to be wrong (`key` names both).

    `before` and `belief` are over `CHART` and then the data's others; `log_evidence` includes the way's prior odds,
    `prior_odds` against a sound chart; `residual` are the whitened rows that it leaves, shape (k,), `seen` their sums.
    """

    way: str
    key: str
    prior_odds: float
    before: Before
    seen: Seen
    belief: Posterior
    log_evidence: float
    residual: Floats


@dataclass(frozen=True)
class _Rows:
    """Whitened rows around one pose: y (k,), columns (k, p), and their sums."""

    y: Floats
    columns: Floats
    seen: Seen


_RowsAt = Callable[[tuple[int, int]], _Rows]


def fit_ways(data: ChartData, model: TankModel, told: Told | None = None) -> list[Fit]:
    """Every way fitted, likeliest first."""
    told = told or Told()
    return fits_by(data, model, told, ways_of(model, told), odds_of(model, told))


def fits_by(
    data: ChartData, model: TankModel, told: Told, ways: list[tuple[str, Prior]], odds: Mapping[str, float]
) -> list[Fit]:
    """Such ways fitted, each a key and its prior, with their odds by key, likeliest first."""
    usual = ways[0][1].mean
    loosest = Prior(usual, np.max([np.hypot(prior.sd, prior.mean - usual) for _, prior in ways], axis=0))
    data = _weighed(data, _fit(data, "any", loosest, _rows_at(data, model), told))
    rows_at = _rows_at(data, model)
    fits = [_against(_fit(data, key, prior, rows_at, told), odds[key]) for key, prior in ways]
    return sorted(fits, key=lambda fit: -fit.log_evidence)


def odds_of(model: TankModel, told: Told) -> dict[str, float]:
    """Odds of each way and size against a sound chart.

    Where the papers do not say where the probe stands a tilt works as an offset, whose odds are then those of both.
    """
    both = model.tank.shape == "horizontal_cylinder" and not model.knows_probe
    shares = {way: WRONG_SHARE / len(sizes) for way, sizes in WRONG_SD.items()}
    shares |= {"offset": shares["offset"] * (2.0 if both else 1.0), "shape": SHAPE_SHARE / len(SHAPE_SDS)}
    ways = {key: key.split(":")[0] for key, _ in ways_of(model, told)[1:]}
    return {"sound": 1.0} | {key: shares[way] * told.odds.get(GROUPS[way], 1.0) for key, way in ways.items()}


def _against(fit: Fit, odds: float) -> Fit:
    """The fit with its way's odds."""
    return replace(fit, prior_odds=odds, log_evidence=fit.log_evidence + float(np.log(odds)))


def ways_of(model: TankModel, told: Told) -> list[tuple[str, Prior]]:
    """The priors of the chart's coefficients: first a sound chart's, then one for each way and size of being wrong."""
    lying = model.tank.shape == "horizontal_cylinder"
    # The mean and SD of 1 − cos(roll) for a roll drawn from a normal distribution.
    roll = float(np.radians(ROLL_SD_DEG) ** 2 / 2.0) if lying else 0.0
    kinds = [name.split(":")[0] for name in CHART]
    usual = SOUND_SD | {"geometry": 0.5, "roll": max(np.sqrt(2.0) * roll, 1e-9)}
    if not model.knows_probe:
        usual["offset"] = OFFSET_UNKNOWN_PROBE_SD_MM
    mean = np.array([{"roll": roll, "geometry": 0.5}.get(kind, 0.0) for kind in kinds])
    sd = np.array([told.spread.get(kind, 1.0) * usual[kind] for kind in kinds])
    ways = [("sound", Prior(mean, sd))]
    for way, sizes in WRONG_SD.items():
        if way == "tilt" and not (model.knows_probe and lying):
            continue
        mine = np.array([kind == way for kind in kinds])
        ways += [(f"{way}:{size:g}", Prior(mean, np.where(mine, np.hypot(sd, size), sd))) for size in sizes]
    walls, scale = (np.array([kind == name for kind in kinds]) for name in ("remainder", "scale"))
    for size in SHAPE_SDS:
        ways.append((f"shape:{size:g}", Prior(mean, np.hypot(sd, size * (walls + SHAPE_SCALE * scale)))))
    return ways


def _rows_at(data: ChartData, model: TankModel) -> _RowsAt:
    """Whitened rows around each point of the lattice of poses, made once."""
    root = np.sqrt(data.weight)[:, None]
    steady = np.column_stack([-data.vcf[:, None] * model.shapes_l(data.still_mm), data.others])
    steady = whitened(steady, data.filter) * root

    @cache
    def rows_at(point: tuple[int, int]) -> _Rows:
        change, offset = np.array(point) * _LATTICE
        tilt = model.tilt_mm_per_m + change
        slopes = model.pose_slopes_l(data.still_mm, tilt, offset)
        there = model.posed_l(data.still_mm, tilt, offset) - slopes @ np.array([change, offset])
        moving = np.column_stack([data.y_l + data.vcf * there, -data.vcf[:, None] * slopes])
        moving = whitened(moving, data.filter) * root
        columns = np.column_stack([moving[:, 1:], steady])
        proved_y, proved = _proof_rows(data, model, tilt, change, offset)
        y, columns = np.concatenate([moving[:, 0], proved_y]), np.concatenate([columns, proved])
        return _Rows(y, columns, Seen(columns.T @ columns, columns.T @ y, np.asarray(y @ y)))

    return rows_at


def _proof_rows(data: ChartData, model: TankModel, tilt: float, change: float, offset: float) -> tuple[Floats, Floats]:
    """What was measured besides, as rows of the fit around one pose: y (n,) and columns (n, p), by their SDs."""
    proof, others = data.proof, data.others.shape[1]
    slopes = model.pose_slopes_l(proof.level_mm, tilt, offset)
    there = model.posed_l(proof.level_mm, tilt, offset) - slopes @ np.array([change, offset])
    lacks = proof.stock_l - model.base_l(proof.level_mm) - there
    shapes = np.column_stack([slopes, model.shapes_l(proof.level_mm), np.zeros((len(lacks), others))])
    meters = np.column_stack([np.zeros((len(proof.given), len(CHART))), proof.columns.reshape(-1, others)])
    return (
        np.concatenate([lacks / proof.sd_l, proof.given / PROVED_SD]),
        np.concatenate([shapes / proof.sd_l[:, None], meters / PROVED_SD]),
    )


def before_data(data: ChartData, chart: Prior, told: Told) -> Before:
    """The belief about the chart and about all else, with what the fleet tells in its place."""
    known = [place for place, name in enumerate(told.names) if name in data.names]
    places = [len(CHART) + data.names.index(told.names[place]) for place in known]
    own = [name.startswith("meter:") for name in data.names]
    sd = np.where(own, told.meter_sd, data.prior.sd)
    prior = Prior(np.concatenate([chart.mean, data.prior.mean]), np.concatenate([chart.sd, sd]))
    return before_of(prior, places, (told.mean[known], told.cov[np.ix_(known, known)]))


def _fit(data: ChartData, key: str, chart: Prior, rows_at: _RowsAt, told: Told) -> Fit:
    """The fit under one prior, the pose linearised where it ends."""
    before = before_data(data, chart, told)
    point, been = (0, 0), set[tuple[int, int]]()
    for _ in range(_MOST_STEPS):
        been.add(point)
        rows = rows_at(point)
        belief = posterior_of(rows.seen, before)
        step = np.clip(belief.mean[:2] / _LATTICE - point, -4.0, 4.0)
        nearest = np.round(point + step).astype(int)
        point = (int(nearest[0]), int(nearest[1]))
        if point in been:
            break
    return Fit(
        way=key.split(":")[0],
        key=key,
        prior_odds=1.0,
        before=before,
        seen=rows.seen,
        belief=belief,
        log_evidence=float(log_evidence(rows.seen, before)),
        residual=rows.y - rows.columns @ belief.mean,
    )


def _weighed(data: ChartData, fit: Fit) -> ChartData:
    """The data with odd rows held back and all rows stretched to the scatter that the fit leaves, by row and by day."""
    residual = fit.residual[: len(data.hours)]
    held = np.clip(residual, -_HELD, _HELD)
    _, day = np.unique(np.floor(data.hours / 24.0), return_inverse=True)
    by_day = np.bincount(day, held) / np.sqrt(np.bincount(day))
    spread = max(1.0, float(np.mean(held**2)), float(np.mean(np.minimum(by_day**2, 9.0))))
    odd = np.minimum(1.0, _HELD / np.maximum(np.abs(residual), 1e-9))
    return replace(data, weight=odd / spread)
