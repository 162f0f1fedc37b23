"""The whitening filter against the covariance that its model states, and charts read between their rows."""

from dataclasses import fields, replace

import numpy as np
import polars as pl
import pytest

from pipeline.estimate.whiten import RATE_H, SLOW_H, WANDER_H, Noise, filter_of, whitened
from pipeline.ledger.gauge import strapping_of
from pipeline.physics.geometry import TankShape, volume_l
from tests.support.hand_site import at

COUNT = 60
WALK_L, RATE_K_PER_H, WALK_PER_L = 0.3, 0.02, 0.002
RIPPLE_H, SWAY_H = 0.7, 6.0
DROP = 30
DROP_SD_L, LAYER_K, LAYER_H = 12.0, 0.4, 5.0


@pytest.fixture(scope="module")
def dips():
    """Uneven dips with a drop half way: hours, noise, jump variance, litres sold."""
    rng = np.random.default_rng(5)
    hours = np.cumsum(rng.choice([0.5, 0.5, 1.0, 7.0], COUNT))
    jump, layer = np.zeros(COUNT), np.zeros(COUNT)
    jump[DROP], layer[DROP] = DROP_SD_L**2, LAYER_K
    sold = np.cumsum(rng.uniform(0.0, 300.0, COUNT))
    litres_per_k = np.where(np.arange(COUNT) < DROP, 8.0, 15.0) * (1.0 - 0.001 * np.arange(COUNT))
    every = np.ones(COUNT)
    noise = Noise(
        white_l=rng.uniform(0.5, 2.0, COUNT), ripple_l=rng.uniform(0.5, 2.0, COUNT), ripple_h=RIPPLE_H * every,
        walk_l=WALK_L * every, walk_per_l=WALK_PER_L * every, rate_k_per_h=RATE_K_PER_H * every, layer_k=layer,
        layer_h=LAYER_H * every, litres_per_k=litres_per_k, sway_l=rng.uniform(1.0, 3.0, COUNT), sway_h=SWAY_H * every,
    )  # fmt: skip
    return hours, noise, jump, sold


def covariance_l2(hours, noise, jump, sold):
    """The model's covariance of y, its first level apart, from each part's own law. Derived here.

    The slow error is the convolution of a rate of memory `RATE_H` with a memory of `SLOW_H`: its covariance is that of
    two first-order lags in series.
    """
    apart = np.abs(hours[:, None] - hours[None, :])
    sigma = np.diag(noise.white_l**2) + np.outer(noise.ripple_l, noise.ripple_l) * np.exp(-apart / RIPPLE_H)
    sigma += np.outer(noise.sway_l, noise.sway_l) * np.exp(-apart / SWAY_H)
    sigma += WALK_L**2 * WANDER_H / 2.0 * np.exp(-apart / WANDER_H)
    rate, slow = 1.0 / RATE_H, 1.0 / SLOW_H
    lagged = (np.exp(-slow * apart) / slow - np.exp(-rate * apart) / rate) * rate / (rate**2 - slow**2)
    shown = np.outer(noise.litres_per_k, noise.litres_per_k)
    sigma += shown * RATE_K_PER_H**2 * lagged
    moved = sold - sold[0]
    sigma += WALK_PER_L * np.minimum(moved[:, None], moved[None, :])
    late = np.arange(len(hours)) >= DROP
    sigma += jump[DROP] * np.outer(late, late)
    layer = np.where(late, np.exp(-(hours - hours[DROP]) / LAYER_H), 0.0)
    return sigma + shown * LAYER_K**2 * np.outer(layer, layer)


