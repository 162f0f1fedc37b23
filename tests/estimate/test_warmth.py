"""What temperature does to a balance, in the tank and at the meters. Evidence: known truth by construction, by hand."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.estimate.terms import weather_terms
from pipeline.estimate.warmth import (
    BEHIND_H,
    OPEN_DAILY_SD_K,
    by_the_hour,
    coarseness_c,
    daily_columns,
    is_told,
    smoothed_temp_c,
    thermometer_columns,
    turned,
)
from tests.support.hand_unit import balance_by, dips_of, gauge_of, unit_of

HOURS = 0.5 * np.arange(96)
FINE = np.zeros(96)
PETROL_PER_K = 0.00124
"""Expansion of petrol at 15 °C. From memory: 0.0012 to 0.00125."""


def test_a_thermometer_that_is_late_is_off_by_its_delay_times_the_rate():
    """A steady warming of 0.06 K/h; a drop half way brings a change that is no rate."""
    temp, jump = 12.0 + 0.06 * HOURS, np.zeros(96)
    temp[48:] -= 5.0
    jump[48] = 9.0
    rate = thermometer_columns(temp, HOURS, jump)[:, 0]
    assert rate[1:48] == pytest.approx(0.06) and rate[49:] == pytest.approx(0.06)
    assert rate[48] == 0.0


def test_what_a_thermometer_lacks_of_a_drop_fades():
    """A first-order lag: a drop's change of −5 K is lacking by e⁻¹ of it after its time constant."""
    temp, jump = np.full(96, 12.0), np.zeros(96)
    temp[48:], jump[48] = 7.0, 9.0
    behind = thermometer_columns(temp, HOURS, jump)[:, 1]
    assert (behind[:48] == 0.0).all() and behind[48] == pytest.approx(-5.0)
    assert behind[48 + int(2 * BEHIND_H)] == pytest.approx(-5.0 / np.e)


def test_product_warmed_by_day_takes_what_its_expansion_takes():
    """All 600 l of two days are sold at noon, 2 K warmer than the tank: 600 x 2 x expansion are not there at 15 °C."""
    sold = 300.0 * np.floor((HOURS + 12.0) / 24.0)
    columns = by_the_hour(sold, HOURS, "gasoline_e5")
    warmer_k = np.array([-2.0, 0.0])
    assert (columns @ warmer_k)[-1] == pytest.approx(600.0 * 2.0 * PETROL_PER_K, rel=0.05)
    assert columns[-1, 1] == pytest.approx(0.0, abs=1e-9)


def test_a_later_dip_moves_no_earlier_one():
    rng = np.random.default_rng(7)
    temp, jump = 12.0 + rng.normal(size=96).cumsum(), np.where(np.arange(96) == 40, 4.0, 0.0)
    before = thermometer_columns(temp, HOURS, jump)
    temp[60:] += 3.0
    assert (thermometer_columns(temp, HOURS, jump)[:60] == before[:60]).all()


@pytest.mark.parametrize("cools_k_per_h", [0.05, -0.05])
def test_a_steady_change_is_followed_and_noise_is_not(cools_k_per_h):
    """A bulk that cools by 0.05 K/h under a probe of 0.05 K of noise: after a day it is told to a fifth of that."""
    true_c = 20.0 - cools_k_per_h * HOURS
    read = true_c + np.random.default_rng(1).normal(0.0, 0.05, 96)
    told = smoothed_temp_c(read, HOURS, np.empty(0), FINE, in_the_open=False)
    late = HOURS > 24.0
    assert np.sqrt(np.mean((told - true_c)[late] ** 2)) < 0.02
    assert np.abs(np.diff(told)[late[1:]]).max() < 0.5 * np.abs(np.diff(read)[late[1:]]).max()


def test_each_drop_begins_it_anew():
    """10 °C, and from the drop at hour 24 on 18 °C: the first dip after it has the new temperature."""
    read = np.where(HOURS > 24.0, 18.0, 10.0)
    told = smoothed_temp_c(read, HOURS, np.array([24.0]), FINE, in_the_open=False)
    assert told[HOURS <= 24.0][-1] == pytest.approx(10.0, abs=0.01)
    assert told[HOURS > 24.0] == pytest.approx(18.0, abs=0.01)


def test_a_gap_is_carried_on_and_a_tank_without_a_thermometer_has_15_degrees():
    read = np.where((HOURS > 10.0) & (HOURS < 20.0), np.nan, 12.0)
    assert smoothed_temp_c(read, HOURS, np.empty(0), FINE, in_the_open=False)[1:] == pytest.approx(12.0, abs=0.02)
    assert (smoothed_temp_c(np.full(96, np.nan), HOURS, np.empty(0), FINE, in_the_open=False) == 15.0).all()


def test_a_tank_in_the_open_follows_faster():
    """It warms by 0.05 K/h from hour 24 on: the one in the ground, whose bulk is slow, lags behind by more."""
    read = 12.0 + 0.05 * np.maximum(HOURS - 24.0, 0.0)
    buried, open_air = (smoothed_temp_c(read, HOURS, np.empty(0), FINE, in_the_open=one) for one in (False, True))
    here = HOURS > 26.0
    assert 0.0 < np.abs(open_air - read)[here].max() < 0.8 * np.abs(buried - read)[here].max()


