"""Noise that is learned: what was put in comes out, the evidence is the normal density's, and no day looks ahead."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from pipeline.estimate.design import Balance
from pipeline.estimate.learned import (
    EARLY,
    LEAK_SD_L_PER_H,
    LEARNED_AFTER_DAYS,
    USUAL,
    Habit,
    Shown,
    evidence,
    habitual,
    learned_noise,
    own_habit,
)
from pipeline.estimate.noise import RIPPLE_H, RIPPLE_SHARE
from pipeline.estimate.regression import Prior
from pipeline.estimate.whiten import RATE_H, SLOW_H, WANDER_H, Noise

LITRES_PER_K, WALK_L, PER_L, RATE = 10.0, 0.12, 1e-4, 0.006
SURFACE_L_PER_MM = 12.0


def usual_noise(count: int, dip_l: float) -> Noise:
    every = np.ones(count)
    return Noise(
        white_l=np.sqrt(1.0 - RIPPLE_SHARE) * dip_l * every, ripple_l=np.sqrt(RIPPLE_SHARE) * dip_l * every,
        ripple_h=RIPPLE_H * every, walk_l=WALK_L * every, walk_per_l=PER_L * every,
        rate_k_per_h=RATE * every, layer_k=0.0 * every, layer_h=every,
        litres_per_k=LITRES_PER_K * every, sway_l=0.0 * every, sway_h=every,
    )  # fmt: skip


def balance_of(y_l: np.ndarray, *, day_of: np.ndarray, columns: np.ndarray) -> Balance:
    count = len(y_l)
    zero, names = np.zeros(count), tuple(f"part{number}" for number in range(columns.shape[1]))
    return Balance(
        y_l=y_l, columns=columns, names=names, prior=Prior(np.full(len(names), 0.1), np.full(len(names), 0.5)),
        hours=0.5 * np.arange(count), known_day=day_of, jump_var_l2=zero, sold_15_l=40.0 * np.arange(count)[:, None],
        leak_h=zero[:, None], open_h=zero, vcf=zero + 1.0, temp_c=zero + 15.0, coarse_c=zero, level_mm=zero,
        surface_l_per_mm=zero + SURFACE_L_PER_MM,
        stock_15_l=zero, meters=("M",),
    )  # fmt: skip


def covariance_l2(count: int, habit: Habit, dip_l: float) -> np.ndarray:
    """The model's covariance of evenly read dips, each part by its own law (see test_whiten). Derived here."""
    hours = 0.5 * np.arange(count)
    apart = np.abs(hours[:, None] - hours[None, :])
    own = (habit["dip"] * dip_l) ** 2
    sigma = own * ((1.0 - RIPPLE_SHARE) * np.eye(count) + RIPPLE_SHARE * np.exp(-apart / habit["ripple_h"]))
    sigma += (SURFACE_L_PER_MM * habit["sway_mm"]) ** 2 * np.exp(-apart / habit["sway_h"])
    sigma += (habit["walk"] * WALK_L) ** 2 * WANDER_H / 2.0 * np.exp(-apart / WANDER_H)
    rate, slow = 1.0 / RATE_H, 1.0 / SLOW_H
    lagged = (np.exp(-slow * apart) / slow - np.exp(-rate * apart) / rate) * rate / (rate**2 - slow**2)
    sigma += (LITRES_PER_K * RATE) ** 2 * lagged
    sold = 40.0 * np.arange(count)
    return sigma + habit["per_sold"] * PER_L * np.minimum(sold[:, None], sold[None, :])


def drawn(count: int, habit: Habit, dip_l: float, seed: int) -> np.ndarray:
    factor = np.linalg.cholesky(covariance_l2(count, habit, dip_l))
    return factor @ np.random.default_rng(seed).normal(size=count)


QUIET = USUAL | {"sway_mm": 0.01}
SWAYING = USUAL | {"sway_mm": 0.22, "sway_h": 7.0}
SLOWLY = USUAL | {"sway_mm": 0.3, "sway_h": 16.0, "dip": 0.7}
HABITS = [QUIET, SWAYING, SLOWLY, USUAL | {"dip": 1.3, "ripple_h": 0.8, "per_sold": 8.0}]


