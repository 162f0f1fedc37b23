"""How a tank's own dips scatter and sway, at every scale from minutes to days, learned from them by their evidence.

Until a tank has shown its own it is held to sway as the worst tenth of gauges do. Now and then, each time on the dips
of the days so far, each part of its habits is weighed by the log marginal likelihood of the balance, its coefficients
and a leak of any size integrated out, and takes the mean that this and the prior give it (empirical Bayes: H. Robbins,
"An empirical Bayes approach to statistics", Proc. Third Berkeley Symposium 1 (1956) 157-163). So no day knows more than
its own dips and those before. What lasts for days is learned upward only: a quiet week says little of a season. A leak
does not pass for sway, since sway comes back and a leak is a coefficient of its own here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_belief import before_of, log_evidence, posterior_of, seen_of
from pipeline.estimate.design import Balance
from pipeline.estimate.noise import RIPPLE_H
from pipeline.estimate.regression import Prior
from pipeline.estimate.whiten import Noise, filter_of, whitened

Floats = NDArray[np.float64]

LEARNED_AFTER_DAYS = (3, 6, 12, 24, 45, 90)
MOST_DAYS = 90
"""Learned after so many days, then again after each further `MOST_DAYS`, on so many days at most: gauges are exchanged
and seasons change. No source."""
FEWEST_DIPS = 60
"""With fewer nothing is learned. No source."""
HELD = 4.0
"""Rows further out than so many SDs count less (Huber's weights)."""
EARLY_SWAY_MM, EARLY_SWAY_H = 0.28, 9.0
"""How a gauge sways that has not shown its own: as the worst tenth of them. Common practice, no source."""
SWEEPS = 2
LEAK_SD_L_PER_H = 2.0
"""Prior SD of a leak, and of a gain, while habits are learned: any that a balance is to find. No source. [l/h]"""


@dataclass(frozen=True)
class Part:
    """One part of a tank's habits: its usual value, the SD of its log over tanks, and the range that is weighed."""

    usual: float
    log_sd: float
    least: float
    most: float


PARTS = {
    "sway_mm": Part(0.06, 1.2, 0.003, 0.8),
    "sway_h": Part(5.0, 0.9, 0.8, 40.0),
    "dip": Part(1.0, 0.7, 0.4, 1.5),
    "ripple_h": Part(0.3, 1.0, RIPPLE_H, 1.4),
    "per_sold": Part(1.0, 1.2, 0.3, 30.0),
    "walk": Part(1.0, 0.7, 0.8, 5.0),
}
"""Sway of the gauge: SD [mm] and how long it lasts [h]; the factor by which a dip scatters and how long that lasts [h];
factors of what each litre sold adds, and of the wander over days. Common practice, no source: gauges wander by 0.02 to
0.5 mm over minutes to days; the others lie within a factor of two to three."""
SWAY = ("sway_mm", "sway_h")
SWAYS = ((0.003, 0.03, 0.06, 0.1, 0.16, 0.25, 0.4, 0.65), (0.9, 1.7, 3.2, 6.0, 11.0, 20.0, 36.0))
CLOSE = (0.68, 0.83, 1.0, 1.2, 1.46)
"""Values of a sway that are weighed first, and factors of where a part stands that are weighed then."""

Habit = dict[str, float]
USUAL: Habit = {name: part.usual for name, part in PARTS.items()}
EARLY: Habit = USUAL | {"sway_mm": EARLY_SWAY_MM, "sway_h": EARLY_SWAY_H, "ripple_h": RIPPLE_H}


def habitual(balance: Balance, noise: Noise, habits: Sequence[Habit], dips: slice = slice(None)) -> Noise:
    """The usual noise of some dips as a tank of each of n habits has it; arrays (n, dips)."""
    by = {name: np.array([habit[name] for habit in habits])[:, None] for name in PARTS}
    usual = {one.name: getattr(noise, one.name)[dips] for one in fields(Noise)}
    every = np.ones_like(usual["white_l"])
    surface = (balance.surface_l_per_mm * balance.vcf)[dips]
    wide = {name: values * np.ones_like(by["dip"]) for name, values in usual.items()}
    return replace(
        Noise(**wide),
        white_l=usual["white_l"] * by["dip"],
        ripple_l=usual["ripple_l"] * by["dip"],
        ripple_h=every * by["ripple_h"],
        walk_l=usual["walk_l"] * by["walk"],
        walk_per_l=usual["walk_per_l"] * by["per_sold"],
        sway_l=surface * by["sway_mm"],
        sway_h=every * by["sway_h"],
    )


def learned_noise(balance: Balance, noise: Noise) -> Noise:
    """The noise of a tank's k dips, from each time it is learned on by the habit that its dips so far have shown."""
    habit, begun, parts = EARLY, 0, []
    first, last = int(balance.known_day[0]), int(balance.known_day[-1])
    for after in _learning_days(last - first):
        until = int(np.searchsorted(balance.known_day, first + after))
        parts.append(_one(habitual(balance, noise, [habit], slice(begun, until))))
        since = int(np.searchsorted(balance.known_day, first + after - MOST_DAYS))
        if until - since >= FEWEST_DIPS:
            habit = own_habit(balance, noise, slice(since, until))
        begun = until
    parts.append(_one(habitual(balance, noise, [habit], slice(begun, None))))
    return Noise(**{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Noise)})


