"""Litres of a rate over what is not known of it. Evidence: known truth, a naive twin over every onset."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from pipeline.estimate.averaged import Fitted, Rate, averaged_total
from pipeline.estimate.hypotheses import hypotheses_of, since
from pipeline.estimate.regression import Prior
from pipeline.estimate.whiten import filter_of, whitened
from tests.support.hand_unit import balance_by, dips_of, gauge_of, noise_of, unit_of

DAYS = 16
HOURS = np.arange(0.5, 24.0 * DAYS, 6.0)
ONSET, END = 4 * 5, 4 * 10
"""The first dips of the sixth and of the eleventh day."""
SOLD_L = 30.0 * np.arange(len(HOURS))


def fitted(course: np.ndarray, *, pieces: int = 1, noise_l: float = 0.05, hypothesis: int = 3) -> Fitted:
    """A tank whose stock goes like the course; one regressor of its own, and the named pieces behind it."""
    balance = balance_by(unit_of(gauge_of(HOURS, 1_000.0)), dips_of(HOURS, 1_000.0, SOLD_L))
    rng = np.random.default_rng(9)
    own = rng.normal(size=len(HOURS)).cumsum()
    balance = replace(balance, leak_h=np.tile(HOURS, (16, 1)).T)
    zero = np.zeros(len(HOURS))
    by = filter_of(HOURS, noise_of(len(HOURS), white_l=max(noise_l, 0.05), walk_l=0.05), zero, zero)
    y = course + 0.3 * own + rng.normal(0.0, noise_l, len(HOURS))
    acting = hypotheses_of(balance)[1][:, [hypothesis]]
    columns = [own[:, None], since(acting, ONSET), *([since(acting, END)] if pieces == 2 else [])]
    rows = whitened(np.column_stack([y, *columns]), by)
    prior = Prior(np.zeros(1 + pieces), np.array([1.0, *[3.0] * pieces]))
    return Fitted(balance, by, rows[:, 1:], rows[:, 0], np.ones(len(HOURS)), prior)


BEGUN_H, OVER_H = HOURS[ONSET - 1], HOURS[END - 1]


@pytest.mark.parametrize("rate", [0.5, 2.0])
def test_a_gain_s_litres_are_its_pace_to_the_last_row(rate):
    one = fitted(rate * np.maximum(HOURS - BEGUN_H, 0.0))
    told = averaged_total(one, Rate((1,), (ONSET,), 3, None, None))
    truth = rate * (HOURS[-1] - BEGUN_H)
    assert told.litres_15 == pytest.approx(truth, abs=2.0 * told.sd_l)
    assert told.likeliest_15 == pytest.approx(truth, rel=0.02)
    # The hour of its onset within the day is not known: a day ÷ √12 at its pace, at the least.
    assert told.sd_l >= 0.95 * rate * 24.0 / np.sqrt(12.0)


def test_a_rate_that_ended_has_what_it_came_to_by_then():
    gone = 0.8 * (np.minimum(HOURS, OVER_H) - BEGUN_H).clip(0.0)
    one = fitted(gone, pieces=2)
    told = averaged_total(one, Rate((1, 2), (ONSET, END), 3, None, 1))
    assert told.litres_15 == pytest.approx(0.8 * (OVER_H - BEGUN_H), abs=2.0 * told.sd_l)
    assert told.sd_l >= 0.95 * 0.8 * 24.0 / np.sqrt(6.0)


def test_a_meter_s_litres_are_its_share_of_the_sales():
    sold_since = SOLD_L - SOLD_L[ONSET - 1]
    one = fitted(-0.02 * sold_since.clip(0.0), hypothesis=2)
    told = averaged_total(one, Rate((1,), (ONSET,), 2, None, None))
    assert told.litres_15 == pytest.approx(-0.02 * sold_since[-1], abs=2.0 * told.sd_l)


def test_a_leak_s_litres_leave():
    one = fitted(-1.0 * np.maximum(HOURS - BEGUN_H, 0.0), hypothesis=0)
    told = averaged_total(one, Rate((1,), (ONSET,), 0, 0, None))
    assert told.litres_15 == pytest.approx(-(HOURS[-1] - BEGUN_H), abs=2.0 * told.sd_l)


def test_it_is_the_mean_over_onsets_by_their_evidence():
    """Twin: each day's onset within four days as its own regression, weighed by the density of its rows."""
    one = fitted(0.02 * np.maximum(HOURS - BEGUN_H, 0.0), noise_l=0.6)
    told = averaged_total(one, Rate((1,), (ONSET,), 3, None, None))
    course = HOURS[:, None]
    found = []
    for day in range(1, 10):
        onset = 4 * day
        acting = since(course, onset)
        column = whitened(acting, one.filter)[:, 0]
        design = np.column_stack([one.rows[:, 0], column])
        cov = np.diag(one.prior.sd**2)
        sigma = design @ cov @ design.T + np.eye(len(HOURS))
        gain = cov @ design.T @ np.linalg.inv(sigma)
        mean, left = gain @ one.y, cov - gain @ design @ cov
        density = multivariate_normal(np.zeros(len(HOURS)), sigma).logpdf(one.y)
        reach = float(acting[-1, 0])
        found.append((density, reach * mean[1], reach**2 * left[1, 1]))
    density, litres, var = np.array(found).T
    weight = np.exp(density - density.max())
    weight /= weight.sum()
    assert told.litres_15 == pytest.approx(float(weight @ litres), rel=1e-4)
    best = float(litres[np.argmax(density)])
    edge = best / (HOURS[-1] - BEGUN_H) * 24.0 / np.sqrt(12.0)
    spread = weight @ (var + (litres - weight @ litres) ** 2)
    assert told.sd_l == pytest.approx(float(np.sqrt(spread + edge**2)), rel=1e-4)
