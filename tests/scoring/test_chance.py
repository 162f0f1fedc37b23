"""Kind of evidence: naive twin and property. Odds of chance against every order there is, and against their own law."""

from fractions import Fraction
from itertools import permutations, product
from math import comb

import numpy as np
import pytest

from pipeline.scoring.chance import Orders, Stratum, of_order, of_places, tail

TWO_SIGMAS_OF_ROUNDS = 4 * np.sqrt(0.25 / 20_000)


def by_every_order(strata, count):
    """The chance of each group by the definition: all orders of all strata, each as likely."""

    def scores(orders):
        sums, var = np.zeros(count), np.zeros(count)
        for stratum, lost in zip(strata, orders, strict=True):
            n, middle = len(lost), np.mean(lost)
            for column, group in enumerate(stratum.groups):
                w = stratum.weights[:, column]
                sums[group] += sum((w[i] - w.mean()) * (lost[i] - middle) for i in range(n))
                var[group] += sum((w - w.mean()) ** 2) * sum((x - middle) ** 2 for x in lost) / (n - 1)
        return sums / np.sqrt(var)

    told = scores([s.lost for s in strata])
    best = [max(scores(orders)) for orders in product(*(permutations(s.lost) for s in strata))]
    return told, np.array([np.mean([b >= t - 1e-9 for b in best]) for t in told])


def test_the_odds_are_those_of_every_order_there_is():
    one = Stratum(np.array([9.0, 7.0, 1.0, 0.0]), np.eye(2)[[0, 0, 1, 1]], np.array([0, 1]))
    other = Stratum(np.array([5.0, 1.0, 2.0]), np.array([[1.0, 0.2], [0.0, 0.5], [0.0, 0.3]]), np.array([0, 2]))
    score, chance = by_every_order([one, other], 3)
    found = of_order([one, other], 3, Orders(np.random.default_rng(5), 20_000))
    assert found.score == pytest.approx(score)
    assert found.chance == pytest.approx(chance, abs=TWO_SIGMAS_OF_ROUNDS)
    assert found.excess[0] == pytest.approx((9 + 7 - 2 * 4.25) + (5 - 8 / 3))


def test_chance_alone_reaches_each_level_no_more_often_than_that_level_whatever_the_number_of_groups():
    """Of 200 fleets of chance some 10 have a group below one in twenty: binomial, so below 20 but once in 500."""
    rng = np.random.default_rng(11)
    best = []
    for _ in range(200):
        strata = [Stratum(rng.standard_t(3, 30), np.eye(12)[rng.integers(0, 12, 30)], np.arange(12)) for _ in range(3)]
        best.append(of_order(strata, 12, Orders(rng, 199)).chance.min())
    low = int(np.sum(np.array(best) <= 0.05))
    assert 2 <= low <= 20


def test_one_that_loses_is_told_and_one_that_is_alone_at_its_tank_cannot_be():
    rng = np.random.default_rng(2)
    lost = rng.normal(0.0, 10.0, 60)
    labels = np.arange(60) % 4
    lost[labels == 2] += 25.0
    told = Stratum(lost, np.eye(4)[labels], np.arange(4))
    alone = Stratum(rng.normal(500.0, 10.0, 20), np.ones((20, 1)), np.array([4]))
    found = of_order([told, alone], 5, Orders(rng))
    assert found.chance[2] == 1 / 2000
    assert (found.chance[[0, 1, 3]] > 0.5).all()
    assert (found.score[4], found.chance[4]) == (0.0, 1.0)


@pytest.mark.parametrize("least", range(5))
def test_the_tail_of_unlike_events_is_that_of_every_outcome(least):
    shares = (0.1, 0.7, 0.25, 0.5)
    outcomes = product((0, 1), repeat=4)
    wanted = sum(np.prod([p if x else 1 - p for p, x in zip(shares, o, strict=True)])
                 for o in outcomes if sum(o) >= least)  # fmt: skip
    assert tail(np.array(shares), least) == pytest.approx(wanted)


def test_six_of_ten_draws_in_one_of_24_hours_are_no_chance_and_two_are():
    """The binomial's tail in whole numbers, times 24 hours looked at."""
    shares = np.full((10, 24), 1 / 24)
    six = of_places(shares, np.array([23] * 6 + [1, 2, 3, 4]))
    of_theory = Fraction(24 * sum(comb(10, k) * 23 ** (10 - k) for k in range(6, 11)), 24**10)
    assert six[23] == pytest.approx(float(of_theory))
    assert six[0] == 1.0
    two = of_places(shares, np.array([23] * 2 + list(range(8))))
    assert two[23] == 1.0