def test_a_later_reading_moves_no_earlier_temperature():
    read = 12.0 + np.random.default_rng(3).normal(size=96).cumsum() * 0.05
    before = smoothed_temp_c(read, HOURS, np.array([20.0, 40.0]), FINE, in_the_open=False)
    wild = np.where(np.arange(96) >= 60, 30.0, read)
    assert (smoothed_temp_c(wild, HOURS, np.array([20.0, 40.0]), FINE, in_the_open=False)[:60] == before[:60]).all()


@pytest.mark.parametrize(
    ("hour", "cosine", "sine"), [(0.0, 1, 0), (6.0, 0, 1), (12.0, -1, 0), (18.0, 0, -1), (48.0, 1, 0)]
)
def test_a_day_turns_once(hour, cosine, sine):
    assert turned(np.array([hour]))[0] == pytest.approx([cosine, sine], abs=1e-12)
    assert thermometer_columns(np.full(2, 12.0), np.array([hour - 1.0, hour]), np.zeros(2))[1, 2:] == pytest.approx(
        [cosine, sine], abs=1e-12
    )


@pytest.mark.parametrize(("grain_c", "told_c"), [(1.0, 1.0), (5.0 / 9.0, 5.0 / 9.0), (0.1, 0.0)])
def test_a_coarse_thermometer_is_known_by_its_steps(grain_c, told_c):
    """A cooling of 4 K, read in whole degrees, in whole degrees Fahrenheit, and in tenths."""
    read = grain_c * np.round((14.2 - 0.04 * HOURS) / grain_c)
    assert coarseness_c(3_600.0 * HOURS, read, 3_600.0 * HOURS) == pytest.approx(told_c, abs=0.011)


def test_how_coarse_it_is_a_day_knows_by_its_own_readings():
    """12 °C all day tell nothing; the day after 13 °C tell a degree, and tenths on the third that there is none."""
    at = 3_600.0 * np.array([1.0, 13.0, 25.0, 37.0, 49.0, 61.0])
    read = np.array([12.0, 12.0, 12.0, 13.0, 13.0, 13.1])
    assert coarseness_c(at, read, at).tolist() == [0.0, 0.0, 1.0, 1.0, 0.0, 0.0]


def test_a_coarse_thermometer_is_followed_between_its_steps():
    """It cools by 0.06 K/h and shows whole degrees: told within a third of a degree, and without its steps."""
    true_c = 20.3 - 0.06 * HOURS
    read = np.round(true_c)
    told, taken_at_its_word = (
        smoothed_temp_c(read, HOURS, np.empty(0), one, in_the_open=False) for one in (FINE + 1.0, FINE)
    )
    late = HOURS > 24.0
    assert np.abs(told - true_c)[late].max() < 0.33
    assert np.abs(np.diff(told))[late[1:]].max() < 0.5 * np.abs(np.diff(taken_at_its_word))[late[1:]].max()


BURIED = unit_of(gauge_of(HOURS, 1_000.0), product="gasoline_e5")
IN_THE_OPEN = replace(BURIED, tanks=BURIED.tanks.with_columns(buried=pl.lit(False)))
WEATHER_NAMES = ("thermometer:day:cosine", "thermometer:day:sine", "thermometer:day:half:cosine",
                 "thermometer:day:half:sine")  # fmt: skip


@pytest.mark.parametrize("sharper", [0.0, 0.2])
def test_what_a_late_thermometer_feigns_of_a_tank_in_the_open_its_columns_can_hold(sharper):
    """A day that swings by 3 K to either side, hottest at three, and warms sooner than it cools by some of the half
    day; the thermometer is late by an hour, and off by that times the rate. Of 8,000 l of petrol, of which 60 l an hour
    are sold, that feigns up to 8 l or so.
    """
    l_per_k = PETROL_PER_K * (8_000.0 - 60.0 * HOURS)
    turn = 2.0 * np.pi * (HOURS - 15.0) / 24.0
    rate = -3.0 * 2.0 * np.pi / 24.0 * (np.sin(turn) + 2.0 * sharper * np.sin(2.0 * turn))
    feigned_l = l_per_k * -1.0 * rate
    assert np.abs(feigned_l).max() > 6.0
    (term,) = weather_terms(IN_THE_OPEN, l_per_k, HOURS)
    assert term.names == WEATHER_NAMES
    swing_k, *_ = np.linalg.lstsq(term.columns, feigned_l, rcond=None)
    assert np.abs(feigned_l - term.columns @ swing_k).max() < 0.02 * np.abs(feigned_l).max()
    assert (np.abs(swing_k) < 3.0 * OPEN_DAILY_SD_K).all()


