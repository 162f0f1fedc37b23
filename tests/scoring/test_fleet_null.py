"""A month's leak against the fleet's own null. Evidence: worked by hand, property, known truth by construction."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.scoring.fleet_null import stretch_of, stretched
from pipeline.scoring.statements import Limits

JANUARY, FEBRUARY = date(2026, 1, 1), date(2026, 2, 1)


def months(rates, sd=0.1, month=JANUARY, verdict="pass"):
    """One month of as many tanks, each with a leak of so many litres an hour and the same SD."""
    rates = np.array(rates, dtype=float)
    return pl.DataFrame(
        {
            "tank_id": [f"T{number}" for number in range(len(rates))],
            "month": [month] * len(rates),
            "leak_rate_l_per_h": rates,
            "leak_rate_low": rates - 1.96 * sd,
            "leak_rate_high": rates + 1.96 * sd,
            "detectable_l_per_h": np.full(len(rates), 3.29 * sd),
            "verdict": [verdict] * len(rates),
            "reason": pl.Series([None] * len(rates), dtype=pl.String),
        }
    )


def width(frame):
    return ((frame["leak_rate_high"] - frame["leak_rate_low"]) / (2.0 * 1.96)).to_numpy()


def test_ten_months_of_prior_and_the_median_of_tight_ones():
    """Thirty months about 1.349 SDs from none, twice a normal's median of 0.6745.

    (10 + 30 · 4) ÷ 40 = 3.25, its root 1.803.
    """
    assert stretch_of(np.full(30, 1.349)) == pytest.approx(3.25**0.5, abs=1e-4)
    assert stretch_of(np.empty(0)) == 1.0


def test_a_calm_fleet_narrows_by_what_four_fifths_of_it_say_and_no_more_than_by_a_fifth():
    """Thirty months at 0.6745 · 0.8, and six of them at 1.2816 · 0.9: the half says 0.8, four fifths 0.9.

    (10 + 30 · 0.81) ÷ 40 = 0.8575, its root 0.926. With half of the months as calm and a fifth far off: no narrower.
    """
    assert stretch_of(np.array([0.6745 * 0.8] * 23 + [1.2816 * 0.9] * 7)) == pytest.approx(0.8575**0.5, abs=1e-4)
    assert stretch_of(np.array([0.5] * 23 + [1.5] * 7)) == 1.0
    assert stretch_of(np.full(1000, 0.3)) == 0.8


def test_a_narrower_month_is_no_surer_to_pass():
    calm = months(np.linspace(-0.06, 0.06, 100), sd=0.25, verdict="inconclusive")
    out = stretched(calm, Limits())
    assert width(out) == pytest.approx(0.8 * 0.25)
    assert out.select("detectable_l_per_h", "verdict").equals(calm.select("detectable_l_per_h", "verdict"))


def test_leaks_do_not_widen_what_is_nothing():
    """Known truth: gains and losses of the stated SD, and a third of the tanks with a leak of 1 l/h beside them."""
    rng = np.random.default_rng(5)
    sound = rng.normal(0.0, 0.1, 400)
    out = stretched(months([*sound, *np.full(200, 1.0)]), Limits())
    assert width(out) == pytest.approx(0.1, rel=0.06)


def test_a_fleet_that_scatters_twice_as_much_as_it_says_is_stretched_to_that():
    """Known truth: SD 0.2 where 0.1 is stated; then 95 % of the intervals hold nought, within counting error."""
    out = stretched(months(np.random.default_rng(6).normal(0.0, 0.2, 600)), Limits())
    holds = (out["leak_rate_low"] <= 0.0) & (out["leak_rate_high"] >= 0.0)
    assert holds.mean() == pytest.approx(0.95, abs=0.03)
    assert out["detectable_l_per_h"].to_numpy() == pytest.approx(3.29 * width(out))


def test_what_leans_one_way_in_every_tank_is_no_leak():
    """Known truth: every tank seems to lose 0.15 l/h, 1.5 of its SDs, and none leaks; one in twelve does, 2 l/h."""
    rng = np.random.default_rng(7)
    out = stretched(months([*rng.normal(0.15, 0.1, 220), *np.full(20, 2.0)]), Limits())
    holds = (out["leak_rate_low"] <= 0.0) & (out["leak_rate_high"] >= 0.0)
    assert holds[:220].mean() > 0.9
    assert not holds[220:].any()


def test_no_month_knows_a_later_one():
    calm, wild = months(np.linspace(-0.1, 0.1, 40)), months(np.linspace(-0.9, 0.9, 40), month=FEBRUARY)
    both = stretched(pl.concat([calm, wild]), Limits())
    assert both.head(40).equals(stretched(calm, Limits()))
    assert width(both)[-1] > 1.3 * width(both)[0]


def test_a_month_that_scatter_hides_is_inconclusive_and_says_so():
    """3.29 · 0.2 = 0.658 is told at 0.757; stretched by 1.8 it is not. One that lies wholly beyond it has failed."""
    frame = months([*-np.linspace(0.2697, 0.2699, 30), 0.5, 3.0], sd=0.2, verdict="pass")
    frame = frame.with_columns(verdict=pl.Series(["pass"] * 30 + ["fail"] * 2))
    out = stretched(frame, Limits())
    assert out["verdict"].to_list() == ["inconclusive"] * 31 + ["fail"]
    assert out["reason"].is_null().to_list() == [False] * 31 + [True]


def test_joined_tanks_that_say_the_same_month_count_once():
    one = months(-np.linspace(0.01, 0.5, 20))
    assert width(stretched(pl.concat([one, one]), Limits()))[0] == pytest.approx(width(stretched(one, Limits()))[0])


def test_months_without_a_leak_stay_as_they_are():
    nothing = months([-0.3, np.nan]).with_columns(pl.col(pl.Float64).fill_nan(None))
    out = stretched(nothing, Limits())
    assert out.row(1)[2:6] == (None, None, None, nothing.row(1)[5])
    assert stretched(nothing.clear(), Limits()).is_empty()
