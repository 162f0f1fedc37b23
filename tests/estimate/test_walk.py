"""A unit's days walked through in order. Evidence: twins, mirrors, and that no day knows a later one."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.design import Balance
from pipeline.estimate.hypotheses import GAIN_DAYS
from pipeline.estimate.regression import Prior
from pipeline.estimate.walk import walk_days
from pipeline.estimate.walk_state import Amendment, Given
from pipeline.estimate.walked import Walk
from tests.support.hand_unit import FIRST_DAY, balance_by, dips_of, gauge_of, noise_of, unit_of

DAYS, A_DAY = 7, 12
HOURS = 24.0 * np.repeat(np.arange(DAYS), A_DAY) + np.tile(1.0 + 1.9 * np.arange(A_DAY), DAYS)
MONTHS = {FIRST_DAY + day: FIRST_DAY for day in range(DAYS)}
LATE = FIRST_DAY + 4


def balance_with(y_l: np.ndarray) -> Balance:
    """A tank with two meters, each of which sells on its own hours, and a stock that goes like `y_l`."""
    into = HOURS % 24.0
    sold = np.column_stack([np.cumsum(40.0 * (into > 6.0)), np.cumsum(60.0 * (into < 15.0))])
    level = 1_600.0 - sold.sum(axis=1) / 5.0
    balance = balance_by(unit_of(gauge_of(HOURS, level)), dips_of(HOURS, level, sold))
    return replace(balance, y_l=y_l)


def noisy(seed: int = 4) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 0.3, len(HOURS))


def walked(balance: Balance, *amendments: Amendment, drops: tuple[int, ...] = ()) -> Walk:
    return walk_days(Given(balance, noise_of(len(HOURS)), MONTHS, drops, amendments))[0]


@pytest.fixture(scope="module")
def sound() -> Walk:
    return walked(balance_with(noisy()))


LITRES = np.where(HOURS > 60.0, 0.4, 0.0)
"""So few that no row is held back, neither before they are known nor after."""


def test_litres_known_late_end_as_if_they_had_always_been_known(sound):
    """Twin: the same litres in the stock from the start on; so they are added, and once."""
    late = walked(sound.balance, Amendment(LATE, LITRES))
    always = walked(replace(sound.balance, y_l=sound.balance.y_l + LITRES))
    assert late.views[-1].belief.mean == pytest.approx(always.views[-1].belief.mean, rel=1e-6, abs=1e-9)
    assert late.views[-1].belief.mean != pytest.approx(sound.views[-1].belief.mean, rel=1e-3, abs=1e-9)


def test_two_amendments_of_one_day_are_their_sum(sound):
    halves = walked(sound.balance, Amendment(LATE, 0.25 * LITRES), Amendment(LATE, 0.75 * LITRES))
    once = walked(sound.balance, Amendment(LATE, LITRES))
    assert halves.views[-1].belief.mean == pytest.approx(once.views[-1].belief.mean, rel=1e-9, abs=1e-12)


def test_an_amendment_changes_nothing_before_its_day(sound):
    late = walked(sound.balance, Amendment(LATE, 40.0 * LITRES))
    for before, after in zip(sound.views, late.views, strict=True):
        same = np.array_equal(before.belief.mean, after.belief.mean) and before.odds == after.odds
        assert same is (before.day < LATE)


@pytest.mark.parametrize("cut", [1, 3, 6])
def test_a_day_after_the_cut_changes_nothing(sound, cut):
    """Whatever the stock does from day `cut` on, the views of the days before are those that they were."""
    wild = np.where(sound.balance.known_day >= FIRST_DAY + cut, 9.0 * sound.balance.y_l - 300.0, sound.balance.y_l)
    other = walked(replace(sound.balance, y_l=wild))
    for before, after in zip(sound.views[:cut], other.views[:cut], strict=True):
        assert np.array_equal(before.belief.mean, after.belief.mean)
        assert before.month_leak == pytest.approx(after.month_leak, nan_ok=True, rel=1e-12)
        assert (before.odds, before.stretch) == (after.odds, after.stretch)
        assert np.array_equal(before.surprise, after.surprise)


def test_a_world_mirrored_in_sign_has_mirrored_beliefs(sound):
    """The stock and what is usual turned about: coefficients and the month's leak turn, and doubts stay."""
    prior = Prior(-sound.balance.prior.mean, sound.balance.prior.sd)
    mirror = walked(replace(sound.balance, y_l=-sound.balance.y_l, prior=prior))
    for one, other in zip(sound.views, mirror.views, strict=True):
        assert other.belief.mean == pytest.approx(-one.belief.mean, rel=1e-9, abs=1e-12)
        assert other.surprise == pytest.approx(-one.surprise, rel=1e-9, abs=1e-9)
        assert other.month_leak[0] == pytest.approx(-one.month_leak[0], nan_ok=True)
        assert other.month_leak[1] == pytest.approx(one.month_leak[1])


