"""A blending hose's meter as its other tank sees it. Evidence: worked by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.rates import rate_findings
from pipeline.estimate.averaged import Total
from pipeline.estimate.hypotheses import Hypothesis, candidates_of
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import Named
from tests.support.hand_unit import (
    FIRST_DAY,
    balance_by,
    believing,
    dips_of,
    gauge_of,
    seen_of,
    unit_of,
    view_of,
    walk_of,
    walked_of,
)

HOURS = np.arange(0.0, 96.0, 8.0)
SOLD_L = 100.0 * np.arange(12.0)
DAY = FIRST_DAY + 3


def tank(name: str, *, drift: tuple[float, float] | None = None, mean: float = 0.0, day: int = DAY) -> UnitWalk:
    """A tank whose hose M1 has sold 1,100 l; a `drift` (mean, SD) since the first dip is named, or a mean error known.

    That one's SD is 0.1 %; meters are usually off by 0.2 %.
    """
    dips, unit = dips_of(HOURS, 1_000.0, SOLD_L), unit_of(gauge_of(HOURS, 1_000.0), name=name)
    balance = balance_by(unit, dips)
    if drift is None:
        belief = believing(balance, sd=0.001, meter__M1=mean)
        return walked_of(seen_of(unit), dips, walk_of(balance, [view_of(day, belief)]))
    candidates = candidates_of(balance)
    kind = [(one.cause, one.meter_id) for one in candidates.hypotheses].index(("meter_drift", "M1"))
    number = int(np.flatnonzero(candidates.which == kind)[0])
    named = Named(
        Hypothesis("meter_drift", "M1", 1.0, True), DAY, 9.0, 0, None, pieces=[(len(balance.names), 0)],
        total=Total(-20.0, 4.0, -20.0),
    )  # fmt: skip
    view = view_of(DAY, believing(balance, pieces=[drift]), pieces=(number,))
    return walked_of(seen_of(unit), dips, walk_of(balance, [view], named=[named]))


def of_blend(one: UnitWalk) -> UnitWalk:
    return replace(one, seen=replace(one.seen, blended=("M1",)))


def odds(*others: UnitWalk, drift: tuple[float, float] = (0.02, 0.01)) -> list[float]:
    return [one.log_odds for one in rate_findings([tank("T1", drift=drift), *others])]


def test_a_tank_that_sees_no_error_takes_odds_from_a_drift():
    """It alone tells 0 ± √(1/(1/0.1² − 1/0.2²) + 0.2²) = 0.2309 %; with 2 ± 1 % that were 2 ± 1.0263 %.

    −½ (2 ÷ 1.0263)² − ln(1.0263 ÷ 0.2309) = −1.899 − 1.492.
    """
    assert odds(tank("T2")) == pytest.approx([9.0 - 3.391], abs=2e-3)
    assert odds(tank("T2"), tank("T3")) == pytest.approx([9.0 - 2 * 3.391], abs=4e-3)


def test_one_that_sees_it_too_leaves_it_as_it_is():
    """1.5 % ± 0.1 by a prior of ± 0.2 are 2 % by the data alone."""
    assert odds(tank("T2", mean=0.015)) == [9.0]
    assert odds() == [9.0]


def test_one_that_sees_the_contrary_is_a_ratio_that_wandered_and_no_meter():
    assert odds(tank("T2", mean=-0.003), drift=(0.02, 0.002)) == []


def test_what_another_tank_sees_later_says_nothing():
    assert odds(tank("T2", day=DAY + 1)) == [9.0]


def test_a_drift_says_which_other_tank_its_hose_draws_on():
    first = tank("T1", drift=(0.02, 0.01))
    (found,) = rate_findings([first, tank("T2", mean=0.015), of_blend(tank("T3", mean=0.015))])
    assert (found.unit_id, found.also_unit_id) == ("T1", "T3")
    (found,) = rate_findings([of_blend(first), tank("T2", mean=0.015)])
    assert found.also_unit_id is None
