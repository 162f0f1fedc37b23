"""Gauge against metered flow in five-minute steps. Evidence: known truth by construction, both sides of each edge."""

import numpy as np
import pytest

from pipeline.ledger.moves import moves_of
from tests.support.hand_unit import at_s, drop_of, flow_of, gauge_of

MINUTES = np.arange(0.5, 360.0, 1.0)
"""A reading a minute for six hours."""


def moves(*sales, level_mm=1_000.0, share=1.0, drops=()):
    series = gauge_of(MINUTES / 60.0, level_mm, nominal_s=60.0)
    flow = flow_of(*sales)
    return moves_of(series, [flow], [np.full(len(series), share)], [one.drop for one in drops])


def minutes_of(made) -> np.ndarray:
    return (made.ts_s - at_s(0.0)) / 60.0


def test_a_step_is_at_rest_when_no_hose_was_open_for_as_long_as_waves_last():
    """A sale from minute 178 to 180: from then until two minutes and half a step after it the tank is not at rest."""
    made = moves((3.0, 40.0))
    at = minutes_of(made)
    rests = ~((at >= 178.0) & (at < 180.0 + 2.0 + 2.5))
    assert made.at_rest.tolist() == rests.tolist()
    assert not made.at_rest.all()


def test_before_any_sale_and_without_one_a_tank_is_at_rest():
    made = moves((3.0, 40.0))
    assert made.at_rest[minutes_of(made) < 178.0].all()
    assert moves().at_rest.all()


def test_another_tank_s_hose_disturbs_nothing():
    assert moves((3.0, 40.0), share=0.0).at_rest.all()


def test_sales_added_back_leave_what_nobody_recorded():
    """40 l are sold at hour 3 and 25 l vanish at hour 4."""
    level = 1_000.0 - 8.0 * (MINUTES >= 180.0) - 5.0 * (MINUTES >= 240.0)
    made = moves((3.0, 40.0), level_mm=level)
    moved = made.moved_l() - made.moved_l()[0]
    at = minutes_of(made)
    assert moved[at < 175.0] == pytest.approx(0.0, abs=1e-6)
    assert moved[(at > 185.0) & (at < 240.0)] == pytest.approx(0.0, abs=1e-6)
    assert moved[at > 240.0] == pytest.approx(-25.0)


def test_a_drop_and_forty_minutes_after_it_are_left_to_the_drop():
    made = moves(drops=[drop_of(3.0, 2_000.0, minutes=10.0)])
    at = minutes_of(made)
    assert at[made.in_drop].tolist() == pytest.approx(np.arange(182.5, 230.0, 5.0).tolist())


def test_another_share_of_a_meter_is_another_stock():
    made = moves((3.0, 40.0))
    assert made.with_own(np.zeros_like(made.own)).moved_l() == pytest.approx(made.stock_l)
    assert made.moved_l()[-1] - made.stock_l[-1] == pytest.approx(40.0)
