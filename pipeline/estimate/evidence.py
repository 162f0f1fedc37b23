"""How much each hypothesis explains: Bayes factors from running sums of whitened rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.contract.causes import RECORDS
from pipeline.estimate.chart_columns import CHART_COLUMNS, SHAPES
from pipeline.estimate.hypotheses import Candidates, Hypothesis
from pipeline.estimate.regression import Extra, Posterior, Prior, solved
from pipeline.estimate.sums import Sums

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LOG_PRIOR = {cause.name: cause.balance_log_prior for cause in RECORDS if cause.balance_log_prior is not None} | {
    "excursion": -3.0,
    "delivery": -4.5,
}
"""Log odds of each cause on a unit before its data, each meter and each hour counted apart. No source: about one tank
in a hundred leaks or has a wrong chart. With the odds from which a cause is named they keep the false-alarm budget in
simulated fleets without a fault."""
UNTOLD_SD = 1e4
"""SD of a coefficient from which on the rows say nothing of it: of a meter that has not sold yet. Such a hypothesis is
not weighed, or a day would know of a meter that only a later day shows."""
MIRRORED = ("tank_leak", "line_leak", "slow_theft")
"""Causes that know one sign alone and whose mirror has no cause, or hardly ever: a tank that leaks inwards, litres that
come while hoses are open, or about one hour of the day."""
HOURLY_SHARE = 0.5
"""What of the SD that a gauge sways by it may sway by at one hour of each day, SD. No source: half of it."""
CHART_WIDE = {"scale": 0.02, "offset": 60.0, "bands": 8.0}
"""Ways for a chart to be wrong, with the spread of each: a share of volume, millimetres, usual sizes of each shape."""
ROUGH = "rough"
ROUGH_WIDE = 8.0
ROUGH_LOG_PRIOR, ROUGH_AT = -1.0, 1.0
"""A sound wall that is uneven over shorter stretches than most: its finer half of shapes, in their usual sizes; the log
odds of it before any data, and those from which it is so. One wall in four; common practice, no source."""


@dataclass(frozen=True)
class Weighed:
    """A hypothesis against none.

    `log_bayes` averaged over its onsets (of an excursion, that of the best day), and the best onset's number among the
    candidates, its dip, estimate and SD; `best_onset` the log Bayes factor of that onset less the log of how many there
    are. `wander` is what of the evidence the coefficient's usual wander accounts for: it speaks against naming
    anything, and not for another hypothesis.
    """

    hypothesis: Hypothesis
    log_bayes: float
    number: int
    onset: int
    estimate: float
    sd: float
    best_onset: float
    wander: float = 0.0

    @property
    def log_odds(self) -> float:
        """Log posterior odds, with the cause's prior odds."""
        return self.log_bayes + LOG_PRIOR[self.hypothesis.cause]


def weigh(
    sums: Sums,
    belief: Posterior,
    *,
    recent: int,
    held: Mapping[str, float],
    sway_l: Floats,
    mirrored: bool = False,
) -> list[Weighed]:
    """Every hypothesis weighed, with the onsets within `ONSET_DAYS`.

    A delivery is weighed only while the dip after it is `recent` or later. `held` is what the hypotheses already named
    come to: of those that know one sign alone, a change may take back what is held and no more. A gauge that sways by
    `sway_l` (k,), SD, may do so alike each day: what is drawn at one hour is weighed against what was known of it when
    that set in, since draws themselves look like sway.
    `mirrored`: those of `MIRRORED` alone, by the sign that they cannot have.
    """
    candidates, live, every = sums.candidates, sums.live, sums.extra(belief)
    # By hypothesis, and within each as they set in: then each has its own stretch.
    seen = candidates.by_kind[(candidates.by_kind >= live[0]) & (candidates.by_kind <= live[-1])]
    if mirrored:
        is_mirrored = np.array([one.cause in MIRRORED for one in candidates.hypotheses])
        seen = seen[is_mirrored[candidates.which[seen]]]
    else:
        seen = seen[~candidates.is_delivery[seen] | (candidates.onset[seen] >= recent)]
    extra = Extra(every.estimate[seen - live[0]], every.sd[seen - live[0]])
    which = candidates.which[seen]
    starts = np.flatnonzero(np.diff(which, prepend=-1))
    kinds, counts = which[starts].tolist(), np.diff(np.append(starts, len(which)))
    already = np.zeros(len(seen))
    if held:
        already = np.repeat([held.get(candidates.hypotheses[kind].key, 0.0) for kind in kinds], counts)
    hourly_l = np.where(candidates.is_by_the_hour[seen], HOURLY_SHARE * sway_l[candidates.onset[seen]], 0.0)
    usual = np.hypot(candidates.usual[seen], hourly_l)
    value = _judged(candidates, seen, extra, (already, usual), mirrored=mirrored)
    return _bests(candidates, seen, (extra, value), (starts, counts))


