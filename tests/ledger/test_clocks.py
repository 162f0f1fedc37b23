"""How far a till is ahead of its gauge. Evidence: known truth by construction, both signs."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.ledger.clocks import FEWEST_LITRES, TankMovement, day_lag
from tests.support.hand_unit import flow_of, gauge_of

HOURS = np.arange(0.0, 24.0, 1 / 60)
SALES_H = np.sort(np.random.default_rng(5).uniform(3.0, 21.0, 40))


def tank(ahead_s: float, *, litres: float = 30.0, noise_l: float = 1.0, seed: int = 1) -> TankMovement:
    """A tank whose sales of two minutes the till books so much later than the gauge sees them leave."""
    into = (HOURS[:, None] - SALES_H + 2 / 60) * 30.0
    gone = litres * np.clip(into, 0.0, 1.0).sum(axis=1)
    noise = np.random.default_rng(seed).normal(0.0, noise_l, len(HOURS))
    series = gauge_of(HOURS, 1_500.0 - (gone + noise) / 5.0, nominal_s=60.0)
    flow = flow_of(*((float(hour) + ahead_s / 3_600.0, litres) for hour in SALES_H))
    return TankMovement(series, [flow], np.ones(len(series), dtype=bool))


@pytest.mark.parametrize("ahead_s", [0.0, 40.0, -40.0, 600.0, -600.0, 3_600.0, -3_600.0])
def test_a_till_s_lead_is_told_with_its_sign(ahead_s):
    told = day_lag([tank(ahead_s)])
    assert told is not None
    assert told.lag_s == pytest.approx(ahead_s, abs=10.0)
    assert told.sd_s < 10.0
    assert told.fit > 0.8
    assert told.gain == pytest.approx(0.0, abs=0.01) if ahead_s == 0.0 else told.gain > 0.05


@pytest.mark.parametrize("ahead_s", [0.0, 600.0])
def test_what_a_fast_gauge_scatters_by_hides_no_clock(ahead_s):
    """Read every ten seconds, of a tank that scatters by as much as a hose draws in that time."""
    hours = np.arange(0.0, 24.0, 10 / 3_600)
    into = (hours[:, None] - SALES_H + 2 / 60) * 30.0
    gone = 60.0 * np.clip(into, 0.0, 1.0).sum(axis=1)
    noise = np.random.default_rng(1).normal(0.0, 5.0, len(hours))
    series = gauge_of(hours, 1_500.0 - (gone + noise) / 5.0, nominal_s=10.0)
    flow = flow_of(*((float(hour) + ahead_s / 3_600.0, 60.0) for hour in SALES_H))
    told = day_lag([TankMovement(series, [flow], np.ones(len(series), dtype=bool))])
    assert told is not None
    assert told.lag_s == pytest.approx(ahead_s, abs=15.0)
    assert told.fit > 0.3


def test_several_tanks_tell_it_together_and_one_whose_sales_explain_nothing_spoils_it_little():
    blind = TankMovement(tank(0.0).series, [flow_of((2.0, 30.0))], np.ones(len(HOURS), dtype=bool))
    told = day_lag([tank(600.0), tank(600.0, seed=2), blind])
    assert told is not None
    assert told.lag_s == pytest.approx(600.0, abs=10.0)
    alone = day_lag([tank(600.0)])
    assert alone is not None and told.fit < alone.fit


@pytest.mark.parametrize(("litres", "is_told"), [(7.0, False), (8.0, True)])
def test_a_site_that_sold_little_says_nothing(litres, is_told):
    """40 sales: 280 or 320 l, where 300 are the fewest."""
    assert 40 * 7.0 < FEWEST_LITRES < 40 * 8.0
    assert (day_lag([tank(600.0, litres=litres, noise_l=0.0)]) is not None) is is_told


def test_what_is_left_out_tells_nothing():
    none = TankMovement(tank(0.0).series, tank(0.0).flows, np.zeros(len(HOURS), dtype=bool))
    assert day_lag([none]) is None
    assert day_lag([]) is None
    assert day_lag([TankMovement(tank(0.0).series, [], np.ones(len(HOURS), dtype=bool))]) is None


def test_a_day_later_is_the_same():
    """The same sales and falls, a day later: nothing hangs on the date."""
    one = tank(600.0)
    series = replace(one.series, ts_s=one.series.ts_s + 86_400.0)
    flow = replace(one.flows[0], start_s=one.flows[0].start_s + 86_400.0, end_s=one.flows[0].end_s + 86_400.0)
    first, later = day_lag([one]), day_lag([TankMovement(series, [flow], one.usable)])
    assert first is not None and later is not None
    assert later.lag_s == pytest.approx(first.lag_s, abs=1.0)


def hourly_tank(drawn_h: list[float], stamped_h: list[float], *, litres: float = 500.0) -> TankMovement:
    """A tank read on the hour, for a day and more; each draw lasts ten minutes, and is stamped for ten minutes too."""
    hours = np.arange(0.0, 30.0)
    gone = litres * np.clip((hours[:, None] - np.array(drawn_h)) * 6.0, 0.0, 1.0).sum(axis=1)
    series = gauge_of(hours, 2_000.0 - gone / 5.0, nominal_s=3_600.0)
    flow = flow_of(*((hour + 1 / 6, litres) for hour in stamped_h), minutes=10.0)
    return TankMovement(series, [flow], np.ones(len(hours), dtype=bool))


def test_readings_hours_apart_do_not_tell_a_lag_within_them():
    """A draw at 20 past is between the same two readings wherever from 0 to 50 past its sale stands: no lag is sure."""
    at = [5 + 1 / 3, 10 + 1 / 3, 15 + 1 / 3]
    told = day_lag([hourly_tank(at, at)])
    assert told is not None
    assert told.lag_s == pytest.approx(0.0, abs=1.0)
    assert told.sd_s > 300.0


def test_one_sale_across_a_slow_reading_makes_no_clock_sure():
    """Drawn 9:45 to 9:55 and stamped 10:02: seven minutes late, or paid at a counter. Two more say as little."""
    told = day_lag([hourly_tank([9.75, 14.4, 18.4], [10.0 + 2 / 60, 14.4, 18.4])])
    assert told is not None
    assert abs(told.lag_s) < 4.0 * told.sd_s


def test_an_hour_s_skew_of_slow_readings_is_still_told():
    at = [8.3, 9.8, 11.9, 13.4, 14.7, 15.9, 17.3, 18.95]
    told = day_lag([hourly_tank(at, [hour + 1.0 for hour in at])])
    assert told is not None
    assert told.lag_s == pytest.approx(3_600.0, abs=900.0)
    assert told.lag_s > 6.0 * told.sd_s


def test_one_draw_that_nobody_booked_leaves_the_rest_of_the_day_as_well_explained():
    """600 l leave within half an hour at one in the night: the day's fit falls, its fit without that hour hardly."""
    whole = tank(0.0)
    gone = 600.0 * np.clip((HOURS - 1.0) * 2.0, 0.0, 1.0)
    robbed = replace(whole, series=replace(whole.series, gauge_l=whole.series.gauge_l - gone))
    told, calm = day_lag([robbed]), day_lag([whole])
    assert told is not None and calm is not None
    assert told.fit < calm.fit - 0.3
    assert told.calm_fit == pytest.approx(calm.calm_fit, abs=0.05)