@pytest.mark.parametrize("habit", HABITS)
def test_evidence_is_the_normal_density_s(habit):
    """Against the density with the coefficients' prior folded into the covariance; the level's wide prior cancels.

    A steady gain of any size is a coefficient there too; the leak's has no course here.
    """
    count, dip_l = 80, 0.6
    columns = np.random.default_rng(8).normal(size=(count, 3)).cumsum(axis=0)
    y = drawn(count, habit, dip_l, 3)
    balance = balance_of(y, day_of=np.zeros(count, dtype=np.int64), columns=columns)
    other = habit | {"sway_mm": 1.5 * habit["sway_mm"], "sway_h": 0.8 * habit["sway_h"], "dip": 1.2 * habit["dip"]}
    ours = evidence(balance, habitual(balance, usual_noise(count, dip_l), [other, habit]))
    gain = LEAK_SD_L_PER_H**2 * np.outer(balance.hours, balance.hours)
    exact = []
    for one in (other, habit):
        sigma = covariance_l2(count, one, dip_l) + 1e6 + columns @ np.diag(balance.prior.sd**2) @ columns.T + gain
        exact.append(multivariate_normal(columns @ balance.prior.mean, sigma).logpdf(y))
    assert ours[1] - ours[0] == pytest.approx(exact[1] - exact[0], abs=0.1)


