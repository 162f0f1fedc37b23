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
from functools import partial
from itertools import product

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_belief import before_of, log_evidence, posterior_of, seen_of
from pipeline.estimate.design import Balance
from pipeline.estimate.kept import Shelf, key_of
from pipeline.estimate.noise import RIPPLE_H
from pipeline.estimate.regression import Prior
from pipeline.estimate.whiten import Noise, filter_of, whitened

Floats = NDArray[np.float64]

LEARNED_AFTER_DAYS = (2, 4, 8, 16, 32, 64)
MOST_DAYS = 45
"""Learned after so many days, then again after each further `MOST_DAYS`, on so many days at most: gauges are exchanged
and seasons change. No source."""
FEWEST_DIPS = 60
"""With fewer nothing is learned. No source."""
HELD = 4.0
"""Rows further out than so many SDs count less (Huber's weights)."""
LEAK_SD_L_PER_H = 2.0
"""Prior SD of a leak, and of a gain, while habits are learned: any that a balance is to find. No source. [l/h]"""
STEP, LONGEST_STEP = 0.35, 0.8
"""How far apart the logs of the values are that a parabola is laid through, and how far it may lead. No source."""
MOST_DOUBT = 0.6
"""Log SD of a size beyond which its doubt makes it no larger. No source: the worst tenth of gauges then still lie
within what a usual one with that much doubt is held to do."""


@dataclass(frozen=True)
class Part:
    """One part of a tank's habits: its usual value, the SD of its log over tanks, and the range that is weighed."""

    usual: float
    log_sd: float
    least: float
    most: float

    def within(self, value: float) -> float:
        """The value, no further than the range goes."""
        return float(np.clip(value, self.least, self.most))


PARTS = {
    "sway_mm": Part(0.06, 1.2, 0.003, 0.8),
    "sway_h": Part(5.0, 0.9, 0.8, 80.0),
    "dip": Part(1.0, 0.7, 0.4, 1.5),
    "ripple_h": Part(0.3, 1.0, RIPPLE_H, 1.4),
    "per_sold": Part(1.0, 1.2, 0.3, 30.0),
    "walk": Part(1.0, 0.7, 0.8, 5.0),
    "rate": Part(1.0, 0.5, 0.7, 4.0),
}
"""Sway of the gauge: SD [mm] and how long it lasts [h]; the factor by which a dip scatters and how long that lasts [h];
factors of what each litre sold adds, of the wander over days and of how fast the thermometer goes astray. Common
practice, no source: gauges wander by 0.02 to 0.5 mm over minutes to days; the others lie within a factor of two to
three."""
SIZES = ("sway_mm", "per_sold", "walk", "rate")
"""Parts that doubt makes larger."""
SWAY = ("sway_mm", "sway_h")
SWAYS = ((0.003, 0.03, 0.06, 0.1, 0.17, 0.3), (1.2, 3.0, 7.0, 16.0, 40.0))
"""Sways that are weighed at first: the size that one of the usual time would have that goes as far in an hour, and the
time. That size and not its own is what dips show first."""

Habit = dict[str, float]
USUAL: Habit = {name: part.usual for name, part in PARTS.items()}
EARLY: Habit = USUAL | {"sway_mm": 0.28, "sway_h": 9.0, "ripple_h": RIPPLE_H}
"""How a tank is that has not shown its own: its gauge sways as the worst tenth of them. Common practice, no source."""


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
        rate_k_per_h=usual["rate_k_per_h"] * by["rate"],
        sway_l=np.hypot(usual["sway_l"], surface * by["sway_mm"]),
        sway_h=every * by["sway_h"],
    )


def learned_noise(balance: Balance, noise: Noise, habits: Shelf[Shown] | None = None) -> Noise:
    """The noise of a tank's k dips, from each time it is learned on by the habit that its dips so far have shown.

    What dips have shown before is found among the `habits` that were kept.
    """
    habits = Shelf() if habits is None else habits
    habit, shown, begun, parts = EARLY, None, 0, []
    first, last = int(balance.known_day[0]), int(balance.known_day[-1])
    for after in _learning_days(last - first):
        until = int(np.searchsorted(balance.known_day, first + after))
        parts.append(_one(habitual(balance, noise, [habit], slice(begun, until))))
        since = int(np.searchsorted(balance.known_day, first + after - MOST_DAYS))
        if until - since >= FEWEST_DIPS:
            dips = slice(since, until)
            key = _key(balance, noise, dips, shown)
            shown = habits.of(key, partial(own_habit, balance, noise, dips, shown))
            habit = shown.careful()
        begun = until
    parts.append(_one(habitual(balance, noise, [habit], slice(begun, None))))
    return Noise(**{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Noise)})