def _bests(candidates: Candidates, seen: Ints, of: tuple[Extra, Floats], parts: tuple[Ints, Ints]) -> list[Weighed]:
    """What each hypothesis comes to that the rows tell anything of.

    `seen` (n,) are candidates by hypothesis, `of` their estimates and log Bayes factors; `parts` where the stretch of
    each hypothesis begins in them, and how many it has.
    """
    (extra, value), (starts, counts) = of, parts
    top = np.maximum.reduceat(value, starts)
    tops = np.flatnonzero(value == np.repeat(top, counts))
    best = tops[np.searchsorted(tops, starts)]
    each = np.log(np.add.reduceat(np.exp(value - np.repeat(top, counts)), starts) / counts)
    of_best = Extra(extra.estimate[best], extra.sd[best])
    plain = of_best.log_bayes(candidates.spread[seen[best]], np.zeros(len(best)))
    columns = (
        candidates.which[seen[best]],
        top,
        each,
        seen[best],
        candidates.onset[seen[best]],
        of_best.estimate,
        of_best.sd,
        top - np.log(counts),
        np.where(top > -5.0, plain - top, 0.0),
        np.minimum.reduceat(extra.sd, starts) <= UNTOLD_SD,
    )
    found = []
    for kind, highest, mean, *rest, is_told in zip(*(column.tolist() for column in columns), strict=True):
        hypothesis = candidates.hypotheses[kind]
        if is_told:
            found.append(Weighed(hypothesis, highest + (0.0 if hypothesis.cause == "excursion" else mean), *rest))
    return found


def _judged(
    candidates: Candidates, seen: Ints, extra: Extra, known: tuple[Floats, Floats], *, mirrored: bool
) -> Floats:
    """Log Bayes factor of each candidate in `seen`, next to nothing where its size cannot be. Shape (n,).

    `known` (n,) each: what is held of its hypothesis already, and how far it wanders with nothing wrong.
    """
    already, usual = known
    value = extra.log_bayes(candidates.spread[seen], usual)
    least = np.where(already > 0, -already - 2.0 * extra.sd, 0.0)
    estimate = -extra.estimate if mirrored else extra.estimate
    is_too_low = candidates.is_one_sided[seen] & (estimate < least)
    return np.where(is_too_low | (np.abs(extra.estimate) > candidates.largest[seen]), -5.0, value)


def widened(prior: Prior, chart_start: int, way: str) -> Prior:
    """The prior with one way for the chart to be wrong let loose; `chart_start` is the place of that chart's scale."""
    place = {
        "scale": slice(0, 1),
        "offset": slice(1, 2),
        "bands": slice(2, CHART_COLUMNS),
        ROUGH: slice(2 + SHAPES // 2, CHART_COLUMNS),
    }[way]
    sd = prior.sd.copy()
    part = sd[chart_start : chart_start + CHART_COLUMNS]
    part[place] = np.hypot(part[place], CHART_WIDE.get(way, ROUGH_WIDE))
    return Prior(prior.mean, sd)


def log_evidence(gram: Floats, score: Floats, prior: Prior) -> float:
    """Log marginal likelihood of the rows under the prior, up to a constant that does not depend on it."""
    scaled = gram * prior.sd[:, None] * prior.sd[None, :] + np.eye(len(prior.sd))
    right = prior.sd * score + prior.mean / prior.sd
    solution, logdet = solved(scaled, right)
    fit = float(right @ solution) - float(((prior.mean / prior.sd) ** 2).sum())
    return 0.5 * (fit - logdet)


def is_rough(sums: Sums, prior: Prior, chart_start: int) -> bool:
    """Whether the wall behind a chart is uneven over short stretches, which makes no chart wrong."""
    rough = log_evidence(sums.gram, sums.score, widened(prior, chart_start, ROUGH))
    return rough - log_evidence(sums.gram, sums.score, prior) + ROUGH_LOG_PRIOR > ROUGH_AT


def weigh_chart(sums: Sums, prior: Prior, chart_starts: list[int]) -> tuple[float, str, int]:
    """A chart that is off by more than charts are, against one that is not.

    Returns the log Bayes factor, mean over the ways to be off and over the charts that were in force (`chart_starts`,
    the place of each one's scale), then the likeliest way and the likeliest chart's number.
    """
    gram, score = sums.gram, sums.score
    plain = log_evidence(gram, score, prior)
    ways = {
        (way, number): log_evidence(gram, score, widened(prior, start, way)) - plain
        for number, start in enumerate(chart_starts)
        for way in CHART_WIDE
    }
    values = np.array(list(ways.values()))
    top = float(values.max())
    way, number = max(ways, key=lambda key: ways[key])
    return top + float(np.log(np.mean(np.exp(values - top)))), way, number