def test_the_columns_of_a_day_hold_no_steady_loss():
    """Two whole days of a leak of 0.5 l/h. Of a line over them the day and the half day hold the harmonics 2 and 4 of
    its saw tooth: sqrt(6 / pi^2 * (1/4 + 1/16)) of its SD, 0.436.
    """
    lost_l = -0.5 * HOURS
    columns = daily_columns(np.full(96, PETROL_PER_K * 8_000.0), HOURS)
    swing_k, *_ = np.linalg.lstsq(columns, lost_l - lost_l.mean(), rcond=None)
    assert (columns @ swing_k).std() / lost_l.std() == pytest.approx(0.436, abs=0.01)


def test_the_day_turns_once_and_the_half_day_twice_at_half():
    """At 0, 3, 6 and 12 o'clock, of 10 l a kelvin."""
    root = 10.0 / np.sqrt(2.0)
    expected = [[10.0, 0.0, 5.0, 0.0], [root, root, 0.0, 5.0], [0.0, 10.0, -5.0, 0.0], [-10.0, 0.0, 5.0, 0.0]]
    assert daily_columns(np.full(4, 10.0), np.array([0.0, 3.0, 6.0, 12.0])) == pytest.approx(
        np.array(expected), abs=1e-9
    )


def test_a_buried_tank_s_balance_has_no_weather():
    assert weather_terms(BURIED, np.ones(96), HOURS) == []
    buried, in_the_open = (balance_by(unit, dips_of(HOURS, 1_000.0)).names for unit in (BURIED, IN_THE_OPEN))
    assert in_the_open == (*buried, *WEATHER_NAMES)


DAYS_H = 0.5 * np.arange(48 * 40)
LIVE_C = 12.0 + 0.1 * np.round(3.0 * np.sin(DAYS_H / 9.0))
NONE = np.zeros(len(DAYS_H), dtype=bool)


def first_untold_h(temp_c: np.ndarray, dropped: np.ndarray = NONE) -> float | None:
    """The hour from which on a thermometer that works no longer is known to be dead."""
    told = is_told(temp_c, DAYS_H, dropped)
    gone = np.flatnonzero(~told)
    assert not len(gone) or not told[gone[0] :].any()
    return float(DAYS_H[gone[0]]) if len(gone) else None


def test_a_thermometer_that_gives_nothing_is_dead_after_three_hours():
    assert first_untold_h(LIVE_C) is None
    assert first_untold_h(np.where(DAYS_H > 480.0, np.nan, LIVE_C)) == 483.5
    assert first_untold_h(np.full(len(DAYS_H), np.nan)) == 0.0


def test_one_that_is_asked_twice_a_day_is_dead_after_three_times_as_long():
    seldom = np.where(DAYS_H % 12.0 == 0.0, LIVE_C, np.nan)
    told = is_told(seldom, DAYS_H, NONE)
    assert told[DAYS_H > 12.0].all()
    assert first_untold_h_of(np.where(DAYS_H > 480.0, np.nan, seldom), since_h=24.0) == 516.5


def first_untold_h_of(temp_c: np.ndarray, *, since_h: float) -> float:
    told = is_told(temp_c, DAYS_H, NONE)
    return float(DAYS_H[(~told & (since_h < DAYS_H)).argmax()])


@pytest.mark.parametrize(("grain_c", "hours"), [(0.1, 72.0), (0.5, 240.0)])
def test_one_that_stands_at_a_value_is_dead_after_three_days_and_a_coarse_one_after_ten(grain_c, hours):
    stuck = np.where(DAYS_H > 480.0, 11.5, 12.0 + grain_c * np.round(4.0 * np.sin(DAYS_H / 9.0)))
    since_h = float(DAYS_H[np.flatnonzero(stuck != 11.5)[-1] + 1])
    assert first_untold_h(stuck) == since_h + hours + 0.5


@pytest.mark.parametrize(("grain_c", "is_dead"), [(0.1, True), (0.5, False)])
def test_a_drop_that_changes_nothing_tells_at_once(grain_c, is_dead):
    """Six hours after it stood still a drop comes. To a coarse thermometer it may be as warm as what is there."""
    stuck = np.where(DAYS_H > 480.0, 11.5, 12.0 + grain_c * np.round(4.0 * np.sin(DAYS_H / 9.0)))
    assert first_untold_h(stuck, DAYS_H == 486.0) == (486.0 if is_dead else 480.5 + 240.0 + 0.5)


def test_what_has_never_moved_is_taken_at_its_word_and_what_comes_back_is_told():
    assert is_told(np.full(len(DAYS_H), 15.0), DAYS_H, NONE).all()
    away = np.where((DAYS_H > 480.0) & (DAYS_H < 600.0), np.nan, LIVE_C)
    told = is_told(away, DAYS_H, NONE)
    assert not told[(DAYS_H > 484.0) & (DAYS_H < 600.0)].any()
    assert told[DAYS_H >= 600.0].all()


def test_a_later_reading_tells_no_earlier_dip():
    away = np.where(DAYS_H > 700.0, np.nan, LIVE_C)
    assert (is_told(away, DAYS_H, NONE)[:1400] == is_told(LIVE_C, DAYS_H, NONE)[:1400]).all()
