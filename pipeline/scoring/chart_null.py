"""How far charts lie off with nothing wrong, as the fleet's own charts show, and which stand out from those.

What is stated of a sound chart (`estimate/terms.py`) holds where tanks were built and measured as usual. Old ones are
dented, sunk and out of round, and each lies off its chart by several times that; others fit theirs far better. The bulk
of the fleet's tanks says how far: bands that are off count as a wrong chart only as they are beyond it, and a scale, an
offset or bands that the fleet's other charts have none like are a wrong chart though what is stated allows them. One
that is off by less than is worth a new chart is none. (The idea is that of an empirical null: B. Efron, "Large-scale
simultaneous hypothesis testing: the choice of a null hypothesis", J. Amer. Statist. Assoc. 99 (2004) 96-104.)
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.attribution import is_explained
from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.rates import CHART_WORDS
from pipeline.estimate.chart_columns import SHAPES, TOLERANCE_PCT, chart_changes_s
from pipeline.estimate.evidence import CHART_WIDE, LOG_PRIOR
from pipeline.estimate.known import DAY_S
from pipeline.estimate.naming import CHART, FEWEST_CHART_DAYS, MARGIN, chart_raised_at
from pipeline.estimate.terms import OFFSET_SD_MM, SCALE_SD
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import DayView

Floats = NDArray[np.float64]

COARSE: Final = SHAPES // 2
"""The shapes of a chart that are asked: the longer waves, whose usual sizes stay as stated until the chart is wrong."""
PARTS: Final[Mapping[str, slice]] = {"scale": slice(0, 1), "offset": slice(1, 2), "bands": slice(2, 2 + COARSE)}
WIDE: Final = {
    "scale": CHART_WIDE["scale"] / SCALE_SD,
    "offset": CHART_WIDE["offset"] / OFFSET_SD_MM,
    "bands": CHART_WIDE["bands"],
}
"""Where in a chart's beliefs each way to be wrong lies, and how wide it is in stated sizes."""
STATED: Final = np.concatenate([[SCALE_SD, OFFSET_SD_MM], np.ones(COARSE)])
TOLD_SHARE: Final = 0.5
"""A direction counts whose variance the data brought below so much of that before them. No source."""
PRIOR_TANKS: Final = 5.0
"""Tanks that what is stated is worth against the fleet's. No source."""
MEDIAN_OF_SQUARE: Final = 0.4549
"""Median of a standard normal variable's square."""
LEVELS: Final = 24
"""Levels at which it is asked by how much a chart is off, each seen as often as the next."""
EVERY_DAYS: Final = 7
"""Once in so many days a fleet's charts are looked over."""


@dataclass(frozen=True)
class ChartBelief:
    """What the run of UTC day number `day` believed of a chart, in stated sizes.

    `mean` (n,) and `cov` (n, n) of its scale, its offset and its coarse shapes by a prior N(0, 1) of each; `rival` the
    log odds of the likeliest other cause; `adds_pct` (k, n) what one of each adds at levels seen so far [% of the
    capacity].
    """

    day: int
    mean: Floats
    cov: Floats
    rival: float
    adds_pct: Floats

    def off_pct(self, width: Floats) -> float:
        """By how much it is off between two of those levels at most, by a prior N(0, `width`²) of each, (n,). [%]"""
        inverse = np.linalg.inv(self.cov)
        mean = np.linalg.solve(inverse - np.eye(len(self.mean)) + np.diag(width**-2.0), inverse @ self.mean)
        return float(np.ptp(self.adds_pct @ mean)) if len(self.adds_pct) else 0.0

    def log_likelihood(self, width: Floats) -> float:
        """Log likelihood of the data by a prior N(0, `width`²) of each instead, (n,), but for a constant.

        The data say h of precision Λ = V⁻¹ − 1; by a prior of variances D that is ½ h'(Λ + D⁻¹)⁻¹h − ½ log|1 + ΛD|.
        """
        inverse = np.linalg.inv(self.cov)
        precision, right = inverse - np.eye(len(self.mean)), inverse @ self.mean
        prior = np.diag(width**2)
        fit = float(right @ np.linalg.solve(precision + np.diag(width**-2.0), right))
        return 0.5 * (fit - float(np.linalg.slogdet(np.eye(len(width)) + precision @ prior)[1]))


def off_by(mean: Floats, cov: Floats) -> float:
    """Mean square in stated sizes of what the data tell of some coefficients, NaN where they tell too little.

    Of a coefficient N(0, k²) before the data, N(m, v) is believed after them by a prior N(0, 1); where the data say
    much, m² is k² (1 − v) on average. `mean` (n,), `cov` (n, n).
    """
    variance, axes = np.linalg.eigh(cov)
    told = variance < TOLD_SHARE
    if not told.any():
        return np.nan
    squares = (axes.T @ mean)[told] ** 2
    return float(squares.sum() / (1.0 - variance[told]).sum())