def _learning_days(days: int) -> list[int]:
    """After how many days habits are learned, of so many days of data."""
    later = range(LEARNED_AFTER_DAYS[-1] + MOST_DAYS, days + 1, MOST_DAYS)
    return [after for after in (*LEARNED_AFTER_DAYS, *later) if after <= days]


def _one(noise: Noise) -> Noise:
    return Noise(**{one.name: getattr(noise, one.name)[0] for one in fields(Noise)})


def own_habit(balance: Balance, noise: Noise, dips: slice) -> Habit:
    """Each part's geometric mean by what the evidence of some dips and the prior leave it, the others held.

    Sway first over the whole of its range; then each part close about where it stands, sway's size and time together.
    """
    habit = _mean(balance, noise, dips, [USUAL | dict(zip(SWAY, pair, strict=True)) for pair in product(*SWAYS)])
    for _ in range(SWEEPS):
        for names in (SWAY, *((name,) for name in PARTS if name not in SWAY)):
            near = [[_within(name, habit[name] * by) for by in CLOSE] for name in names]
            tried = [habit | dict(zip(names, values, strict=True)) for values in product(*near)]
            habit = _mean(balance, noise, dips, tried)
    return habit


def _within(name: str, value: float) -> float:
    return float(np.clip(value, PARTS[name].least, PARTS[name].most))


def _mean(balance: Balance, noise: Noise, dips: slice, habits: Sequence[Habit]) -> Habit:
    """The geometric mean of some habits, each by its weight."""
    weight = _weights(balance, noise, habits, dips)
    share = np.exp(weight - weight.max())
    share /= share.sum()
    return {name: float(np.exp(share @ np.log([habit[name] for habit in habits]))) for name in PARTS}


def _weights(balance: Balance, noise: Noise, habits: Sequence[Habit], dips: slice) -> Floats:
    """Log posterior weight of each habit, up to a constant. Shape (habits,)."""
    prior = [
        sum(-0.5 * (np.log(habit[name] / part.usual) / part.log_sd) ** 2 for name, part in PARTS.items())
        for habit in habits
    ]
    return np.asarray(evidence(balance, habitual(balance, noise, habits, dips), dips) + np.array(prior))


def evidence(balance: Balance, noises: Noise, dips: slice = slice(None)) -> Floats:
    """Log marginal likelihood of some of a balance's dips under each of n noises, arrays (n, dips). Shape (n,).

    Up to a constant, and with rows far out held back. A leak and a steady gain of any size are integrated out too.
    """
    sold_l = balance.sold_15_l[dips].sum(axis=1)
    by = filter_of(balance.hours[dips], noises, balance.jump_var_l2[dips], sold_l)
    rates = np.column_stack([-balance.leak_h[:, 0], balance.hours - balance.hours[0]])
    columns = np.column_stack([balance.y_l, balance.columns, rates])[dips]
    rows = whitened(columns, by)[:, 1:]
    wide = np.full(2, LEAK_SD_L_PER_H)
    before = before_of(Prior(np.append(balance.prior.mean, 0.0 * wide), np.append(balance.prior.sd, wide)))
    fitted = posterior_of(seen_of(rows), before).mean
    far = np.abs(rows[..., 0] - np.matvec(rows[..., 1:], fitted))
    held = rows * np.sqrt(np.minimum(1.0, HELD / np.maximum(far, 1e-9)))[..., None]
    return np.asarray(log_evidence(seen_of(held), before) - np.log(by.sd_l[:, 1:]).sum(axis=1))
