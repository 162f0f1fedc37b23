"""A tank's chart judged and corrected from its own dips: what it is off by, how sure, and what cannot be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_data import CARRIER_SD, ChartData, Named, chart_data
from pipeline.estimate.chart_fit import CHART, Fit, fit_ways
from pipeline.estimate.chart_mixture import Mixture, estimates_of, mixture_of
from pipeline.estimate.chart_shape import TankModel, tank_model
from pipeline.estimate.chart_terms import Estimate, correction_l, terms_of
from pipeline.estimate.unit_walk import UnitWalk, amendments_of

Floats = NDArray[np.float64]

FEWEST_DIPS = 200
LEAST_SWING = 0.1
"""A chart is not judged on fewer dips (some four days), nor where the level moved by less of the tank's depth."""


@dataclass(frozen=True)
class CorrectedChart:
    """The site's chart put right, on its own levels; arrays of shape (n,).

    `chart_l` the site's litres, `corrected_l` the corrected ones with their SD `sd_l`; `is_visited` whether the level
    has been there. Elsewhere the correction rests on the tank's shape and on what walls usually do: `sd_l` says so.
    """

    level_mm: Floats
    chart_l: Floats
    corrected_l: Floats
    sd_l: Floats
    is_visited: NDArray[np.bool_]


@dataclass(frozen=True)
class Closing:
    """How far the cumulative variance (gauge less book, at 15 °C) strays from its mean, as root mean square [l].

    By the site's chart and by the corrected one: over all the data, and within each stretch between two drops, where
    no ticket's error comes in. Moves of which nothing is known are taken out.
    """

    before_l: float
    after_l: float
    between_drops_before_l: float
    between_drops_after_l: float


@dataclass(frozen=True)
class CarrierEvidence:
    """What one tank says of its carriers' biases, apart from every prior of them: `precision` (n, n), `shift` (n,)."""

    names: tuple[str, ...]
    precision: Floats
    shift: Floats


@dataclass(frozen=True)
class ChartCalibration:
    """What a tank's dips say of its chart.

    `estimates` by name; `ways` the probability of each way to be wrong (`sound`: none); `span_mm` lowest and highest
    level seen; `days` how many days of data; `corrected`, `closing` and `carriers` as their classes say.
    """

    tank_id: str
    days: int
    span_mm: tuple[float, float]
    estimates: tuple[Estimate, ...]
    ways: dict[str, float]
    corrected: CorrectedChart
    closing: Closing
    carriers: CarrierEvidence

    @property
    def not_identified(self) -> tuple[str, ...]:
        """Names of what the data cannot tell."""
        return tuple(one.name for one in self.estimates if not one.is_identified)


@dataclass(frozen=True)
class NotCalibrated:
    """Tanks whose chart could not be judged, and why."""

    tank_ids: tuple[str, ...]
    reason: str


def calibrate_chart(
    walk: UnitWalk, *, told: Mapping[str, tuple[float, float]] | None = None
) -> ChartCalibration | NotCalibrated:
    """Tilt, roll, offset, scale and smooth remainder of a tank's chart, and the chart put right.

    Parameters
    ----------
    walk : UnitWalk
        The tank as observed, its dips with their noise, and what its balance named (a leak is not a wrong chart).
    told : mapping, optional
        Mean and SD of carriers' biases from the rest of the fleet, by ``carrier:NAME`` (`told_of_carriers`).

    Returns
    -------
    ChartCalibration, or NotCalibrated
        The latter for joined tanks, which share one level, and for too few dips or too small a swing.

    Notes
    -----
    Generalised least squares on levels against cumulative sales, never on differences; drops count with their tickets'
    doubt alone. `chart_shape`, `chart_data` and `chart_fit` say what is fitted, `chart_mixture` how it is summed up.
    """
    unit = walk.seen.unit
    if len(unit.members) > 1:
        return NotCalibrated(unit.members, "joined tanks share one level: their charts act as one sum")
    if len(walk.dips) < FEWEST_DIPS:
        return NotCalibrated(unit.members, f"{len(walk.dips)} settled dips, {FEWEST_DIPS} are needed")
    model = tank_model(unit.tanks.row(0, named=True), *unit.strappings[0].charts[-1])
    low, high = float(walk.dips.level_mm.min()), float(walk.dips.level_mm.max())
    if high - low < LEAST_SWING * model.tank.depth_mm:
        return NotCalibrated(unit.members, f"the level moved by {high - low:.0f} mm only")
    data = _data_of(walk, model)
    fits = fit_ways(data, model, told=told)
    terms = [terms_of(model, data, fit, (low, high)) for fit in fits]
    mixture = mixture_of(fits, terms)
    return ChartCalibration(
        tank_id=unit.unit_id,
        days=int(np.unique(walk.walk.balance.known_day).size),
        span_mm=(low, high),
        estimates=estimates_of(model, mixture),
        ways=_ways(fits, mixture),
        corrected=_corrected(model, fits, mixture, (low, high)),
        closing=_closing(data, model, fits, mixture),
        carriers=_carriers(data, fits[0]),
    )


