"""What a fleet's tanks tell each other: carriers' biases, and how far and how often meters, probes and charts stray.

Empirical Bayes: the spreads and odds of `chart_fit` are no more than common practice; the fleet's own come from how
well they foretold its data, held near common practice where the fleet is small. What tanks share is added up; each
tank's own word is taken out of what it is told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_belief import Before, Seen, before_of, log_evidence, without_the_rest
from pipeline.estimate.chart_data import CARRIER_SD, METER_SD, METERS, METERS_SD, ChartData
from pipeline.estimate.chart_fit import CHART, GROUPS, Fit, Told, before_data, odds_of, ways_of
from pipeline.estimate.chart_shape import TankModel
from pipeline.estimate.regression import Prior
from pipeline.estimate.terms import TICKETS_MEAN

Floats = NDArray[np.float64]

CARRIERS_SD = 0.0003
"""Prior SD of the carriers' mean bias about the trade's. No source."""
FACTORS = np.geomspace(0.4, 2.5, 15)
FACTOR_SD = 0.4
"""The fleet's own spreads that are tried, as shares of the usual ones; SD of their logarithm before the data."""
ODDS_TANKS = 1.0
"""The usual odds count like so many tanks: the unit information of Kass and Wasserman (1995), JASA 90, 928."""
KINDS = {"pose": ("tilt", "offset"), "walls": ("remainder",), "scale": ("scale",)}
_ROUNDS = 3
_ODDS_STEPS = 30


@dataclass(frozen=True)
class Heard:
    """One tank's data as the fleet hears them.

    `ways` the rows' sums over the chart's coefficients, all else integrated out, one for each of `keys`, with their
    usual `odds` (ways,) and the usual `means` and `sds` of these coefficients (ways, c); `rows` the sums over
    everything of the likeliest way, with its belief `before` the data, and `names` what follows the coefficients there.
    """

    keys: tuple[str, ...]
    ways: Seen
    odds: Floats
    means: Floats
    sds: Floats
    names: tuple[str, ...]
    rows: Seen
    before: Before


def heard_of(data: ChartData, model: TankModel, fits: list[Fit]) -> Heard:
    """What a tank's fits come to for the fleet."""
    usual = dict(ways_of(model, Told()))
    odds = odds_of(model, Told())
    before = [before_data(data, usual[fit.key], Told()) for fit in fits]
    places = list(range(len(CHART)))
    ways = [without_the_rest(fit.seen, one, places) for fit, one in zip(fits, before, strict=True)]
    return Heard(
        keys=tuple(fit.key for fit in fits),
        ways=Seen(
            np.array([one.gram for one in ways]),
            np.array([one.score for one in ways]),
            np.array([one.square for one in ways]),
        ),
        odds=np.array([odds[fit.key] for fit in fits]),
        means=np.array([usual[fit.key].mean for fit in fits]),
        sds=np.array([usual[fit.key].sd for fit in fits]),
        names=data.names,
        rows=fits[0].seen,
        before=before[0],
    )


def told_by_fleet(tanks: Mapping[str, Heard]) -> dict[str, Told]:
    """What each tank is told by its fleet. Exact in what is shared where tanks share nothing else."""
    heard = list(tanks.values())
    factors, odds = _usual_of(heard)
    spread = {kind: factors[name] for name, kinds in KINDS.items() for kind in kinds}
    meter_sd = _meter_sd(heard)
    shared, words = _shared(heard, meter_sd)
    precision = sum((word.gram for word in words), start=shared.precision)
    shift = sum((word.score for word in words), start=shared.precision @ shared.mean)
    names = _shared_names(heard)
    told = {}
    for tank_id, own, word in zip(tanks, heard, words, strict=True):
        mine = [place for place, name in enumerate(names) if name in own.names]
        cov = np.asarray(np.linalg.inv(precision - word.gram))
        told[tank_id] = Told(
            names=tuple(names[place] for place in mine),
            mean=(cov @ (shift - word.score))[mine],
            cov=cov[np.ix_(mine, mine)],
            meter_sd=meter_sd,
            spread=spread,
            odds=odds,
        )
    return told


def _shared_names(heard: list[Heard]) -> list[str]:
    return [METERS, *sorted({name for one in heard for name in one.names if name.startswith("carrier:")})]


