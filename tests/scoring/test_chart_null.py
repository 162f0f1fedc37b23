"""How uneven walls usually are. Evidence: values worked by hand, and the likelihood of a twin that inverts matrices."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from pipeline.analysis import analyse_site
from pipeline.cases.finding import Finding
from pipeline.scoring.chart_null import (
    PRIOR_TANKS,
    WIDTHS,
    ChartSeen,
    by_own_walls,
    fleet_width,
    lost_odds,
    uneven_of,
)
from pipeline.scoring.statements import Limits
from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales

DAY = 20_500
LOST = -np.log(WIDTHS)


def wrong(**more) -> Finding:
    values = {"site_id": "S1", "unit_id": "T1", "tank_id": "T1", "day": DAY, "start_s": 0.0, "end_s": None}
    return Finding("chart_error", log_odds=5.0, **(values | more))


def others(*uneven: float, day: int = DAY) -> list[ChartSeen]:
    return [ChartSeen(f"T{k}", np.array([day]), np.array([one]), {}) for k, one in enumerate(uneven, start=2)]


def odds(*fleet: ChartSeen, finding: Finding | None = None) -> float:
    mine = ChartSeen("T1", np.array([DAY]), np.array([60.0]), {DAY: LOST})
    (told,) = by_own_walls([finding or wrong()], [mine, *fleet])
    return told.log_odds


def test_the_bulk_of_a_fleet_says_how_uneven_its_walls_are():
    """Ten tanks of which the middle one's mean square is 4, beside the prior's five of 1: (5 + 10 · 4) / 15 = 3."""
    assert PRIOR_TANKS == 5.0
    assert fleet_width(np.array([4.0] * 8 + [90.0, 0.1])) == pytest.approx(np.sqrt(3.0))
    assert fleet_width(np.array([4.0] * 8 + [90.0, 0.1] + [np.nan] * 20)) == pytest.approx(np.sqrt(3.0))


def test_smooth_walls_make_none_wrong_and_neither_does_a_fleet_that_tells_nothing():
    assert fleet_width(np.full(50, 0.1)) == 1.0
    assert fleet_width(np.array([np.nan])) == fleet_width(np.empty(0)) == 1.0


def test_wrong_bands_are_weighed_by_the_walls_of_the_other_tanks():
    assert odds(*others(*[4.0] * 10)) == pytest.approx(5.0 - np.log(np.sqrt(3.0)), abs=0.005)
    assert odds(*others(*[4.0] * 10, day=DAY + 1)) == 5.0
    assert odds() == 5.0


def test_another_cause_another_tank_or_another_way_keeps_its_odds():
    fleet = others(*[4.0] * 10)
    assert odds(*fleet, finding=wrong(unit_id="T2")) == 5.0
    assert odds(*fleet, finding=wrong(day=DAY + 3)) == 5.0
    leak = replace(wrong(), cause="tank_leak")
    assert odds(*fleet, finding=leak) == 5.0


def test_shapes_as_stated_come_to_a_mean_square_of_one():
    """Of 4,000 coefficients N(0, k²), each seen through noise of an SD of a half: v = 0.2, m = 0.8 of what was seen."""
    rng = np.random.default_rng(7)
    for width in (1.0, 2.5):
        seen = width * rng.standard_normal(4_000) + 0.5 * rng.standard_normal(4_000)
        uneven = uneven_of(0.8 * seen, np.full(4_000, 0.2))
        assert uneven == pytest.approx((width**2 + 0.25) * 0.64 / 0.8, rel=0.05)
    assert pytest.approx(1.0) == (1.0 + 0.25) * 0.64 / 0.8
    assert np.isnan(uneven_of(np.ones(8), np.array([0.4] + [0.6] * 7)))


def test_the_odds_that_wider_walls_take_are_those_of_the_marginal_likelihood():
    """Twin: y = β + e of an SD of 0.3; under β ~ N(0, k²) each, y ~ N(0, k² + 0.09)."""
    y, noise = np.array([3.0, -1.2, 0.4]), 0.09
    v = 1.0 / (1.0 + 1.0 / noise)
    found = lost_odds(v * y / noise, np.full(3, v))
    twin = np.array([multivariate_normal.logpdf(y, cov=(width**2 + noise) * np.eye(3)) for width in WIDTHS])
    assert found == pytest.approx(np.minimum(twin[0] - twin, 0.0))
    assert found.min() < -1.0 and found[0] == 0.0
    # What lies as near as stated is foretold best as stated: nothing is lost, and nothing is won.
    assert lost_odds(v * np.full(3, 0.1) / noise, np.full(3, v)) == pytest.approx(np.zeros(len(WIDTHS)))


def test_a_site_tells_of_each_tank_how_uneven_its_walls_are():
    """An upright tank whose chart is right, 32 times 60 l a day for 24 days, filled up every third."""
    days = 24
    drops = [Poured(24.0 * day + 2.0, 5_760.0, minutes=20.0) for day in range(3, days, 3)]
    tank = HandTank("T1", sales=steady_sales(days, litres=60.0), drops=drops)
    site = HandSite([tank], days=days, noise_mm=0.05)
    site.tickets = [(f"D{k}", "T1", one.hour, one.litres) for k, one in enumerate(drops)]
    result = analyse_site(site.tables(), 10**6, Limits())
    assert result is not None
    (seen,) = result.charts
    assert (seen.unit_id, len(seen.uneven)) == ("T1", len(seen.days))
    assert seen.known(int(seen.days[-1])) < 1.0
    assert np.isnan(seen.known(int(seen.days[0]) - 1))