def _data_of(walk: UnitWalk, model: TankModel) -> ChartData:
    """The fit's data, with all that became known to have left unbooked and all that the walk named but a chart."""
    moved = [one.litres for one in amendments_of(walk.seen, walk.dips)]
    candidates = walk.walk.candidates
    keys = [one.key for one in candidates.hypotheses]
    courses, names, spreads = [], [], []
    for item in (*walk.walk.named, *walk.walk.excursions):
        if item.hypothesis.key not in keys:
            continue
        for _, onset in item.pieces:
            mine = (candidates.which == keys.index(item.hypothesis.key)) & (candidates.onset == onset)
            courses.append(candidates.columns[:, np.flatnonzero(mine)[0]])
            names.append(f"named:{item.hypothesis.key}:{onset}")
            spreads.append(3.0 * item.hypothesis.spread)
    named = Named(np.column_stack(courses), tuple(names), np.array(spreads)) if courses else None
    total = np.sum(moved, axis=0) if moved else None
    return chart_data(walk.seen, walk.dips, walk.walk.balance, walk.noise, model, moved_l=total, named=named)


def told_of_carriers(calibrations: list[ChartCalibration]) -> dict[str, dict[str, tuple[float, float]]]:
    """Each tank's carriers' biases as the other tanks tell them: by tank, mean and SD by ``carrier:NAME``.

    The tanks' evidence adds up; each tank's own is taken out of what it is told. Exact where tanks share nothing but
    their carriers.
    """
    names = sorted({name for one in calibrations for name in one.carriers.names})
    at = {name: place for place, name in enumerate(names)}
    precision, shift = np.eye(len(names)) / CARRIER_SD**2, np.zeros(len(names))
    for one in calibrations:
        mine = [at[name] for name in one.carriers.names]
        precision[np.ix_(mine, mine)] += one.carriers.precision
        shift[mine] += one.carriers.shift
    told = {}
    for one in calibrations:
        mine = [at[name] for name in one.carriers.names]
        rest, rest_shift = precision.copy(), shift.copy()
        rest[np.ix_(mine, mine)] -= one.carriers.precision
        rest_shift[mine] -= one.carriers.shift
        cov = np.linalg.inv(rest)
        mean = cov @ rest_shift
        told[one.tank_id] = {names[k]: (float(mean[k]), float(np.sqrt(cov[k, k]))) for k in mine}
    return told


def _ways(fits: list[Fit], mixture: Mixture) -> dict[str, float]:
    """Probability of each way, its sizes added up."""
    ways: dict[str, float] = {}
    for fit, weight in zip(fits, mixture.weight.tolist(), strict=True):
        ways[fit.way] = ways.get(fit.way, 0.0) + weight
    return ways


def _corrected(model: TankModel, fits: list[Fit], mixture: Mixture, span_mm: tuple[float, float]) -> CorrectedChart:
    mean, var = np.zeros(len(model.rows_mm)), np.zeros(len(model.rows_mm))
    for fit, weight in zip(fits, mixture.weight, strict=True):
        litres, slopes = correction_l(model, fit, model.rows_mm)
        own = np.einsum("kp,pq,kq->k", slopes, fit.belief.cov[: len(CHART), : len(CHART)], slopes, optimize=True)
        mean, var = mean + weight * litres, var + weight * (own + litres**2)
    corrected = np.maximum.accumulate(np.maximum(model.rows_l + mean, 0.0))
    seen = (model.rows_mm >= span_mm[0]) & (model.rows_mm <= span_mm[1])
    return CorrectedChart(model.rows_mm, model.rows_l, corrected, np.sqrt(np.maximum(var - mean**2, 0.0)), seen)


def _closing(data: ChartData, model: TankModel, fits: list[Fit], mixture: Mixture) -> Closing:
    correction = np.sum(
        [
            weight * correction_l(model, fit, data.level_mm)[0]
            for fit, weight in zip(fits, mixture.weight, strict=True)
            if weight > 1e-3
        ],
        axis=0,
    )
    before, after = data.by_chart_l, data.y_l + data.vcf * correction
    return Closing(
        _stray_l(_joined(before, data.free)),
        _stray_l(_joined(after, data.free)),
        _stray_l(_centred(before, data.cycle)),
        _stray_l(_centred(after, data.cycle)),
    )


def _joined(values: Floats, free: NDArray[np.bool_]) -> Floats:
    """The values with the steps before free dips taken out."""
    steps = np.diff(values, prepend=values[:1])
    return np.cumsum(np.where(free, 0.0, steps))


def _centred(values: Floats, cycle: NDArray[np.int64]) -> Floats:
    """The values less the mean of their cycle."""
    _, place = np.unique(cycle, return_inverse=True)
    return np.asarray(values - (np.bincount(place, values) / np.bincount(place))[place])


def _stray_l(values: Floats) -> float:
    return float(np.std(values))


def _carriers(data: ChartData, fit: Fit) -> CarrierEvidence:
    """The likeliest fit's belief about carriers with their prior taken out again."""
    at = [len(CHART) + place for place, name in enumerate(data.names) if name.startswith("carrier:")]
    names = tuple(data.names[place - len(CHART)] for place in at)
    precision = np.linalg.inv(fit.belief.cov[np.ix_(at, at)])
    prior = 1.0 / fit.prior.sd[at] ** 2
    shift = np.asarray(precision @ fit.belief.mean[at] - prior * fit.prior.mean[at])
    return CarrierEvidence(names, np.asarray(precision - np.diag(prior)), shift)