def test_the_slow_error_s_law(dips):
    """Monte Carlo twin: 4,000 courses of a rate and of what it adds up to, in steps of a quarter of an hour."""
    rng, step = np.random.default_rng(11), 0.25
    keep, memory = np.exp(-step / RATE_H), np.exp(-step / SLOW_H)
    rate = rng.normal(size=4_000)
    slow = np.zeros(4_000)
    for _ in range(int(6 * SLOW_H / step)):
        slow = memory * slow + step * rate
        rate = keep * rate + np.sqrt(1.0 - keep**2) * rng.normal(size=4_000)
    fast, slowly = 1.0 / RATE_H, 1.0 / SLOW_H
    expected = (1.0 / slowly - 1.0 / fast) * fast / (fast**2 - slowly**2)
    assert slow.var() == pytest.approx(expected, rel=0.08)


def test_innovations_are_generalised_least_squares(dips):
    """What the rows say of a coefficient, and of how sure it is, is what the whole covariance says."""
    hours, noise, jump, sold = dips
    columns = np.column_stack([hours - hours[0], sold - sold[0], np.arange(COUNT) >= DROP]).astype(float)
    rows = whitened(columns, filter_of(hours, noise, jump, sold))
    gram = rows.T @ rows
    sigma = covariance_l2(hours, noise, jump, sold)
    wide = np.column_stack([np.ones(COUNT), columns])
    full = wide.T @ np.linalg.solve(sigma, wide)
    expected = full[1:, 1:] - np.outer(full[1:, 0], full[0, 1:]) / full[0, 0]
    assert gram == pytest.approx(expected, rel=1e-4)


def test_rows_are_independent_and_of_unit_size(dips):
    hours, noise, jump, sold = dips
    factor = np.linalg.cholesky(covariance_l2(hours, noise, jump, sold))
    draws = factor @ np.random.default_rng(2).normal(size=(COUNT, 4_000))
    rows = whitened(draws, filter_of(hours, noise, jump, sold))[1:]
    alike = rows @ rows.T / draws.shape[1]
    assert np.abs(np.diag(alike) - 1.0).max() < 0.12
    assert np.abs(alike - np.diag(np.diag(alike))).max() < 0.1


def test_a_later_dip_moves_no_earlier_row(dips):
    hours, noise, jump, sold = dips
    columns = np.random.default_rng(3).normal(size=(COUNT, 1))
    rows = whitened(columns, filter_of(hours, noise, jump, sold))
    columns[40:] += 50.0
    assert (whitened(columns, filter_of(hours, noise, jump, sold))[:40] == rows[:40]).all()


@pytest.mark.parametrize("step_mm", [10.0, 50.0, 100.0])
def test_between_coarse_rows_the_smooth_curve_is_the_tank(step_mm: float):
    """The chart of a lying cylinder against its own volumes (`volume_l`, held to Jones in tests/published)."""
    tank = TankShape("horizontal_cylinder", "flat", 2500.0, 6000.0)
    rows = np.arange(0.0, 2501.0, step_mm)
    chart = pl.DataFrame({"valid_from": [at(0.0)] * len(rows), "level_mm": rows, "volume_l": volume_l(rows, tank)})
    strapping = strapping_of(chart)
    levels = np.arange(300.0, 2200.0, 3.7)
    when = np.full(len(levels), at(1.0).timestamp())
    truth, straight = volume_l(levels, tank), strapping.volume_l(levels, when)
    smooth = straight + strapping.between_rows_l(levels, when)
    assert np.abs(smooth - truth).max() < 0.2
    assert np.abs(smooth - truth).max() < 0.05 * np.abs(straight - truth).max() + 1e-9
    assert strapping.between_rows_l(rows, np.full(len(rows), when[0])) == pytest.approx(0.0, abs=1e-9)


def test_a_chart_with_a_kink_stays_rising():
    """Where the cubic spline would fall between rows, the monotone cubic is taken."""
    levels = np.array([0.0, 100.0, 200.0, 300.0, 400.0, 500.0])
    litres = np.array([0.0, 1.0, 2.0, 1_000.0, 1_001.0, 1_002.0])
    chart = pl.DataFrame({"valid_from": [at(0.0)] * 6, "level_mm": levels, "volume_l": litres})
    strapping = strapping_of(chart)
    fine = np.arange(0.0, 500.0, 1.0)
    when = np.full(len(fine), at(1.0).timestamp())
    assert (np.diff(strapping.volume_l(fine, when) + strapping.between_rows_l(fine, when)) >= -1e-9).all()


