"""A tank's chart judged and corrected from its own dips: what it is off by, how sure, and what cannot be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_data import ChartData, Named, chart_data
from pipeline.estimate.chart_fit import CHART, Fit, Told, fit_ways
from pipeline.estimate.chart_fleet import Heard, heard_of
from pipeline.estimate.chart_mixture import estimates_of, mixture_of, weights_of
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
class ChartCalibration:
    """What a tank's dips say of its chart.

    `estimates` by name; `ways` the probability of each way to be wrong (`sound`: none); `span_mm` lowest and highest
    level seen; `days` how many days of data; `corrected` and `closing` as their classes say; `heard` what the fleet may
    learn from it (`chart_fleet.told_by_fleet`).
    """

    tank_id: str
    days: int
    span_mm: tuple[float, float]
    estimates: tuple[Estimate, ...]
    ways: dict[str, float]
    corrected: CorrectedChart
    closing: Closing
    heard: Heard

    @property
    def not_identified(self) -> tuple[str, ...]:
        """Names of what the data cannot tell."""
        return tuple(one.name for one in self.estimates if not one.is_identified)


@dataclass(frozen=True)
class NotCalibrated:
    """Tanks whose chart could not be judged, and why."""

    tank_ids: tuple[str, ...]
    reason: str


def calibrate_chart(walk: UnitWalk, *, told: Told | None = None) -> ChartCalibration | NotCalibrated:
    """Tilt, roll, offset, scale and smooth remainder of a tank's chart, and the chart put right.

    Parameters
    ----------
    walk : UnitWalk
        The tank as observed, its dips with their noise, and what its balance named (a leak is not a wrong chart).
    told : Told, optional
        What the rest of the fleet says of carriers, meters and usual charts; common practice without it.

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
    fits = fit_ways(data, model, told)
    weight = weights_of(fits)
    corrected = _corrected(model, fits, weight, (low, high))
    terms = [terms_of(model, data, fit, (low, high), _least_sure_mm(corrected, (low, high))) for fit in fits]
    mixture = mixture_of(model, fits, terms)
    return ChartCalibration(
        tank_id=unit.unit_id,
        days=int(np.unique(walk.walk.balance.known_day).size),
        span_mm=(low, high),
        estimates=estimates_of(model, mixture),
        ways=_ways(fits, weight),
        corrected=corrected,
        closing=_closing(data, model, fits, weight),
        heard=heard_of(data, model, fits),
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
            courses.append(candidates.column(int(np.flatnonzero(mine)[0])))
            names.append(f"named:{item.hypothesis.key}:{onset}")
            spreads.append(3.0 * item.hypothesis.spread)
    named = Named(np.column_stack(courses), tuple(names), np.array(spreads)) if courses else None
    total = np.sum(moved, axis=0) if moved else None
    return chart_data(walk.seen, walk.dips, walk.walk.balance, walk.noise, model, moved_l=total, named=named)


def _ways(fits: list[Fit], weight: Floats) -> dict[str, float]:
    """Probability of each way, its sizes added up."""
    ways: dict[str, float] = {}
    for fit, share in zip(fits, weight.tolist(), strict=True):
        ways[fit.way] = ways.get(fit.way, 0.0) + share
    return ways


def _corrected(model: TankModel, fits: list[Fit], weight: Floats, span_mm: tuple[float, float]) -> CorrectedChart:
    mean, var = np.zeros(len(model.rows_mm)), np.zeros(len(model.rows_mm))
    for fit, share in zip(fits, weight, strict=True):
        litres, slopes = correction_l(model, fit, model.rows_mm)
        own = np.einsum("kp,pq,kq->k", slopes, fit.belief.cov[: len(CHART), : len(CHART)], slopes, optimize=True)
        mean, var = mean + share * litres, var + share * (own + litres**2)
    corrected = np.maximum.accumulate(np.maximum(model.rows_l + mean, 0.0))
    seen = (model.rows_mm >= span_mm[0]) & (model.rows_mm <= span_mm[1])
    return CorrectedChart(model.rows_mm, model.rows_l, corrected, np.sqrt(np.maximum(var - mean**2, 0.0)), seen)


def _least_sure_mm(corrected: CorrectedChart, span_mm: tuple[float, float]) -> float:
    """The level seen at which the corrected chart is least sure. [mm]"""
    level = np.concatenate([corrected.level_mm[corrected.is_visited], span_mm])
    return float(level[np.argmax(np.interp(level, corrected.level_mm, corrected.sd_l))])


def _closing(data: ChartData, model: TankModel, fits: list[Fit], weight: Floats) -> Closing:
    correction = np.sum(
        [
            share * correction_l(model, fit, data.level_mm)[0]
            for fit, share in zip(fits, weight, strict=True)
            if share > 1e-3
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
