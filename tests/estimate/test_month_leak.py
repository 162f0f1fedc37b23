"""The leak of the month so far. Evidence: known truth by construction, a naive twin over whole columns."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.estimate.design import Balance
from pipeline.estimate.hypotheses import candidates_of
from pipeline.estimate.month_leak import LeakSoFar, month_leak
from pipeline.estimate.regression import Prior
from pipeline.estimate.sums import Sums
from pipeline.estimate.whiten import Filter, filter_of, whitened
from tests.support.hand_unit import FIRST_DAY, balance_by, dips_of, gauge_of, noise_of, unit_of

DAYS, A_DAY = 9, 4
HOURS = np.arange(0.5, 24.0 * DAYS, 6.0)
MONTH = 4 * A_DAY
"""The dip with which the month begins."""
BEGUN_H = HOURS[MONTH - 1]
"""What acts from that dip on acts from the one before."""


def tank(*, before: float = 0.0, since: float = 0.0, noise_l: float = 0.0) -> tuple[Balance, Filter]:
    """A tank that leaks at an even pace, before the month and in it. [l/h] Its one regressor is a meter's."""
    gone = before * np.minimum(HOURS, BEGUN_H) + since * np.maximum(HOURS - BEGUN_H, 0.0)
    sold = np.cumsum(40.0 + 15.0 * (np.arange(len(HOURS)) % 3))
    balance = balance_by(unit_of(gauge_of(HOURS, 1_000.0)), dips_of(HOURS, 1_000.0, sold))
    rng = np.random.default_rng(12)
    balance = replace(
        balance, y_l=5_000.0 - gone + rng.normal(0.0, noise_l, len(HOURS)), columns=-sold[:, None],
        names=("meter:M1",), prior=Prior(np.zeros(1), np.array([0.002])),
        leak_h=np.tile(HOURS - HOURS[0], (16, 1)).T,
    )  # fmt: skip
    zero = np.zeros(len(HOURS))
    return balance, filter_of(HOURS, noise_of(len(HOURS), white_l=0.5, walk_l=0.05), zero, sold)


def told(balance: Balance, by: Filter, *, first: int = MONTH, piece: int | None = None, until: int = DAYS):
    """The month's leak and its SD after the days up to `until`; `piece` a leak named from that dip on."""
    sums = Sums(balance.y_l, balance.columns, candidates_of(balance), by)
    so_far = LeakSoFar(balance, sums)
    prior = balance.prior
    for day in range(until):
        sums.take(np.ones((balance.known_day == FIRST_DAY + day).sum()), FIRST_DAY + day)
    named = []
    if piece is not None:
        (number,) = np.flatnonzero((sums.candidates.which == 0) & (sums.candidates.onset == piece))
        sums.activate(int(number))
        named = [1]
        prior = Prior(np.zeros(2), np.array([0.002, 3.0]))
    return month_leak(sums, prior, so_far, first, named)


@pytest.mark.parametrize("before", [0.0, 2.0, -1.0])
@pytest.mark.parametrize("since", [0.6, -0.6])
def test_a_month_s_leak_is_its_own_whatever_leaked_before(before, since):
    rate, sd = told(*tank(before=before, since=since))
    assert rate == pytest.approx(since, abs=0.25 * sd)
    assert 0.0 < sd < 0.05


def test_a_leak_that_was_named_is_still_the_month_s():
    balance, by = tank(since=0.6)
    rate, sd = told(balance, by, piece=MONTH)
    assert rate == pytest.approx(0.6, abs=0.25 * sd)
    assert sd == pytest.approx(told(balance, by)[1])


def test_a_month_from_the_first_day_on_is_all_there_is():
    rate, sd = told(*tank(before=0.6, since=0.6), first=0)
    assert rate == pytest.approx(0.6, abs=0.25 * sd)


def test_days_after_it_do_not_count():
    """What leaks from the month's third day on is none of the first two days'."""
    balance, by = tank(since=0.0)
    late = replace(balance, y_l=balance.y_l - 5.0 * np.maximum(HOURS - 24.0 * 6.0, 0.0))
    assert told(late, by, until=6) == told(balance, by, until=6)


@pytest.mark.parametrize("first", [DAYS * A_DAY - 1, DAYS * A_DAY])
def test_a_month_that_has_not_begun_says_nothing(first):
    rate, sd = told(*tank(since=0.6), first=first)
    assert np.isnan(rate)
    assert sd == np.inf


def test_it_is_generalised_least_squares_with_the_leak_before_beside_it():
    """Naive twin: meter, leak before (SD 1 l/h) and leak since (any) in one dense regression of whitened rows."""
    balance, by = tank(before=0.4, since=0.9, noise_l=0.5)
    until, since = np.minimum(HOURS, BEGUN_H), np.maximum(HOURS - BEGUN_H, 0.0)
    rows = whitened(np.column_stack([balance.y_l, balance.columns, HOURS[0] - until, -since]), by)
    precision = np.diag([1.0 / 0.002**2, 1.0, 0.0]) + rows[:, 1:].T @ rows[:, 1:]
    mean = np.linalg.solve(precision, rows[:, 1:].T @ rows[:, 0])
    sd = np.sqrt(np.linalg.inv(precision)[2, 2])
    assert told(balance, by) == pytest.approx((mean[2], sd), rel=1e-6)


def test_a_leak_s_mean_pace_is_told_and_not_its_pace_at_mid_height():
    """A hole under half of the usual head lets 0.7 of the litres out: the rate is that of the month."""
    balance, by = tank(since=0.6)
    slow = replace(balance, leak_h=0.7 * balance.leak_h)
    assert told(slow, by)[0] == pytest.approx(0.6, abs=0.01)