def _shared(heard: list[Heard], meter_sd: float) -> tuple[Before, list[Seen]]:
    """The belief about what tanks share, and what each tank says of it, over `_shared_names`."""
    names = _shared_names(heard)
    count = len(names)
    cov = np.full((count, count), CARRIERS_SD**2) + np.eye(count) * CARRIER_SD**2
    cov[0], cov[:, 0] = 0.0, 0.0
    cov[0, 0] = METERS_SD**2
    words = []
    for one in heard:
        mine = [place for place, name in enumerate(names) if name in one.names]
        places = [len(CHART) + one.names.index(names[place]) for place in mine]
        said = without_the_rest(one.rows, _with_meter_sd(one, meter_sd), places)
        gram, score = np.zeros((count, count)), np.zeros(count)
        gram[np.ix_(mine, mine)] = said.gram
        score[mine] = said.score
        words.append(Seen(gram, score, said.square))
    mean = np.array([0.0] + [TICKETS_MEAN] * (count - 1))
    return Before(mean, np.asarray(np.linalg.inv(cov))), words


def _with_meter_sd(one: Heard, meter_sd: float) -> Before:
    """The tank's belief with another spread of its meters."""
    own = np.array([False] * len(CHART) + [name.startswith("meter:") for name in one.names])
    return before_of(Prior(one.before.mean, np.where(own, meter_sd, one.before.sd)))


def _meter_sd(heard: list[Heard]) -> float:
    """How far a meter of this fleet strays, by how well it foretold the data."""

    def score(factor: float) -> float:
        return sum(float(log_evidence(one.rows, _with_meter_sd(one, factor * METER_SD))) for one in heard)

    return METER_SD * _best(score)


def _best(score: Callable[[float], float]) -> float:
    """The factor whose square is the mean of what the scores leave open: a fleet that tells little keeps it wide."""
    log = np.array([score(float(factor)) for factor in FACTORS]) - 0.5 * (np.log(FACTORS) / FACTOR_SD) ** 2
    weight = np.exp(log - log.max())
    return float(np.sqrt(weight @ FACTORS**2 / weight.sum()))


def _usual_of(heard: list[Heard]) -> tuple[dict[str, float], dict[str, float]]:
    """The fleet's own spreads of the chart's coefficients and odds of each group, as multiples of the usual ones."""
    factors, odds = dict.fromkeys(KINDS, 1.0), dict.fromkeys(GROUPS.values(), 1.0)
    for _ in range(_ROUNDS):
        odds = _odds_of(heard, [_by_way(one, factors) for one in heard])
        for kind in KINDS:
            factors[kind] = _best(partial(_foretold, heard, factors, odds, kind))
    return factors, odds


def _groups(one: Heard) -> list[str]:
    """Each way's group, `sound` by itself."""
    return [GROUPS.get(key.split(":")[0], "sound") for key in one.keys]


def _by_way(one: Heard, factors: Mapping[str, float]) -> Floats:
    """Log evidence of each of a tank's ways under the fleet's spreads. Shape (ways,)."""
    kinds = [name.split(":")[0] for name in CHART]
    by_kind = {kind: factors[name] for name, mine in KINDS.items() for kind in mine}
    factor = np.array([by_kind.get(kind, 1.0) for kind in kinds])
    sound = one.sds[one.keys.index("sound")]
    sd = np.sqrt(np.maximum(one.sds**2 - sound**2, 0.0) + (factor * sound) ** 2)
    precision = np.zeros((*sd.shape, sd.shape[1]))
    diagonal = np.arange(sd.shape[1])
    precision[:, diagonal, diagonal] = 1.0 / sd**2
    return log_evidence(one.ways, Before(one.means, precision))


def _foretold(
    heard: list[Heard], factors: Mapping[str, float], odds: Mapping[str, float], kind: str, factor: float
) -> float:
    """Log of how well the fleet's data were foretold with another factor of one kind."""
    total = 0.0
    for one in heard:
        share = one.odds * np.array([odds.get(group, 1.0) for group in _groups(one)])
        log = _by_way(one, {**factors, kind: factor}) + np.log(share / share.sum())
        total += float(np.logaddexp.reduce(log))
    return total


def _odds_of(heard: list[Heard], by_way: list[Floats]) -> dict[str, float]:
    """Odds of each group as multiples of the usual ones, by expectation and maximisation."""
    names = list(dict.fromkeys(GROUPS.values()))
    member = [np.array([[group == name for name in names] for group in _groups(one)], dtype=float) for one in heard]
    usual = [one.odds @ ours for one, ours in zip(heard, member, strict=True)]
    held = ODDS_TANKS * np.mean([one / (1.0 + one.sum()) for one in usual], axis=0)
    odds = np.ones(len(names))
    for _ in range(_ODDS_STEPS):
        count, asked = held.copy(), held.copy()
        for one, ours, shares, log in zip(heard, member, usual, by_way, strict=True):
            weight = np.exp(log - log.max()) * one.odds * np.where(ours.any(axis=1), ours @ odds, 1.0)
            count += (weight / weight.sum()) @ ours
            asked += shares / (1.0 + shares @ odds)
        odds = np.divide(count, asked, out=np.ones(len(names)), where=asked > 0.0)
    return dict(zip(names, odds.tolist(), strict=True))
