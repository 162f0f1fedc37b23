"""A tank's own noise from its quiet dips. Evidence: values worked by hand, known truth by construction."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.noise import dip_noise, odd_shifts, with_blends
from tests.support.hand_unit import L_PER_MM, balance_by, dips_of, gauge_of, hiding, noise_of, unit_of

DAY_DIPS = 48
FINE_MM = 0.001


def noise_sd(
    y_l: np.ndarray, *, count: np.ndarray | int = 30, state: int = 0, hidden_mm: float = FINE_MM, spread_l: float = 0.0
):
    """SD of each half-hourly dip of a tank whose book-corrected stock goes like `y_l`."""
    hours = 0.5 * np.arange(len(y_l)) + 0.25
    counts = np.broadcast_to(count, len(y_l)).astype(np.int64)
    dips = replace(dips_of(hours, 1_000.0, state=state), count=counts, spread_l=np.full(len(y_l), spread_l))
    balance = replace(balance_by(unit_of(gauge_of(hours, 1_000.0)), dips), y_l=np.asarray(y_l, dtype=np.float64))
    return dip_noise(
        balance, dips, "diesel_b7", [hiding(FINE_MM), hiding(hidden_mm)], np.ones(len(y_l), dtype=bool)
    ).dip_sd_l


@pytest.mark.parametrize("size_l", [1.0, 3.0])
def test_a_second_difference_has_six_times_the_variance_of_a_dip(size_l):
    """Dips that go up and down by s: each second difference is 4 s, so a dip's SD is 1.4826 · 4 s ÷ √6 = 2.421 s."""
    told = noise_sd(size_l * np.tile([1.0, -1.0], DAY_DIPS))
    assert told[-1] == pytest.approx(1.4826 * 4.0 / np.sqrt(6.0) * size_l)
    assert told[-1] == pytest.approx(2.4211 * size_l, rel=1e-4)


def test_the_middle_dip_counts_twice_and_few_readings_scatter_more():
    """Dips of 6 and of 1 reading by turns have 2 and 7 times the variance of very many.

    A second difference about the one has 7 + 4·2 + 7 = 22, about the other 2 + 4·7 + 2 = 32; every one of them is 4 l.
    """
    many = 1.4826 * 0.5 * (4.0 / np.sqrt(22.0) + 4.0 / np.sqrt(32.0))
    for counts, variance in (([1, 6], 2.0), ([6, 1], 7.0)):
        told = noise_sd(np.tile([1.0, -1.0], DAY_DIPS), count=np.tile(counts, DAY_DIPS))
        assert told[-1] == pytest.approx(many * np.sqrt(variance))


@pytest.mark.parametrize(("state", "mm"), [(0, 0.12), (1, 0.24), (2, 0.72)])
def test_before_a_tank_has_shown_its_own_it_has_the_usual(state, mm):
    """0.12 mm at rest, twice that just after a sale, six times with a hose open; 30 readings have 1.2 the variance."""
    assert noise_sd(np.zeros(10), state=state)[0] == pytest.approx(mm * L_PER_MM * np.sqrt(1.2))


def test_fifteen_second_differences_are_enough_and_fourteen_are_not():
    wild = 50.0 * np.tile([1.0, -1.0], 10)
    assert noise_sd(wild[:16])[-1] == pytest.approx(0.6 * np.sqrt(1.2))
    assert noise_sd(wild[:17])[-1] == pytest.approx(50.0 * 2.4211, rel=1e-4)


@pytest.mark.parametrize(("step_mm", "expected_l"), [(10.0, 50.0 / np.sqrt(12.0)), (1.0, 0.6 * np.sqrt(1.2))])
def test_a_coarse_gauge_hides_what_its_steps_hide(step_mm, expected_l):
    """A step of 10 mm is 50 l: an SD of 50 ÷ √12 (evenly within); one of 1 mm, 1.4 l, is the more of the two."""
    expected = max(expected_l, step_mm * L_PER_MM / np.sqrt(12.0))
    assert noise_sd(np.zeros(10), hidden_mm=step_mm)[0] == pytest.approx(expected)


@pytest.mark.parametrize(("spread_l", "expected_l"), [(30.0, 30.0 / 3.0), (3.9, 0.6 * np.sqrt(1.0 + 6.0 / 9.0))])
def test_a_gauge_that_is_ill_is_no_surer_than_its_readings(spread_l, expected_l):
    """Nine readings of SD 30 l have a mean of SD 10 l, where 0.77 l are usual; of SD 3.9 l, 1.3 l: not thrice that."""
    assert noise_sd(np.zeros(10), count=9, spread_l=spread_l)[0] == pytest.approx(expected_l)


def test_a_later_day_moves_no_earlier_one():
    y = np.random.default_rng(3).normal(0.0, 1.0, 4 * DAY_DIPS)
    before = noise_sd(y)
    y[DAY_DIPS:] *= 40.0
    after = noise_sd(y)
    # The last half hour of a day is the next day's to see.
    assert (after[: DAY_DIPS - 1] == before[: DAY_DIPS - 1]).all()
    assert after[-1] > 5.0 * before[-1]


def odd(y_l: np.ndarray, *, jump: int | None = None, first_h: float = 2.25, noise_l: float = 1.0) -> list[int]:
    """Places of the dips from which on the stock stands elsewhere, half an hour apart."""
    hours = first_h + 0.5 * np.arange(len(y_l))
    balance = balance_by(unit_of(gauge_of(hours, 1_000.0)), dips_of(hours, 1_000.0))
    jumps = np.where(np.arange(len(y_l)) == jump, 25.0, 0.0)
    balance = replace(balance, y_l=np.asarray(y_l, dtype=np.float64), jump_var_l2=jumps)
    return np.flatnonzero(odd_shifts(balance, noise_of(len(y_l), white_l=noise_l))).tolist()


@pytest.mark.parametrize("litres", [-12.0, 12.0])
def test_a_stock_that_stands_elsewhere_does_so_from_a_dip_on(litres):
    """Seven times 0.95 l is what the scatter of a litre gives the medians of three: 12 l is more, 6 l is not.

    Medians of three tell the dip to one on either side.
    """
    (place,) = odd(np.where(np.arange(12) >= 6, litres, 0.0))
    assert abs(place - 6) <= 1
    assert odd(np.where(np.arange(12) >= 6, litres / 2.0, 0.0)) == []


def test_a_rate_is_no_shift_and_neither_is_a_single_dip():
    assert odd(-8.0 * np.arange(12.0)) == []
    assert odd(np.where(np.arange(12) == 6, 40.0, 0.0)) == []


def test_a_drop_or_a_midnight_between_makes_no_odd_shift():
    y = np.where(np.arange(12) >= 6, 30.0, 0.0)
    assert odd(y, jump=6) == []
    assert odd(y, first_h=24.0 - 0.5 - 3.0 + 0.01) == []


def test_each_litre_of_a_blend_adds_to_a_tank_s_doubt():
    """Of 100 l between two dips 30 are the blend's: 30 times 0.03 l² more, spread over the 100."""
    hours = 0.5 * np.arange(10)
    sold = np.column_stack([70.0 * np.arange(10), 30.0 * np.arange(10)])
    balance = balance_by(unit_of(gauge_of(hours, 1_000.0)), dips_of(hours, 1_000.0, sold))
    plain = noise_of(10, walk_per_l=1e-4)
    assert with_blends(plain, balance, ("M2",)).walk_per_l[1:] == pytest.approx(np.full(9, 1e-4 + 0.03 * 0.3))
    assert with_blends(plain, balance, ("M7",)).walk_per_l == pytest.approx(plain.walk_per_l)
