"""How a tank's own dips scatter, and for how long, learned from them by their evidence.

What the trade knows of gauges is where it begins. Now and then, each time on the dips of the days so far, every habit
of a grid is weighed by the log marginal likelihood of the balance, its coefficients integrated out, and the likeliest
is used for the dips that come (empirical Bayes: H. Robbins, "An empirical Bayes approach to statistics", Proc. Third
Berkeley Symposium 1 (1956) 157-163). So no day knows more than its own dips and those before. How far a tank strays
over days is not learned: a quiet week says little of a season, and a leak would pass for a wander.
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
from pipeline.estimate.whiten import Noise, filter_of, whitened

Floats = NDArray[np.float64]

FIRST_DAYS = 10
TIMES_AS_LONG = 3
"""Learned after so many days, and again each time there is so many times as much."""
MOST_DAYS = 90
"""Days that are looked back on. Gauges are exchanged and seasons change."""
FEWEST_DIPS = 100
"""With fewer nothing is learned. No source."""
HELD = 4.0
"""Rows further out than so many SDs count less (Huber's weights)."""
DOUBLE = float(np.log(2.0))
"""Prior SD of the log of the factor by which a tank's dips scatter: twofold. No source."""


@dataclass(frozen=True)
class Habit:
    """How a tank's dips differ from the usual: `dip` a factor of their SD, `ripple_h` for how long it lasts [h]."""

    dip: float = 1.0
    ripple_h: float = RIPPLE_H

    def log_prior(self) -> float:
        """Log prior density up to a constant; the ripple's time has a flat one."""
        return -0.5 * float(np.log(self.dip) / DOUBLE) ** 2


USUAL = Habit()
DIPS = (0.7, 0.8, 0.9, 1.0, 1.1, 1.22, 1.36)
RIPPLES_H = (RIPPLE_H, 0.3, 0.5, 0.8, 1.3)
HABITS = tuple(Habit(dip, ripple_h) for dip, ripple_h in product(DIPS, RIPPLES_H))


def habitual(noise: Noise, habit: Habit) -> Noise:
    """The usual noise of some dips as a tank of such a habit has it."""
    return replace(
        noise,
        white_l=noise.white_l * habit.dip,
        ripple_l=noise.ripple_l * habit.dip,
        ripple_h=np.full_like(noise.white_l, habit.ripple_h),
    )


def learned_noise(balance: Balance, noise: Noise) -> Noise:
    """The noise of a tank's k dips, from each time it is learned by the habit that its dips so far make likeliest."""
    habit, begun = USUAL, 0
    parts = []
    first, last = int(balance.known_day[0]), int(balance.known_day[-1])
    after = FIRST_DAYS
    while first + after <= last:
        until = int(np.searchsorted(balance.known_day, first + after))
        parts.append(habitual(_part(noise, slice(begun, until)), habit))
        since = int(np.searchsorted(balance.known_day, first + after - MOST_DAYS))
        if until - since >= FEWEST_DIPS:
            habit = own_habit(balance, noise, slice(since, until))
        begun, after = until, after * TIMES_AS_LONG
    parts.append(habitual(_part(noise, slice(begun, None)), habit))
    return Noise(**{one.name: np.concatenate([getattr(part, one.name) for part in parts]) for one in fields(Noise)})


def own_habit(balance: Balance, noise: Noise, dips: slice) -> Habit:
    """The geometric mean of the habits, each by the probability that some dips leave it."""
    weight = evidence(balance, [habitual(_part(noise, dips), habit) for habit in HABITS], dips)
    weight += [habit.log_prior() for habit in HABITS]
    share = np.exp(weight - weight.max())
    logs = np.log([[habit.dip, habit.ripple_h] for habit in HABITS])
    return Habit(*np.exp(share @ logs / share.sum()).tolist())


def evidence(balance: Balance, noises: Sequence[Noise], dips: slice = slice(None)) -> Floats:
    """Log marginal likelihood of some of a balance's dips under each noise of theirs. Shape (noises,).

    Up to a constant, and with rows far out held back.
    """
    many = Noise(**{one.name: np.stack([getattr(noise, one.name) for noise in noises]) for one in fields(Noise)})
    sold_l = balance.sold_15_l[dips].sum(axis=1)
    by = filter_of(balance.hours[dips], many, balance.jump_var_l2[dips], sold_l)
    rows = whitened(np.column_stack([balance.y_l, balance.columns])[dips], by)[:, 1:]
    before = before_of(balance.prior)
    fitted = posterior_of(seen_of(rows), before).mean
    far = np.abs(rows[..., 0] - np.matvec(rows[..., 1:], fitted))
    held = rows * np.sqrt(np.minimum(1.0, HELD / np.maximum(far, 1e-9)))[..., None]
    return np.asarray(log_evidence(seen_of(held), before) - np.log(by.sd_l[:, 1:]).sum(axis=1))


def _part(noise: Noise, dips: slice) -> Noise:
    return Noise(**{one.name: getattr(noise, one.name)[dips] for one in fields(Noise)})
