"""When a gauge is called noisy. Truth by construction: the days' scatter is written by hand."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.finding import Finding
from pipeline.cases.gauges import gauge_findings
from pipeline.estimate.observe import SiteObserved, observe_site
from pipeline.features.probe import ProbeDay, StuckSpan
from pipeline.ledger.movements import MeterFlow
from tests.support.hand_site import HandSite, HandTank, steady_sales
from tests.support.hand_unit import START_S


@pytest.fixture(scope="module")
def site() -> SiteObserved:
    return observe_site(HandSite([HandTank(sales=steady_sales(5))]).tables())


def noisy_days(site: SiteObserved, scatter_mm: list[float]) -> list[int]:
    """The days on which the tank's gauge was raised as noisy, the first day's number being 0."""
    days = [ProbeDay(day, 144, 0.0, 0.2, mm, 0, 0.1, 1.0) for day, mm in enumerate(scatter_mm)]
    unit = replace(site.units[0], probe={"T1": days}, stuck=[])
    return [one.day for one in gauge_findings(replace(site, units=[unit]))]


def test_a_scatter_that_comes_and_stays_is_noise(site):
    assert noisy_days(site, [0.2] * 10 + [1.2] * 5) == [11]


def test_a_busy_tank_whose_scatter_always_varied_is_not_noisy_on_one_more_such_day(site):
    """A day of a month ago was as bad and passed: the level does that by itself."""
    rng = np.random.default_rng(20_261_129)
    usual = (0.2 + 0.2 * rng.random(40)).tolist()
    assert noisy_days(site, [*usual[:20], 0.8, *usual[20:], 1.1, 1.0]) == []
    assert noisy_days(site, [*usual, 1.1, 1.0]) == [41]


FIRST = 20_458


def troubled(site: SiteObserved, days: list[ProbeDay], others: Sequence[ProbeDay] = ()) -> list[Finding]:
    unit = replace(site.units[0], probe={"T1": days} | ({"T2": list(others)} if others else {}), stuck=[])
    return [one for one in gauge_findings(replace(site, units=[unit])) if one.tank_id == "T1"]


def day(number: int, *, readings: int = 144, bad: float = 0.0, regular: float = 1.0) -> ProbeDay:
    return ProbeDay(number, readings, bad, 0.2, 0.2, 0, 0.1, regular)


@pytest.mark.parametrize(("bad", "count"), [(0.12, 0), (0.13, 1), (0.6, 1)])
def test_a_day_that_loses_more_than_an_eighth_of_its_readings_is_trouble(site, bad, count):
    days = [*(day(k) for k in range(8)), day(8, bad=bad), *(day(k) for k in (9, 10, 11))]
    found = troubled(site, days)
    assert len(found) == count
    for one in found:
        assert (one.cause, one.day, one.start_s, one.end_s) == ("probe_fault", 8, 8 * 86_400.0, 9 * 86_400.0)
        # Null: a share lost falls off with one in a hundred; 0.13 of it is e^−13.
        p = max(np.exp(-bad / 0.01), 1e-12)
        assert one.log_odds == pytest.approx(-7.0 - 1.0 - np.log(p) - np.log(-np.log(p)))


def test_a_gauge_that_always_loses_some_is_judged_by_its_own(site):
    usual = [day(k, bad=0.1) for k in range(8)]
    assert troubled(site, [*usual, day(8, bad=0.39), day(9, bad=0.1)]) == []
    assert len(troubled(site, [*usual, day(8, bad=0.41), day(9, bad=0.1)])) == 1


@pytest.mark.parametrize(("readings", "count"), [(87, 0), (86, 1)])
def test_a_gauge_that_falls_silent_while_its_site_s_others_read_is_at_fault(site, readings, count):
    """Less than six tenths of 144, two days running."""
    days = [*(day(k) for k in range(8)), day(8, readings=readings), day(9, readings=readings), day(10)]
    reads = [day(k) for k in range(11)]
    silent = [*reads[:8], day(8, readings=20), day(9, readings=20), day(10)]
    assert len(troubled(site, days, reads)) == count
    assert troubled(site, days, silent) == []


def test_one_silent_day_is_no_case(site):
    reads = [day(k) for k in range(11)]
    assert troubled(site, [*reads[:8], day(8, readings=40), *reads[9:]], reads) == []


@pytest.mark.parametrize(("readings", "count"), [(299, 0), (301, 1)])
def test_a_gauge_on_exception_that_reports_half_as_often_again_as_ever_is_at_fault(site, readings, count):
    counts = [200] * 8 + [readings] * 2
    days = [day(k, readings=count, regular=0.2) for k, count in enumerate(counts)]
    assert len(troubled(site, days)) == count


def stuck(site: SiteObserved, sold_l: float, *, hours: float = 2.0) -> list[Finding]:
    """A tank of 5 l a millimetre that stands still from hour 30 on while so much is sold within the first hour."""
    start = START_S + 30 * 3_600.0
    flow = MeterFlow("M1", np.array([start + 60.0]), np.array([start + 3_600.0]), np.array([sold_l]))
    span = StuckSpan(start, start + 3_600.0 * hours, sold_l, start + 3_600.0, sold_l)
    unit = replace(site.units[0], probe={}, stuck=[span], flows=[flow])
    return gauge_findings(replace(site, units=[unit]))


@pytest.mark.parametrize(("fallen_mm", "count"), [(9.0, 0), (11.0, 1)])
def test_a_level_that_stands_still_is_stuck_beyond_a_float_s_play(site, fallen_mm, count):
    """Null: the float hangs by 2 mm (SD): 10 mm are five of them, p = 5.7e-7 says 11 ÷ e to one, −7 before it."""
    found = stuck(site, 5.0 * fallen_mm)
    assert len(found) == count
    for one in found:
        assert (one.cause, one.day, one.tank_id) == ("probe_fault", FIRST + 1, "T1")
        assert one.end_s == one.start_s + 7_200.0
        assert one.evidence[1].value == pytest.approx(55.0)
