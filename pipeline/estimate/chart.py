"""A tank's chart judged and corrected from its own dips: what it is off by, how sure, and what cannot be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_closing import Closing, Stretch, closing_of, daily_variance_l, stretches_of
from pipeline.estimate.chart_correction import Between, CorrectedChart, Correction, correction_of
from pipeline.estimate.chart_data import ChartData, Known, chart_data
from pipeline.estimate.chart_fit import Fit, Told, fit_ways
from pipeline.estimate.chart_fleet import Heard, heard_of
from pipeline.estimate.chart_mixture import estimates_of, mixture_of
from pipeline.estimate.chart_shape import TankModel, depth_mm, tank_model
from pipeline.estimate.chart_terms import Estimate, terms_of
from pipeline.estimate.terms import Term
from pipeline.estimate.unit_walk import UnitWalk, amendments_of

Floats = NDArray[np.float64]

FEWEST_DIPS = 200
LEAST_SWING = 0.1
FEWEST_ROWS = 4
"""A chart is not judged on fewer dips (some four days), nor where the level moved by less of the tank's depth or it has
fewer rows."""


@dataclass(frozen=True)
class JudgeableChart:
    """A tank whose chart can be judged: what its dips say, `data`, and the tank with its chart in force, `model`.

    `days` how many days of data; `span_mm` lowest and highest level seen; `filled_mm` (n, 2) from which level to which
    each drop filled.
    """

    tank_id: str
    days: int
    span_mm: tuple[float, float]
    filled_mm: Floats
    model: TankModel
    data: ChartData


@dataclass(frozen=True)
class ChartCalibration:
    """What a tank's dips say of its chart.

    `estimates` by name; `ways` the probability of each way to be wrong (`sound`: none); `span_mm` lowest and highest
    level seen; `days` how many days of data; `correction` gives the corrected chart at any level, `corrected` on the
    site's own; `widest` says where the site's is off most; `closing` and `stretches` as their classes say;
    `daily_l` the litres that the chart puts into the daily variance of a month; `heard` what the fleet may learn from
    it (`chart_fleet.told_by_fleet`).
    """

    tank_id: str
    days: int
    span_mm: tuple[float, float]
    estimates: tuple[Estimate, ...]
    ways: dict[str, float]
    correction: Correction
    corrected: CorrectedChart
    widest: Between
    closing: Closing
    stretches: tuple[Stretch, ...]
    daily_l: float
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


def judgeable_chart(walk: UnitWalk) -> JudgeableChart | NotCalibrated:
    """What is needed to judge a tank's chart.

    Parameters
    ----------
    walk : UnitWalk
        The tank as observed, its dips with their noise, and what its balance named (a leak is not a wrong chart).

    Returns
    -------
    JudgeableChart, or NotCalibrated
        The latter for joined tanks, which share one level, and for too few dips or rows, or too small a swing.
    """
    unit = walk.seen.unit
    if len(unit.members) > 1:
        return NotCalibrated(unit.members, "joined tanks share one level: their charts act as one sum")
    if len(walk.dips) < FEWEST_DIPS:
        return NotCalibrated(unit.members, f"{len(walk.dips)} settled dips, {FEWEST_DIPS} are needed")
    rows_mm, rows_l = unit.strappings[0].charts[-1]
    tank = unit.tanks.row(0, named=True)
    inside = int(np.count_nonzero(rows_mm <= depth_mm(tank)))
    if inside < FEWEST_ROWS:
        return NotCalibrated(unit.members, f"{inside} rows of its chart lie within the tank, {FEWEST_ROWS} are needed")
    model = tank_model(tank, rows_mm, rows_l)
    low, high = float(walk.dips.level_mm.min()), float(walk.dips.level_mm.max())
    if high - low < LEAST_SWING * model.tank.depth_mm:
        return NotCalibrated(unit.members, f"the level moved by {high - low:.0f} mm only")
    return JudgeableChart(
        tank_id=unit.unit_id,
        days=int(np.unique(walk.walk.balance.known_day).size),
        span_mm=(low, high),
        filled_mm=_filled_mm(walk),
        model=model,
        data=_data_of(walk, model),
    )


def calibrated_chart(chart: JudgeableChart, *, told: Told | None = None) -> ChartCalibration:
    """Tilt, roll, offset, scale and smooth remainder of a tank's chart, and the chart put right.

    Parameters
    ----------
    chart : JudgeableChart
    told : Told, optional
        What the rest of the fleet says of carriers, meters and usual charts; common practice without it.

    Notes
    -----
    Generalised least squares on levels against cumulative sales, never on differences; drops count with their tickets'
    doubt alone. `chart_shape`, `chart_data` and `chart_fit` say what is fitted, `chart_mixture` how it is summed up.
    """
    model, data = chart.model, chart.data
    fits = fit_ways(data, model, told)
    correction = correction_of(model, fits, chart.span_mm)
    corrected = correction.at(model.rows_mm)
    least_sure_mm = _least_sure_mm(corrected, chart.span_mm)
    terms = [terms_of(model, data, fit, chart.span_mm, least_sure_mm) for fit in fits]
    lacks_l = correction.litres(data.level_mm)
    return ChartCalibration(
        tank_id=chart.tank_id,
        days=chart.days,
        span_mm=chart.span_mm,
        estimates=estimates_of(model, mixture_of(model, fits, terms)),
        ways=_ways(fits, correction.weight),
        correction=correction,
        corrected=corrected,
        widest=correction.widest(),
        closing=closing_of(data, lacks_l),
        stretches=stretches_of(data, lacks_l),
        daily_l=daily_variance_l(data, lacks_l),
        heard=heard_of(data, model, fits),
    )


def _filled_mm(walk: UnitWalk) -> Floats:
    """Level at the dip before and at the dip after each drop that has both. Shape (n, 2). [mm]"""
    starts = np.array([known.drop.start_s for known in walk.seen.drops])
    after = np.searchsorted(walk.dips.ts_s, starts, "right")
    after = after[(after > 0) & (after < len(walk.dips))]
    return np.column_stack([walk.dips.level_mm[after - 1], walk.dips.level_mm[after]])


def _data_of(walk: UnitWalk, model: TankModel) -> ChartData:
    """The fit's data, with all that became known to have left unbooked and all that the walk named but a chart."""
    moved = [one.litres for one in amendments_of(walk.seen, walk.dips)]
    candidates = walk.walk.candidates
    keys = [one.key for one in candidates.hypotheses]
    named: list[Term] = []
    for item in (*walk.walk.named, *walk.walk.excursions):
        if item.hypothesis.key not in keys:
            continue
        for _, onset in item.pieces:
            mine = (candidates.which == keys.index(item.hypothesis.key)) & (candidates.onset == onset)
            course = candidates.column(int(np.flatnonzero(mine)[0]))
            name = f"named:{item.hypothesis.key}:{onset}"
            named.append(Term((name,), course[:, None], 3.0 * item.hypothesis.spread))
    known = Known(np.sum(moved, axis=0) if moved else 0.0, tuple(named))
    return chart_data(walk.seen, walk.dips, walk.walk.balance, walk.noise, model, known)


def _ways(fits: list[Fit], weight: Floats) -> dict[str, float]:
    """Probability of each way, its sizes added up."""
    ways: dict[str, float] = {}
    for fit, share in zip(fits, weight.tolist(), strict=True):
        ways[fit.way] = ways.get(fit.way, 0.0) + share
    return ways


def _least_sure_mm(corrected: CorrectedChart, span_mm: tuple[float, float]) -> float:
    """The level seen at which the corrected chart is least sure. [mm]"""
    level = np.concatenate([corrected.level_mm[corrected.is_visited], span_mm])
    return float(level[np.argmax(np.interp(level, corrected.level_mm, corrected.sd_l))])
