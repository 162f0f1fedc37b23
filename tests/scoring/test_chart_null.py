"""How far off charts usually are. Evidence: values worked by hand, and the likelihood of a twin that draws the data."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.stats import multivariate_normal

from pipeline.analysis import analyse_site
from pipeline.cases.finding import Finding
from pipeline.scoring.chart_null import (
    EVERY_DAYS,
    MEDIAN_OF_SQUARE,
    PRIOR_TANKS,
    STATED,
    ChartBelief,
    ChartSeen,
    by_own_walls,
    fleet_width,
    off_by,
    with_standing_out,
)
from pipeline.scoring.statements import Limits
from tests.support.hand_site import HandSite, HandTank, Poured, steady_sales

DAY = 20_503
"""A day on which charts are looked over: 2,929 weeks."""
START_S = (DAY - 14) * 86_400.0
N = len(STATED)
NOISE = 0.01


def belief(
    *seen: float, day: int = DAY, rival: float = -5.0, noise: float = NOISE, adds_pct: float = 0.1
) -> ChartBelief:
    """What is believed of coefficients, N(0, 1) before, of which `seen`, then noughts, were read with a variance.

    Between the two levels that were seen one of each adds `adds_pct` of the capacity.
    """
    y = np.zeros(N)
    y[: len(seen)] = seen
    v = noise / (1.0 + noise)
    adds = np.array([np.zeros(N), np.full(N, adds_pct)])
    return ChartBelief(day, v * y / noise, v * np.eye(N), rival, adds)


def chart(name: str, squares=(1.0, 1.0, 1.0), *, seen=(), named=None, day: int = DAY) -> ChartSeen:
    return ChartSeen("S1", name, name, START_S, np.array([day]), np.array([squares]), tuple(seen), named or {})


def others(*squares: tuple[float, float, float], day: int = DAY) -> list[ChartSeen]:
    return [chart(f"T{k}", one, day=day) for k, one in enumerate(squares, start=2)]


TIGHT, LOOSE = [(0.0, 0.0, 0.0)] * 45, [(1.0, 1.0, 4.0)] * 10


def wrong(**more) -> Finding:
    values = {"site_id": "S1", "unit_id": "T1", "tank_id": "T1", "day": DAY, "start_s": 0.0, "end_s": None}
    return Finding("chart_error", log_odds=5.0, of_balance=True, **(values | more))


def test_the_bulk_of_a_fleet_says_how_far_off_its_charts_are():
    """Ten charts of which the middle one's mean square is 4, beside the prior's five of 1: (5 + 10 · 4) / 15 = 3."""
    assert PRIOR_TANKS == 5.0
    squares = np.array([4.0] * 8 + [90.0, 0.1] + [np.nan] * 20)
    assert fleet_width(squares, "bands") == pytest.approx(np.sqrt(3.0))
    assert fleet_width(MEDIAN_OF_SQUARE * squares, "offset") == pytest.approx(np.sqrt(3.0))
    assert fleet_width(np.full(45, 0.0), "scale") == pytest.approx(np.sqrt(0.1))
    assert fleet_width(np.array([np.nan]), "scale") == fleet_width(np.empty(0), "bands") == 1.0


@pytest.mark.parametrize("width", [1.0, 2.5])
def test_coefficients_as_stated_come_to_a_mean_square_of_one(width):
    """Of 2,000 coefficients N(0, k²), each read off by 0.1: next to k² (1 − v), over 1 − v."""
    rng = np.random.default_rng(7)
    y = width * rng.standard_normal(2_000) + 0.1 * rng.standard_normal(2_000)
    v = NOISE / (1.0 + NOISE)
    assert off_by(v * y / NOISE, v * np.eye(2_000)) == pytest.approx(width**2, rel=0.05)
    assert np.isnan(off_by(np.ones(2), 0.6 * np.eye(2)))


def test_the_likelihood_by_another_prior_is_that_of_the_data():
    """Twin: y = β + e of an SD of 0.1; under β ~ N(0, k²) each, y ~ N(0, k² + 0.01)."""
    y = np.array([3.0, -1.2, 0.4])
    told = belief(*y)
    full = np.concatenate([y, np.zeros(N - 3)])
    for width in (0.4, 1.0, 2.5):
        twin = [multivariate_normal.logpdf(full, cov=(k**2 + NOISE) * np.eye(N)) for k in (width, 1.0)]
        found = told.log_likelihood(np.full(N, width)) - told.log_likelihood(np.ones(N))
        assert found == pytest.approx(twin[0] - twin[1])


def odds(*fleet: ChartSeen, finding: Finding | None = None) -> float:
    """Of bands called wrong that lie six stated sizes off in one direction."""
    mine = chart("T1", (1.0, 1.0, 60.0), named={DAY: belief(0.0, 0.0, 6.0)})
    (told,) = by_own_walls([finding or wrong()], [mine, *fleet])
    return told.log_odds


def test_wrong_bands_are_weighed_by_the_walls_of_the_other_tanks():
    """Walls √3 times as uneven as stated: N(0, 3.01) of eight shapes, a six and seven noughts, against N(0, 1.01)."""
    gain = 0.5 * 36.0 * (1.0 / 1.01 - 1.0 / 3.01) - 0.5 * 8.0 * np.log(3.01 / 1.01)
    assert odds(*others(*LOOSE)) == pytest.approx(5.0 - gain)
    assert odds(*others(*LOOSE, day=DAY + 1)) == 5.0
    assert odds() == 5.0
    assert odds(*others(*TIGHT)) == 5.0  # walls that fit better make none surer that was named


def test_another_cause_another_tank_or_another_day_keeps_its_odds():
    fleet = others(*LOOSE)
    assert odds(*fleet, finding=wrong(unit_id="T2")) == 5.0
    assert odds(*fleet, finding=wrong(day=DAY + 3)) == 5.0
    assert odds(*fleet, finding=replace(wrong(), cause="tank_leak")) == 5.0


def raised(*seen: ChartBelief, fleet=TIGHT, findings=(), last_day: int = DAY) -> list[Finding]:
    return with_standing_out(list(findings), [chart("T1", seen=seen), *others(*fleet)], last_day)


def test_an_offset_that_no_other_chart_has_is_a_wrong_chart():
    """2.6 times the stated 14 mm, where others are off by next to nothing; among others like it, it is one of them."""
    (found,) = raised(belief(0.0, 2.6))
    assert (found.cause, found.tank_id, found.day, found.end_s) == ("chart_error", "T1", DAY, None)
    assert "tilt" in found.evidence[0].name
    off, usual, most = found.evidence[1:]
    assert (off.value, off.unit, off.note) == (pytest.approx(14.0 * 2.6 / 1.01), "mm", "± 2.8 mm")
    assert usual.value == pytest.approx(14.0 * np.sqrt(0.1))  # 45 charts that are off by nothing, and five as stated
    assert (most.value, most.unit) == (pytest.approx(0.26, abs=0.0002), "%")
    assert raised(belief(0.0, 2.6), fleet=LOOSE) == raised(belief(0.0, 0.3)) == []
    assert raised(belief(0.0, 2.6, noise=4.0)) == []


@pytest.mark.parametrize(("adds_pct", "cases"), [(0.0577, 0), (-0.0577, 0), (0.0578, 1), (-0.0578, 1)])
def test_a_chart_that_is_off_by_less_than_a_new_one_is_worth_is_none(adds_pct, cases):
    """Let loose by 60 mm beside √0.1 of 14, the 2.6 that were read are 2.6 · 18.47 / 18.48: 0.15 % at 0.05773 each."""
    assert len(raised(belief(0.0, 2.6, adds_pct=adds_pct))) == cases


def test_it_leads_what_else_could_be_and_is_raised_by_the_last_day():
    assert raised(belief(0.0, 2.6, rival=40.0)) == []
    assert raised(belief(0.0, 2.6, day=DAY + EVERY_DAYS)) == []
    feed = replace(wrong(), cause="wrong_feed", day=DAY - 3)
    assert raised(belief(0.0, 2.6), findings=[feed]) == [feed]


def test_a_chart_that_stands_out_before_its_walk_calls_it_wrong_is_one_case():
    (found,) = raised(belief(0.0, 2.6), findings=[wrong(day=DAY + 5, start_s=START_S)])
    assert found.day == DAY
    another = wrong(day=DAY + 40, start_s=START_S + 30 * 86_400.0)  # a chart that came after it
    assert len(raised(belief(0.0, 2.6), findings=[another])) == 2


def test_a_site_tells_of_each_tank_how_far_its_chart_is_off():
    """An upright tank whose chart is right, 32 times 60 l a day for 24 days, filled up every third."""
    days = 24
    drops = [Poured(24.0 * day + 2.0, 5_760.0, minutes=20.0) for day in range(3, days, 3)]
    tank = HandTank("T1", sales=steady_sales(days, litres=60.0), drops=drops)
    site = HandSite([tank], days=days, noise_mm=0.05)
    site.tickets = [(f"D{k}", "T1", one.hour, one.litres) for k, one in enumerate(drops)]
    result = analyse_site(site.tables(), 10**6, Limits())
    assert result is not None
    (seen,) = result.charts
    assert (seen.unit_id, seen.squares.shape) == ("T1", (len(seen.days), 3))
    assert np.nanmax(seen.squares[-1]) < 1.5
    assert {one.day % EVERY_DAYS for one in seen.seen} == {0}
    assert min(one.day for one in seen.seen) >= seen.days[0] + 7
    assert len(seen.seen[0].mean) == N
    # A chart whose scale is off by one stated size, 0.003, is off by 0.3 % of what lies between two levels.
    capacity_l = float(site.tables()["tanks"]["capacity_l"].item())
    levels = site.tables()["readings"]["level_mm"].to_numpy()
    between_l = (
        np.ptp(levels)
        * site.tables()["strapping"].select(pl.col("volume_l").diff() / pl.col("level_mm").diff())[1].item()
    )
    assert np.ptp(seen.seen[-1].adds_pct[:, 0]) == pytest.approx(0.3 * between_l / capacity_l, rel=0.1)