@dataclass(frozen=True)
class ChartSeen:
    """A chart of a unit as its walk saw it while in force: on some days, and before the day that named it wrong.

    `squares` (n, 3) is how far off it was seen to be in each of `PARTS`, on each of `days` (n,), UTC day numbers.
    """

    site_id: str
    unit_id: str
    tank_id: str
    start_s: float
    days: NDArray[np.int64]
    squares: Floats
    seen: tuple[ChartBelief, ...]
    named: Mapping[int, ChartBelief]


def charts_seen(one: UnitWalk) -> list[ChartSeen]:
    """What a unit's walk saw of each of its charts while that was in force, until it called one wrong."""
    unit, views = one.seen.unit, one.walk.views
    starts_s = [float(unit.series.ts_s[0]), *chart_changes_s(unit).tolist()]
    return [
        _chart_seen(one, number, start_s, [view for view in views if start_s <= (view.day + 1) * DAY_S <= end_s])
        for number, (start_s, end_s) in enumerate(pairwise([*starts_s, np.inf]))
    ]


def _chart_seen(one: UnitWalk, number: int, start_s: float, views: Sequence[DayView]) -> ChartSeen:
    place = one.walk.balance.names.index(f"chart{number}:scale")
    here = slice(place, place + len(STATED))
    wrong = [named for named in one.walk.named if named.hypothesis.key == CHART.key]
    until = min((named.day for named in wrong), default=np.inf)
    beliefs, squares = [], []
    for view in views:
        mean, cov = view.belief.mean[here] / STATED, view.belief.cov[here, here] / np.outer(STATED, STATED)
        squares.append([off_by(mean[part], cov[part, part]) for part in PARTS.values()])
        if view.day < until:
            rival = max((odds for key, odds in view.odds.items() if key != CHART.key), default=-np.inf)
            beliefs.append(ChartBelief(view.day, mean, cov, rival, _adds_pct(one, here, view.day)))
    seen = tuple(one for one in beliefs if one.day % EVERY_DAYS == 0 and one.day >= start_s / DAY_S + FEWEST_CHART_DAYS)
    named_by = {named.day: beliefs[-1] for named in wrong if beliefs and str(named.way) == f"{number}:bands"}
    days = np.array([view.day for view in views], dtype=np.int64)
    unit = one.seen.unit
    return ChartSeen(unit.site_id, unit.unit_id, unit.members[0], start_s, days, np.array(squares), seen, named_by)


def _adds_pct(one: UnitWalk, here: slice, day: int) -> Floats:
    """What a stated size of each part of a chart adds at levels that a run has seen. (k, n) [% of the capacity]"""
    balance = one.walk.balance
    columns, level = balance.columns[balance.known_day <= day, here], balance.level_mm[balance.known_day <= day]
    in_force = columns.any(axis=1)
    order = np.argsort(level[in_force], kind="stable")
    spread = order[np.unique(np.linspace(0, len(order) - 1, LEVELS).astype(int))] if len(order) else order
    return np.asarray(100.0 / one.seen.unit.capacity_l * columns[in_force][spread] * STATED)


def by_own_walls(findings: Sequence[Finding], charts: Sequence[ChartSeen]) -> list[Finding]:
    """The findings, those of wrong bands with the odds that the walls of the fleet's other tanks leave them."""
    return [_as_others_are(one, charts) if one.cause == CHART.cause else one for one in findings]


def _as_others_are(finding: Finding, charts: Sequence[ChartSeen]) -> Finding:
    mine = [k for k, one in enumerate(charts) if one.unit_id == finding.unit_id and finding.day in one.named]
    if not mine:
        return finding
    place, belief = mine[0], charts[mine[0]].named[finding.day]
    width = max(_widths(_known(charts, finding.day), place)["bands"], 1.0)
    stated, usual = np.ones(len(STATED)), np.ones(len(STATED))
    usual[PARTS["bands"]] = width
    lost = min(belief.log_likelihood(stated) - belief.log_likelihood(usual), 0.0)
    return replace(finding, log_odds=finding.log_odds + lost)


def with_standing_out(findings: Sequence[Finding], charts: Sequence[ChartSeen], last_day: int) -> list[Finding]:
    """The findings and a wrong chart for each that stands out from the fleet's before its walk calls it wrong, if ever.

    Parameters
    ----------
    findings : sequence of Finding
        What else was found; what accounts for a chart by its day keeps it from being raised.
    charts : sequence of ChartSeen
    last_day : int
        UTC day number after which nothing is raised.
    """
    new = list(_standing_out(charts, findings, last_day))
    again = {(CHART.cause, one.unit_id, one.start_s) for one in new}
    return [*(one for one in findings if (one.cause, one.unit_id, one.start_s) not in again), *new]


