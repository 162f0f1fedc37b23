"""At which height a leak's hole is. Evidence: known truth by construction, a naive twin (the rows' normal density)."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from pipeline.estimate.courses import HOLES, head_hours
from pipeline.estimate.holes import HoleSums
from pipeline.estimate.hypotheses import candidates_of, since
from pipeline.estimate.regression import Prior
from pipeline.estimate.sums import Sums
from pipeline.estimate.whiten import filter_of, whitened
from tests.support.hand_unit import FIRST_DAY, balance_by, dips_of, gauge_of, noise_of, unit_of

DAYS = 6
HOURS = np.arange(0.5, 24.0 * DAYS, 6.0)
LEVEL_MM = 1_900.0 - 300.0 * (np.arange(len(HOURS)) % 6)
"""A tank of 2 m that is emptied and filled: its head goes from 1.9 m down to 0.4 m."""
UNIT = unit_of(gauge_of(HOURS, LEVEL_MM))
ONSETS = (4, 12)
PRIOR = Prior(np.array([0.1, 0.0, 0.0]), np.array([0.2, 3.0, 3.0]))


def tank(hole: int, *, weight: np.ndarray | None = None, until: int = DAYS):
    """Sums and hole sums of a tank that loses 1.5 l/h by a hole, in two pieces, and 0.1 l for each hour."""
    balance = balance_by(UNIT, dips_of(HOURS, LEVEL_MM))
    leak_h = head_hours(UNIT, LEVEL_MM, HOURS)
    noise = np.random.default_rng(3).normal(0.0, 0.3, len(HOURS))
    gone = 1.5 * since(leak_h, ONSETS[0])[:, hole] - 0.5 * since(leak_h, ONSETS[1])[:, hole]
    hours = (HOURS - HOURS[0])[:, None]
    balance = replace(balance, y_l=0.1 * hours[:, 0] - gone + noise, columns=hours, names=("hours",), leak_h=leak_h)
    by = filter_of(HOURS, noise_of(len(HOURS), white_l=0.3), np.zeros(len(HOURS)), np.zeros(len(HOURS)))
    sums = Sums(balance.y_l, balance.columns, candidates_of(balance), by)
    weight = np.ones(len(HOURS)) if weight is None else weight
    held, shapes = None, [whitened(since(-leak_h, onset), by) for onset in ONSETS]
    for day in range(DAYS):
        sums.take(weight[balance.known_day == FIRST_DAY + day], FIRST_DAY + day)
        if day == 3:
            for onset in ONSETS:
                (number,) = np.flatnonzero((sums.candidates.which == 0) & (sums.candidates.onset == onset))
                sums.activate(int(number))
            held = HoleSums(sums, shapes, [1, 2])
        elif held is not None:
            held.take(sums)
    return sums, held, shapes


@pytest.mark.parametrize("hole", [0, 3, 7])
def test_the_hole_that_it_leaks_from_fits_best(hole):
    """Holes a fortieth of 4 m apart; the level comes within a few of them, so each has a course of its own."""
    sums, held, _ = tank(hole)
    assert abs(int(np.argmax(held.evidence(sums, PRIOR))) - hole) <= 1


def test_the_evidence_is_the_density_of_the_rows():
    """y is normal with the regressors' prior in its covariance; held-back rows count by their weight."""
    weight = np.random.default_rng(4).uniform(0.3, 1.0, len(HOURS))
    sums, held, shapes = tank(5, weight=weight)
    dense = []
    for hole in range(len(HOLES)):
        design = np.column_stack([sums.rows[:, 1], *(shape[:, hole] for shape in shapes)]) * weight[:, None]
        sigma = design @ np.diag(PRIOR.sd**2) @ design.T + np.eye(len(HOURS))
        dense.append(multivariate_normal(design @ PRIOR.mean, sigma).logpdf(sums.rows[:, 0] * weight))
    told = held.evidence(sums, PRIOR)
    assert told - told[0] == pytest.approx(np.array(dense) - dense[0], rel=1e-6, abs=1e-8)


def test_asking_changes_nothing():
    sums, held, _ = tank(2)
    gram, score = sums.gram.copy(), sums.score.copy()
    assert held.evidence(sums, PRIOR) == pytest.approx(held.evidence(sums, PRIOR))
    assert np.array_equal(sums.gram, gram)
    assert np.array_equal(sums.score, score)
