"""How uneven tanks are with nothing wrong, as the fleet's own charts show.

What is stated of a sound wall (`estimate/design.py`) holds where tanks were built and measured as usual; old ones are
dented, sunk and out of round, and each lies off its chart by several times that. The bulk of the fleet's tanks says how
far, and bands that are off count as a wrong chart only as they are beyond it. Scale and offset are weighed as stated.
(The idea is that of an empirical null: B. Efron, "Large-scale simultaneous hypothesis testing: the choice of a null
hypothesis", J. Amer. Statist. Assoc. 99 (2004) 96-104.)
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Finding
from pipeline.estimate.chart_columns import SHAPES
from pipeline.estimate.naming import CHART
from pipeline.estimate.regression import Posterior
from pipeline.estimate.unit_walk import UnitWalk

Floats = NDArray[np.float64]

COARSE: Final = SHAPES // 2
"""The shapes of a chart that are asked: the longer waves, whose usual sizes stay as stated until the chart is wrong."""
WIDTHS: Final = np.geomspace(1.0, 8.0, 13)
"""Multiples of the stated sizes at which the odds of wrong bands are worked out."""
TOLD_SHARE: Final = 0.5
"""A direction counts whose variance the data brought below so much of that before them. No source."""
FEWEST_TOLD: Final = 2
PRIOR_TANKS: Final = 5.0
"""Tanks that what is stated is worth against the fleet's. No source."""


@dataclass(frozen=True)
class ChartSeen:
    """How uneven a unit's walls showed to be, day by day.

    `uneven` (n,) is the mean square of its shapes in stated sizes as each of `days` (n,), UTC day numbers, saw it, NaN
    where too little was known; `lost`, by the day on which wrong bands were named, the log odds that they lose where
    walls usually are each of `WIDTHS` times as uneven as stated.
    """

    unit_id: str
    days: NDArray[np.int64]
    uneven: Floats
    lost: dict[int, Floats]

    def known(self, day: int) -> float:
        """What the runs up to a UTC day had seen, NaN where nothing."""
        seen = self.uneven[(self.days <= day) & np.isfinite(self.uneven)]
        return float(seen[-1]) if len(seen) else np.nan


def chart_seen(one: UnitWalk) -> ChartSeen:
    """What a unit's walk saw of its charts, the newest of them that tells."""
    names, views = one.walk.balance.names, one.walk.views
    starts = [place for place, name in enumerate(names) if name.startswith("chart") and name.endswith(":shape:0")]
    uneven = [_newest([uneven_of(*_directions(view.belief, start)) for start in starts]) for view in views]
    lost = {}
    for named in one.walk.named:
        number, way = str(named.way).split(":") if named.hypothesis.key == CHART.key else ("", "")
        before = [view for view in views if view.day < named.day]
        if way == "bands" and before:
            lost[named.day] = lost_odds(*_directions(before[-1].belief, starts[int(number)]))
    return ChartSeen(one.seen.unit.unit_id, np.array([view.day for view in views]), np.array(uneven), lost)


def _newest(told: Iterable[float]) -> float:
    return next((one for one in reversed(list(told)) if np.isfinite(one)), np.nan)


def _directions(belief: Posterior, start: int) -> tuple[Floats, Floats]:
    """Mean and variance of a chart's coarse shapes along the axes of what is believed of them, (COARSE,) each."""
    part = slice(start, start + COARSE)
    variance, axes = np.linalg.eigh(belief.cov[part, part])
    return np.asarray(axes.T @ belief.mean[part]), np.asarray(np.maximum(variance, 1e-12))


def uneven_of(mean: Floats, variance: Floats) -> float:
    """Mean square of shapes in stated sizes: of what is believed along independent axes, (n,) each; NaN if too few.

    Of a coefficient N(0, k²) before the data, N(m, v) is believed after them by a prior N(0, 1); where the data say
    much, m² is k² (1 − v) on average.
    """
    told = variance < TOLD_SHARE
    if np.count_nonzero(told) < FEWEST_TOLD:
        return np.nan
    return float((mean[told] ** 2).sum() / (1.0 - variance[told]).sum())


def lost_odds(mean: Floats, variance: Floats) -> Floats:
    """By how much better shapes as uneven as each of `WIDTHS` foretell the data than those as stated, as lost odds.

    `mean` and `variance`, (n,) each, of a belief by a prior N(0, 1): the data say h of precision λ = 1/v − 1, and their
    log likelihood under a prior N(0, k²) is ½ h² / (λ + 1/k²) − ½ log(1 + k² λ). Shape (len(WIDTHS),), none above 0.
    """
    precision, right = np.maximum(1.0 / variance - 1.0, 0.0), mean / variance
    squares = WIDTHS[:, None] ** 2
    fit = 0.5 * (right**2 / (precision + 1.0 / squares) - np.log1p(squares * precision)).sum(axis=1)
    return np.asarray(np.minimum(fit[0] - fit, 0.0))


def by_own_walls(findings: Sequence[Finding], charts: Sequence[ChartSeen]) -> list[Finding]:
    """The findings, those of wrong bands with the odds that the walls of the fleet's other tanks leave them."""
    return [_as_others_are(one, charts) if one.cause == CHART.cause else one for one in findings]


def _as_others_are(finding: Finding, charts: Sequence[ChartSeen]) -> Finding:
    lost = next((one.lost.get(finding.day) for one in charts if one.unit_id == finding.unit_id), None)
    if lost is None:
        return finding
    width = fleet_width(np.array([one.known(finding.day) for one in charts if one.unit_id != finding.unit_id]))
    return replace(finding, log_odds=finding.log_odds + float(np.interp(width, WIDTHS, lost)))


def fleet_width(uneven: Floats) -> float:
    """By how much more uneven than stated the bulk of a fleet's walls is, at least 1; NaN counts as not known."""
    told = uneven[np.isfinite(uneven)]
    if not len(told):
        return 1.0
    return max(1.0, float(np.sqrt((PRIOR_TANKS + len(told) * np.median(told)) / (PRIOR_TANKS + len(told)))))
