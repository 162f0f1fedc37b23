"""Which of a sale's instants a till knows. Evidence: known truth by construction, worked by hand."""

import numpy as np
import pytest

from pipeline.ledger.clocks import TankMovement, day_clock, day_lag
from pipeline.ledger.movements import MeterFlow, in_order
from pipeline.ledger.stamps import LOADS_L_PER_MIN, odd_share, stamped
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


LOADS_L = RNG.uniform(2_000.0, 9_000.0, 12)
LOADS_END_H = np.linspace(4.0, 20.0, 12) + RNG.uniform(0.0, 0.2, 12)


def loaded(l_per_min: float) -> TankMovement:
    """A depot's tank of 5 l to the millimetre that loads road tankers, each booked when it is full."""
    into = np.clip(1.0 - (LOADS_END_H - HOURS[:, None]) * 60.0 * l_per_min / LOADS_L, 0.0, 1.0)
    gone = (into * LOADS_L).sum(axis=1)
    series = gauge_of(HOURS, 15_000.0 - gone / 5.0, nominal_s=60.0)
    flow = MeterFlow("M1", at_s(LOADS_END_H), at_s(LOADS_END_H), LOADS_L)
    return TankMovement(series, [flow], np.ones(len(HOURS), dtype=bool))


@pytest.mark.parametrize("l_per_min", LOADS_L_PER_MIN)
def test_the_levels_say_how_fast_loads_went(l_per_min):
    """Known truth; at a hundred litres a minute the largest would take an hour and a half."""
    clock = day_clock([loaded(l_per_min)])
    assert clock is not None and (clock.stamp, clock.load_l_per_min) == ("end", l_per_min)
    assert clock.lag_s == pytest.approx(0.0, abs=15.0)
    assert clock.fit > 0.9


def test_a_load_may_go_at_any_pace_of_its_kind():
    """6,000 l take from four minutes to an hour; a minute beyond either one of its instants is not the hose's."""
    ends_s = np.array([179.0, 181.0, 3_600.0, 3_659.0, 3_661.0])
    flow = MeterFlow("M1", np.zeros(5), ends_s, np.full(5, 6_000.0))
    assert odd_share([flow]) == pytest.approx(2.0 / 5.0)


@pytest.mark.parametrize(("sales", "apart_h", "each_s"), [(1, 0.01, 30.0), (9, 0.01, 10.0), (9, 0.0, 50.0)])
def test_a_lag_is_as_sure_as_its_sales_are_many(sales, apart_h, each_s):
    """Of nine alike, each off by half a minute, the mean is off by ten seconds; by 150 s of whole minutes, by fifty."""
    litres = np.full(sales, 900.0 / sales)
    ends = np.linspace(8.0, 16.0, sales) + apart_h * np.arange(sales)
    into = np.clip(1.0 - (ends - HOURS[:, None]) * 60.0 * 100.0 / litres, 0.0, 1.0)
    series = gauge_of(HOURS, 1_500.0 - (into * litres).sum(axis=1) / 5.0, nominal_s=60.0)
    flow = MeterFlow("M1", at_s(ends - litres / 6_000.0), at_s(ends), litres)
    clock = day_lag([TankMovement(series, [flow], np.ones(len(HOURS), dtype=bool))])
    assert clock is not None and each_s <= clock.sd_s < 1.5 * each_s