def _standing_out(charts: Sequence[ChartSeen], findings: Sequence[Finding], last_day: int) -> Iterator[Finding]:
    days = sorted({belief.day for chart in charts for belief in chart.seen if belief.day <= last_day})
    known = {day: _known(charts, day) for day in days}
    for place, chart in enumerate(charts):
        for belief in chart.seen:
            if belief.day > last_day:
                break
            age = belief.day - int(chart.start_s // DAY_S)
            widths = _widths(known[belief.day], place)
            odds, way = _odds(belief, widths)
            if odds < max(chart_raised_at(age), belief.rival + MARGIN):
                continue
            if (off_pct := belief.off_pct(_wide(widths, way))) < TOLERANCE_PCT:
                continue
            finding = _finding(chart, belief.day, odds, _evidence(belief, way, widths[way], off_pct))
            if not is_explained(finding, findings):
                yield finding
                break


def _known(charts: Sequence[ChartSeen], day: int) -> Floats:
    """How far off each chart was last seen by a UTC day, NaN where it was not. Shape (charts, 3)."""
    last = []
    for chart in charts:
        until = int(np.searchsorted(chart.days, day, "right"))
        last.append(chart.squares[until - 1] if until else np.full(len(PARTS), np.nan))
    return np.array(last).reshape(-1, len(PARTS))


def _widths(squares: Floats, place: int) -> dict[str, float]:
    """How far off the bulk of a fleet's charts but the one at a place is, for each way to be off."""
    others = np.delete(squares, place, axis=0)
    return {way: fleet_width(others[:, number], way) for number, way in enumerate(PARTS)}


def _odds(belief: ChartBelief, widths: Mapping[str, float]) -> tuple[float, str]:
    """Log odds of a wrong chart where sound ones are off by so many times what is stated, and the likeliest way."""
    plain = belief.log_likelihood(_wide(widths))
    ways = {way: belief.log_likelihood(_wide(widths, way)) - plain for way in PARTS}
    values = np.array(list(ways.values()))
    likeliest = max(ways, key=lambda way: ways[way])
    return float(values.max() + np.log(np.mean(np.exp(values - values.max())))) + LOG_PRIOR[CHART.cause], likeliest


def _wide(widths: Mapping[str, float], way: str | None = None) -> Floats:
    """SDs in stated sizes, (n,), where sound charts are off by so many times what is stated and one way let loose."""
    sd = np.concatenate([np.full(part.stop - part.start, widths[each]) for each, part in PARTS.items()])
    if way is not None:
        sd[PARTS[way]] = np.hypot(sd[PARTS[way]], WIDE[way])
    return sd


def fleet_width(squares: Floats, way: str) -> float:
    """By how much wider or narrower than stated the bulk of a fleet's charts is off in one way; NaN is not known.

    `squares` (n,) are each chart's mean square in stated sizes.
    """
    told = squares[np.isfinite(squares)]
    bulk = float(np.median(told)) if len(told) else 1.0
    # Bands are a mean over several shapes, whose median is near their mean.
    bulk /= 1.0 if way == "bands" or not len(told) else MEDIAN_OF_SQUARE
    return float(np.sqrt((PRIOR_TANKS + len(told) * bulk) / (PRIOR_TANKS + len(told))))


def _evidence(belief: ChartBelief, way: str, width: float, off_pct: float) -> tuple[Evidence, ...]:
    """By how much a chart is off in one way, with its doubt, and by how much the fleet's others usually are."""
    part = PARTS[way]
    size, unit = {"scale": (100.0 * SCALE_SD, "%"), "offset": (OFFSET_SD_MM, "mm"), "bands": (1.0, "times")}[way]
    off = size * float(np.sqrt(np.mean(belief.mean[part] ** 2)))
    sd = size * float(np.sqrt(np.mean(np.diagonal(belief.cov)[part])))
    what = "off by" if way != "bands" else "as uneven as a sound wall is taken to be"
    return (
        Evidence("statistic", CHART_WORDS[way]),
        Evidence("statistic", f"this chart is {what}", off, unit, note=f"± {2.0 * sd:.2g} {unit}"),
        Evidence("statistic", f"the fleet's other charts are usually {what}", size * width, unit),
        Evidence("statistic", "between two of the levels seen it is off by", off_pct, "%", note="of the capacity"),
    )


def _finding(chart: ChartSeen, day: int, log_odds: float, evidence: tuple[Evidence, ...]) -> Finding:
    return Finding(
        cause=CHART.cause,
        site_id=chart.site_id,
        unit_id=chart.unit_id,
        tank_id=chart.tank_id,
        day=day,
        start_s=chart.start_s,
        end_s=None,
        log_odds=log_odds,
        of_balance=True,
        log_prior=LOG_PRIOR[CHART.cause],
        evidence=evidence,
    )