def _key(balance: Balance, noise: Noise, dips: slice, before: Shown | None) -> str:
    """The key of what some dips show of a tank's habit: of all that `own_habit` reads."""
    every = (
        balance.surface_l_per_mm, balance.vcf, balance.hours, balance.jump_var_l2, balance.sold_15_l, balance.leak_h,
        balance.y_l, balance.columns, *(getattr(noise, one.name) for one in fields(Noise)),
    )  # fmt: skip
    return key_of(balance.hours[0], balance.prior, before, *(rows[dips] for rows in every))


def _learning_days(days: int) -> list[int]:
    """After how many days habits are learned, of so many days of data."""
    later = range(LEARNED_AFTER_DAYS[-1] + MOST_DAYS, days + 1, MOST_DAYS)
    return [after for after in (*LEARNED_AFTER_DAYS, *later) if after <= days]


def _one(noise: Noise) -> Noise:
    return Noise(**{one.name: getattr(noise, one.name)[0] for one in fields(Noise)})


@dataclass(frozen=True)
class Shown:
    """What some dips show of a tank's habit: the likeliest value of each part, and the SD of its log."""

    likeliest: Habit
    log_sd: Habit

    def careful(self) -> Habit:
        """The habit whose variances are the means of what they may be: sizes grow with their doubt.

        The mean square of a size whose log is normal with SD s is e^(2s²) times its median's. A sway's size is told for
        its time, and goes with the root of that.
        """
        doubt = self.log_sd | {"sway_mm": float(np.hypot(self.log_sd["sway_mm"], 0.5 * self.log_sd["sway_h"]))}
        more = {name: np.exp(min(doubt[name], MOST_DOUBT) ** 2) for name in SIZES}
        return self.likeliest | {name: PARTS[name].within(self.likeliest[name] * by) for name, by in more.items()}


def own_habit(balance: Balance, noise: Noise, dips: slice, before: Shown | None = None) -> Shown:
    """The habit that the evidence of some dips and the prior make likeliest, from what was shown `before` on.

    At first sway's size and time are weighed together over the whole of their range. Then each part is led to the top
    of the parabola through three values, the others held, twice at first.
    """
    if before is None:
        tried = [_with(USUAL | {"sway_mm": size_mm}, "sway_h", lasts_h) for size_mm, lasts_h in product(*SWAYS)]
        weight = _weights(balance, noise, tried, dips)
        share = np.exp(weight - weight.max())
        middle = np.exp(share @ np.log([[habit[name] for name in SWAY] for habit in tried]) / share.sum())
        habit = USUAL | dict(zip(SWAY, middle.tolist(), strict=True))
    else:
        habit = before.likeliest
    log_sd: Habit = {}
    for _ in range(1 if before else 2):
        for name in PARTS:
            habit, log_sd[name] = _led(balance, noise, dips, habit, name)
    return Shown(habit, log_sd)


def _led(balance: Balance, noise: Noise, dips: slice, habit: Habit, name: str) -> tuple[Habit, float]:
    """The habit with one part led to the top of the parabola through three values, and the SD of that part's log.

    Where the parabola leads astray the likeliest of the three is taken.
    """
    part = PARTS[name]
    at = np.log(part.within(habit[name]))
    tried = [_with(habit, name, float(np.exp(at + step))) for step in (-STEP, 0.0, STEP)]
    low, here, high = weight = _weights(balance, noise, tried, dips)
    curve = max((2.0 * here - low - high) / STEP**2, part.log_sd**-2)
    step = float(np.clip(0.5 * (high - low) / STEP / curve, -LONGEST_STEP, LONGEST_STEP))
    led = _with(habit, name, part.within(float(np.exp(at + step))))
    if _weights(balance, noise, [led], dips)[0] < weight.max():
        led = _with(habit, name, part.within(tried[int(np.argmax(weight))][name]))
    return led, float(curve**-0.5)


def _with(habit: Habit, name: str, value: float) -> Habit:
    """The habit with another value of a part; sway of another time goes as far in an hour as before."""
    changed = habit | {name: value}
    if name == "sway_h":
        changed["sway_mm"] = PARTS["sway_mm"].within(habit["sway_mm"] * (value / habit["sway_h"]) ** 0.5)
    return changed


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
    rates = (-balance.leak_h[dips, 0], balance.hours[dips] - balance.hours[0])
    columns = np.column_stack([balance.y_l[dips], balance.columns[dips], *rates])
    rows = whitened(columns, by)[:, 1:]
    wide = np.full(2, LEAK_SD_L_PER_H)
    before = before_of(Prior(np.append(balance.prior.mean, 0.0 * wide), np.append(balance.prior.sd, wide)))
    fitted = posterior_of(seen_of(rows), before).mean
    far = np.abs(rows[..., 0] - np.matvec(rows[..., 1:], fitted))
    held = rows * np.sqrt(np.minimum(1.0, HELD / np.maximum(far, 1e-9)))[..., None]
    return np.asarray(log_evidence(seen_of(held), before) - np.log(by.sd_l[:, 1:]).sum(axis=1))
