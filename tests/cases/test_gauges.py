"""When a gauge is called noisy. Truth by construction: the days' scatter is written by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.gauges import gauge_findings
from pipeline.estimate.observe import SiteObserved, observe_site
from pipeline.features.probe import ProbeDay
from tests.support.hand_site import HandSite, HandTank, steady_sales


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