def test_several_noises_at_once_are_each_by_itself(dips):
    """Filters batched over a leading axis against each alone."""
    hours, noise, jump, sold = dips
    other = replace(noise, white_l=2.0 * noise.white_l, ripple_h=3.0 * noise.ripple_h)
    both = Noise(**{one.name: np.stack([getattr(noise, one.name), getattr(other, one.name)]) for one in fields(Noise)})
    columns = np.random.default_rng(4).normal(size=(COUNT, 2)).cumsum(axis=0)
    together = whitened(columns, filter_of(hours, both, jump, sold))
    for number, alone in enumerate((noise, other)):
        assert together[number] == pytest.approx(whitened(columns, filter_of(hours, alone, jump, sold)), rel=1e-9)


@pytest.mark.parametrize(
    ("part", "size", "lasts_h"),
    [("walk_l", 0.3, 72.0), ("sway_l", 2.0, 6.0), ("ripple_l", 2.0, 0.7)],
)
def test_how_long_each_part_of_the_noise_lasts(part, size, lasts_h):
    """The variance of a step between two dips, told by the second row's SD: a part lasts e^(−hours ÷ its time).

    Two dips with next to no white noise: the second less the first has twice the variance of the part, less what of it
    has lasted. The wander of 0.3 l in an hour comes back over three days: 0.3² · 72 ÷ 2 in all, four fifths of it not
    after a day and a half.
    """
    hours = np.array([0.0, 36.0 if part == "walk_l" else 3.0])
    zero, told = np.zeros(2), {"sway_h": 6.0, "ripple_h": 0.7, "layer_h": 5.0, "white_l": 1e-3}
    noise = Noise(**{one.name: zero + told.get(one.name, size if one.name == part else 0.0) for one in fields(Noise)})
    by = filter_of(hours, noise, zero, zero)
    variance = size**2 * 36.0 if part == "walk_l" else size**2
    assert by.sd_l[1] ** 2 == pytest.approx(2.0 * variance * (1.0 - np.exp(-np.ptp(hours) / lasts_h)), rel=1e-3)


def test_layers_last_five_hours_and_a_slow_error_five_days():
    """A drop's layers of 0.4 K on 10 l a kelvin: after five hours e⁻¹ of 4 l is left to them.

    A rate of 0.02 K/h that keeps for 20 h, integrated with a memory of 120 h, has a variance of (0.02 K/h)² times
    τ₁ τ₂² ÷ (τ₁ + τ₂) = 20 · 120² ÷ 140 h² in the long run.
    """
    zero = np.zeros(3)
    plain = {one.name: zero for one in fields(Noise)} | {"ripple_h": zero + 1.0, "sway_h": zero + 1.0}
    plain |= {"white_l": zero + 1e-3, "litres_per_k": zero + 10.0, "layer_h": zero + 5.0}
    layered = Noise(**plain | {"layer_k": np.array([0.0, 0.4, 0.0])})
    jump = np.array([0.0, 1e10, 0.0])
    by = filter_of(np.array([0.0, 0.0, 5.0]), layered, jump, zero)
    assert by.sd_l[2] ** 2 == pytest.approx((4.0 * (1.0 - np.exp(-1.0))) ** 2, rel=1e-3)
    drifting = Noise(**plain | {"rate_k_per_h": zero + 0.02})
    by = filter_of(np.array([0.0, 5_000.0, 10_000.0]), drifting, zero, zero)
    assert by.sd_l[1] ** 2 == pytest.approx(2.0 * (10.0 * 0.02) ** 2 * 20.0 * 120.0**2 / 140.0, rel=1e-3)