@pytest.mark.parametrize("habit", HABITS)
def test_a_tank_s_own_habit_is_learned(habit):
    """Its sway comes out within three standard errors of what thirty days can tell, and most of the evidence with it.

    An Ornstein-Uhlenbeck course of memory h shows its size over T hours as T / 2h independent draws would.
    """
    count, dip_l = 48 * 30, 0.6
    balance = balance_of(drawn(count, habit, dip_l, 22), day_of=np.arange(count) // 48, columns=np.zeros((count, 1)))
    noise = usual_noise(count, dip_l)
    shown = own_habit(balance, noise, slice(None))
    found = shown.likeliest
    usual, true, ours = evidence(balance, habitual(balance, noise, [USUAL, habit, found]))
    assert ours > usual + 0.9 * (true - usual) - 4.0
    error = 3.0 * np.sqrt(habit["sway_h"] / (0.5 * count))
    if habit["sway_mm"] > 0.1:
        assert found["sway_mm"] == pytest.approx(habit["sway_mm"], rel=error)
        assert np.log(found["sway_h"] / habit["sway_h"]) == pytest.approx(0.0, abs=2.0 * error)
    if habit is QUIET:
        assert found["sway_mm"] < 0.05


def test_a_gauge_sways_like_the_worst_until_it_has_shown_its_own():
    count, dip_l = 48 * 8, 0.6
    balance = balance_of(drawn(count, QUIET, dip_l, 4), day_of=np.arange(count) // 48, columns=np.zeros((count, 1)))
    learned = learned_noise(balance, usual_noise(count, dip_l))
    early = learned.sway_l[: 48 * LEARNED_AFTER_DAYS[0]]
    assert early == pytest.approx(EARLY["sway_mm"] * SURFACE_L_PER_MM)
    assert learned.sway_l[-1] < 0.5 * early[0]


def test_no_day_knows_a_later_one():
    count, dip_l = 48 * 30, 0.6
    day_of = np.arange(count) // 48
    balance = balance_of(drawn(count, SWAYING, dip_l, 5), day_of=day_of, columns=np.zeros((count, 1)))
    noise = usual_noise(count, dip_l)
    cut = int(np.searchsorted(day_of, LEARNED_AFTER_DAYS[-3] - 1))
    changed = replace(balance, y_l=np.where(np.arange(count) < cut, balance.y_l, 5.0 * balance.y_l))
    learned, again = learned_noise(balance, noise), learned_noise(changed, noise)
    assert (again.sway_l[:cut] == learned.sway_l[:cut]).all() and (again.white_l[:cut] == learned.white_l[:cut]).all()
    assert again.sway_l[-1] != learned.sway_l[-1]


def test_a_leak_is_not_learned_as_sway():
    """A steady loss of 0.8 l an hour from the first day on leaves what is learned of the gauge as it was."""
    count, dip_l = 48 * 24, 0.6
    still = balance_of(drawn(count, QUIET, dip_l, 6), day_of=np.arange(count) // 48, columns=np.zeros((count, 1)))
    leaking = replace(still, y_l=still.y_l - 0.8 * still.hours)
    noise = usual_noise(count, dip_l)
    without, with_leak = (own_habit(one, noise, slice(None)).likeliest for one in (still, leaking))
    for name, value in without.items():
        assert with_leak[name] == pytest.approx(value, rel=0.05)


def test_doubt_makes_sizes_larger_and_times_not():
    """The mean square of a size whose log has an SD of 0.3 is e^0.18 times its median's: the size e^0.09.

    A sway's doubt holds half of its time's: √(0.3² + 0.2²); no doubt beyond 0.6 counts, nor a value out of its range.
    """
    likeliest = USUAL | {"sway_mm": 0.1, "sway_h": 5.0, "walk": 2.0, "per_sold": 1.0, "rate": 3.9}
    doubt = dict.fromkeys(USUAL, 0.3) | {"sway_h": 0.4, "per_sold": 2.0}
    told = Shown(likeliest, doubt).careful()
    assert told["sway_mm"] == pytest.approx(0.1 * np.exp(0.13))
    assert told["walk"] == pytest.approx(2.0 * np.exp(0.09))
    assert told["per_sold"] == pytest.approx(np.exp(0.36))
    assert told["rate"] == 4.0
    assert {name: told[name] for name in ("sway_h", "dip", "ripple_h")} == {
        name: likeliest[name] for name in ("sway_h", "dip", "ripple_h")
    }


def test_a_habit_s_factors_are_of_the_usual_noise_and_its_sway_of_the_surface():
    """Twice the scatter, thrice the walk, 0.2 mm of sway on 12 l a millimetre; two habits stand side by side."""
    balance = balance_of(np.zeros(5), day_of=np.zeros(5, dtype=np.int64), columns=np.zeros((5, 1)))
    usual = usual_noise(5, 0.6)
    factors = {"dip": 2.0, "walk": 3.0, "per_sold": 4.0, "rate": 5.0}
    habit = USUAL | factors | {"ripple_h": 0.7, "sway_mm": 0.2, "sway_h": 9.0}
    told = habitual(balance, usual, [USUAL, habit], slice(1, 4))
    assert told.white_l.shape == (2, 3)
    assert told.dip_sd_l[0] == pytest.approx(0.6)
    assert told.dip_sd_l[1] == pytest.approx(1.2)
    assert told.walk_l[1] == pytest.approx(3.0 * WALK_L)
    assert told.walk_per_l[1] == pytest.approx(4.0 * PER_L)
    assert told.rate_k_per_h[1] == pytest.approx(5.0 * RATE)
    assert told.sway_l[1] == pytest.approx(2.4)
    assert (told.ripple_h[1] == 0.7).all() and (told.sway_h[1] == 9.0).all()


@pytest.mark.parametrize(("dips_a_day", "is_learned"), [(29, False), (31, True)])
def test_with_fewer_than_sixty_dips_nothing_is_learned(dips_a_day, is_learned):
    """After two days, from two days' dips."""
    count = 3 * dips_a_day
    day_of = np.arange(count) // dips_a_day
    balance = balance_of(drawn(count, QUIET, 0.6, 4), day_of=day_of, columns=np.zeros((count, 1)))
    told = learned_noise(balance, usual_noise(count, 0.6))
    assert bool(told.sway_l[-1] < 0.9 * EARLY["sway_mm"] * SURFACE_L_PER_MM) is is_learned
