"""Which of a sale's instants a till knows. Evidence: known truth by construction, worked by hand."""

import numpy as np
import pytest

from pipeline.ledger.clocks import TankMovement, day_clock, day_lag
from pipeline.ledger.movements import MeterFlow, in_order
from pipeline.ledger.stamps import odd_share, stamped
from tests.support.hand_unit import at_s, gauge_of

HOURS = np.arange(0.0, 24.0, 1 / 60)
RNG = np.random.default_rng(8)
STARTS_H = np.linspace(3.0, 21.0, 40) + RNG.uniform(0.0, 0.2, 40)
LITRES = RNG.uniform(35.0, 70.0, 40)
LASTS_H = LITRES / 35.0 / 60.0


def tank(start_h, end_h) -> TankMovement:
    """A tank that its hose drew from at 35 l/min, with 1 l of noise, and its sales as booked from and to some hours."""
    into = np.clip((HOURS[:, None] - STARTS_H) / LASTS_H, 0.0, 1.0)
    gone = (into * LITRES).sum(axis=1) + np.random.default_rng(1).normal(0.0, 1.0, len(HOURS))
    series = gauge_of(HOURS, 1_500.0 - gone / 5.0, nominal_s=60.0)
    return TankMovement(series, [MeterFlow("M1", at_s(start_h), at_s(end_h), LITRES)], np.ones(len(HOURS), dtype=bool))


BOTH = tank(STARTS_H, STARTS_H + LASTS_H)
AT_START = tank(STARTS_H, STARTS_H + 3.0 / 3_600.0)
AT_PAYMENT = tank(STARTS_H, STARTS_H + LASTS_H + np.random.default_rng(2).uniform(0.05, 0.2, 40))
AT_END = tank(STARTS_H + LASTS_H - 3.0 / 3_600.0, STARTS_H + LASTS_H)


@pytest.mark.parametrize(
    ("read", "stamp"), [(BOTH, "both"), (AT_START, "start"), (AT_PAYMENT, "start"), (AT_END, "end")]
)
def test_the_levels_say_which_instant_the_till_knows(read, stamp):
    """Known truth: both; the start and three seconds; the start and the payment some minutes later; the end alone."""
    clock = day_clock([read])
    assert clock is not None and clock.stamp == stamp
    assert clock.lag_s == pytest.approx(0.0, abs=10.0)
    assert clock.fit > 0.8
    plain = day_lag([read])
    assert plain is not None and (clock.fit > plain.fit + 0.05) == (stamp != "both")


def test_drawn_by_one_instant_is_drawn_as_it_was():
    """Known truth: from the start, or up to the end, at 35 l/min; each sale stays at its place."""
    for read, stamp in ((AT_START, "start"), (AT_PAYMENT, "start"), (AT_END, "end")):
        drawn = stamped(read.flows[0], stamp)
        assert drawn.start_s == pytest.approx(at_s(STARTS_H), abs=1e-3)
        assert drawn.end_s == pytest.approx(at_s(STARTS_H + LASTS_H), abs=1e-3)
        assert (drawn.volume_l == LITRES).all()
    assert stamped(BOTH.flows[0], "both") is BOTH.flows[0]


@pytest.mark.parametrize(("lasts_s", "share"), [(150.0, 0.0), (91.0, 0.0), (89.0, 0.5), (211.0, 0.5)])
def test_a_sale_is_odd_that_lasts_a_minute_more_or_less_than_it_takes(lasts_s, share):
    """87.5 l take 150 s."""
    flow = MeterFlow("M1", np.zeros(2), np.array([150.0, lasts_s]), np.array([87.5, 87.5]))
    assert odd_share([flow]) == pytest.approx(share)
    assert odd_share([]) == 0.0


def test_overlapping_sales_of_a_hose_follow_each_other():
    """A payment after the next sale began: that one is cut to start then; drawn by their starts they do not overlap."""
    flow = MeterFlow("M1", np.array([0.0, 300.0]), np.array([400.0, 460.0]), np.array([70.0, 70.0]))
    assert in_order(flow).start_s.tolist() == [0.0, 400.0]
    drawn = in_order(stamped(flow, "start"))
    assert drawn.start_s.tolist() == [0.0, 300.0]
    assert drawn.end_s.tolist() == [120.0, 420.0]


@pytest.mark.parametrize(("litres", "takes_s"), [(99.0, 99.0 * 60 / 35), (300.0, 180.0)])
def test_more_than_a_car_takes_goes_through_a_trucks_wide_hose(litres, takes_s):
    """100 l/min instead of 35 (common practice, no source)."""
    flow = MeterFlow("M1", np.zeros(1), np.array([900.0]), np.array([litres]))
    assert stamped(flow, "start").end_s == pytest.approx(takes_s)
    assert stamped(flow, "end").start_s == pytest.approx(900.0 - takes_s)
