"""Noise that is learned: what was put in comes out, the evidence is the normal density's, and no day looks ahead."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from pipeline.estimate.design import Balance
from pipeline.estimate.learned import FIRST_DAYS, USUAL, Habit, evidence, habitual, learned_noise
from pipeline.estimate.noise import RIPPLE_H, RIPPLE_SHARE
from pipeline.estimate.regression import Prior
from pipeline.estimate.whiten import RATE_H, SLOW_H, WANDER_H, Noise

LITRES_PER_K, WALK_L, PER_L, RATE = 10.0, 0.12, 1e-4, 0.006


def usual_noise(count: int, dip_l: float) -> Noise:
    every = np.ones(count)
    return Noise(
        white_l=np.sqrt(1.0 - RIPPLE_SHARE) * dip_l * every, ripple_l=np.sqrt(RIPPLE_SHARE) * dip_l * every,
        ripple_h=RIPPLE_H * every, walk_l=WALK_L * every, walk_per_l=PER_L * every,
        rate_k_per_h=RATE * every, layer_k=0.0 * every, litres_per_k=LITRES_PER_K * every,
    )  # fmt: skip


def balance_of(y_l: np.ndarray, *, day_of: np.ndarray, columns: np.ndarray) -> Balance:
    count = len(y_l)
    zero, names = np.zeros(count), tuple(f"part{number}" for number in range(columns.shape[1]))
    return Balance(
        y_l=y_l, columns=columns, names=names, prior=Prior(np.full(len(names), 0.1), np.full(len(names), 0.5)),
        hours=0.5 * np.arange(count), known_day=day_of, jump_var_l2=zero, sold_15_l=40.0 * np.arange(count)[:, None],
        leak_h=zero[:, None], open_h=zero, vcf=zero + 1.0, temp_c=zero + 15.0, level_mm=zero, surface_l_per_mm=zero,
        stock_15_l=zero, meters=("M",),
    )  # fmt: skip


def covariance_l2(count: int, habit: Habit, dip_l: float) -> np.ndarray:
    """The model's covariance of evenly read dips, each part by its own law (see test_whiten). Derived here."""
    hours = 0.5 * np.arange(count)
    apart = np.abs(hours[:, None] - hours[None, :])
    own = (habit.dip * dip_l) ** 2
    sigma = own * ((1.0 - RIPPLE_SHARE) * np.eye(count) + RIPPLE_SHARE * np.exp(-apart / habit.ripple_h))
    sigma += WALK_L**2 * WANDER_H / 2.0 * np.exp(-apart / WANDER_H)
    rate, slow = 1.0 / RATE_H, 1.0 / SLOW_H
    lagged = (np.exp(-slow * apart) / slow - np.exp(-rate * apart) / rate) * rate / (rate**2 - slow**2)
    sigma += (LITRES_PER_K * RATE) ** 2 * lagged
    sold = 40.0 * np.arange(count)
    return sigma + PER_L * np.minimum(sold[:, None], sold[None, :])


def drawn(count: int, habit: Habit, dip_l: float, seed: int) -> np.ndarray:
    factor = np.linalg.cholesky(covariance_l2(count, habit, dip_l))
    return factor @ np.random.default_rng(seed).normal(size=count)


HABITS = [Habit(1.3, 0.8), Habit(0.75, 0.15), Habit(1.0, 0.5), Habit(1.1, 0.3)]


@pytest.mark.parametrize("habit", HABITS)
def test_evidence_is_the_normal_density_s(habit):
    """Against the density with the coefficients' prior folded into the covariance; the level's wide prior cancels."""
    count, dip_l = 80, 0.6
    columns = np.random.default_rng(8).normal(size=(count, 3)).cumsum(axis=0)
    y = drawn(count, habit, dip_l, 3)
    balance = balance_of(y, day_of=np.zeros(count, dtype=np.int64), columns=columns)
    ours = evidence(balance, [habitual(usual_noise(count, dip_l), one) for one in (USUAL, habit)])
    exact = []
    for one in (USUAL, habit):
        sigma = covariance_l2(count, one, dip_l) + 1e6 + columns @ np.diag(balance.prior.sd**2) @ columns.T
        exact.append(multivariate_normal(columns @ balance.prior.mean, sigma).logpdf(y))
    assert ours[1] - ours[0] == pytest.approx(exact[1] - exact[0], abs=0.1)


@pytest.mark.parametrize("habit", HABITS)
def test_a_tank_s_own_habit_is_learned_and_only_from_the_days_before(habit):
    count, dip_l = 48 * 40, 0.6
    day_of = np.arange(count) // 48
    balance = balance_of(drawn(count, habit, dip_l, 22), day_of=day_of, columns=np.zeros((count, 1)))
    learned = learned_noise(balance, usual_noise(count, dip_l))
    assert learned.dip_sd_l[0] == pytest.approx(dip_l) and learned.ripple_h[0] == RIPPLE_H
    assert learned.dip_sd_l[-1] == pytest.approx(habit.dip * dip_l, rel=0.12)
    assert np.log(learned.ripple_h[-1] / habit.ripple_h) == pytest.approx(0.0, abs=0.7)
    known = [habitual(usual_noise(count, dip_l), one) for one in (USUAL, habit)]
    usual, true, ours = evidence(balance, [*known, learned])
    assert ours > usual + 0.6 * (true - usual) - 6.0
    cut = int(np.searchsorted(day_of, FIRST_DAYS + 6))
    changed = replace(balance, y_l=np.where(np.arange(count) < cut, balance.y_l, 5.0 * balance.y_l))
    again = learned_noise(changed, usual_noise(count, dip_l))
    assert (again.dip_sd_l[:cut] == learned.dip_sd_l[:cut]).all() and (
        again.ripple_h[:cut] == learned.ripple_h[:cut]
    ).all()
    assert again.dip_sd_l[-1] != learned.dip_sd_l[-1]