def test_two_meters_swapped_swap(sound):
    """The same sales under the other's name: each meter's belief and odds move to the other name, and no other."""
    plain = sound.balance
    order = [1, 0, *range(2, len(plain.names))]
    prior = Prior(plain.prior.mean[order], plain.prior.sd[order])
    swapped = walked(replace(plain, columns=plain.columns[:, order], prior=prior, sold_15_l=plain.sold_15_l[:, ::-1]))
    one, other = sound.views[-1], swapped.views[-1]
    assert other.belief.mean == pytest.approx(one.belief.mean[order], rel=1e-6, abs=1e-9)
    names = {"meter_drift:M1": "meter_drift:M2", "meter_drift:M2": "meter_drift:M1"}
    assert {names.get(key, key) for key in one.odds} == set(other.odds)
    for key, odds in one.odds.items():
        assert other.odds[names.get(key, key)] == pytest.approx(odds, abs=1e-6)


def test_a_day_earlier_is_the_same_world(sound):
    """All dips a day earlier: nothing hangs on which day it is."""
    plain = sound.balance
    shifted = replace(plain, hours=plain.hours - 24.0, known_day=plain.known_day - 1)
    months = {day - 1: first - 1 for day, first in MONTHS.items()}
    other, _ = walk_days(Given(shifted, noise_of(len(HOURS)), months))
    assert [view.day + 1 for view in other.views] == [view.day for view in sound.views]
    assert other.views[-1].belief.mean == pytest.approx(sound.views[-1].belief.mean, rel=1e-9, abs=1e-12)


@pytest.fixture(scope="module")
def leaking() -> Walk:
    """6 l an hour from the third day on: far beyond what a litre of noise hides."""
    gone = -6.0 * np.maximum(HOURS - 48.0, 0.0)
    return walked(balance_with(noisy() + gone))


def test_a_leak_is_named_with_its_litres(leaking):
    (leak,) = leaking.named
    assert leak.hypothesis.cause == "tank_leak"
    assert leaking.balance.known_day[leak.onset] == FIRST_DAY + 2
    assert leak.day > FIRST_DAY + 2
    assert not leak.ended
    assert leak.total is not None
    true_l = -6.0 * (HOURS[-1] - 48.0)
    assert leak.total.litres_15 == pytest.approx(true_l, abs=2.0 * leak.total.sd_l)
    assert leak.total.sd_l < 0.2 * abs(true_l)


def test_a_leak_turned_about_is_a_gain_and_no_leak_and_waits_six_days():
    gained = 6.0 * np.maximum(HOURS - 24.0, 0.0)
    walk = walked(balance_with(noisy() + gained))
    (gain,) = walk.named
    assert (gain.hypothesis.cause, walk.balance.known_day[gain.onset]) == ("unexplained", FIRST_DAY + 1)
    assert gain.day == FIRST_DAY + 1 + GAIN_DAYS - 1 == FIRST_DAY + 6
    assert gain.total is not None
    assert gain.total.litres_15 == pytest.approx(gained[-1], abs=2.0 * gain.total.sd_l)


@pytest.mark.parametrize("off_l", [-400.0, 400.0])
def test_a_drop_off_its_ticket_is_named_and_no_rate(off_l):
    """A step of 400 l at the dip after a drop with a ticket, whose own doubt is 20 l."""
    dip = 5 * A_DAY + 4
    balance = balance_with(noisy() + np.where(np.arange(len(HOURS)) >= dip, off_l, 0.0))
    jump = np.where(np.arange(len(HOURS)) == dip, 20.0**2, 0.0)
    (named,) = walked(replace(balance, jump_var_l2=jump), drops=(dip,)).named
    assert (named.hypothesis.cause, named.onset) == ("delivery", dip)
