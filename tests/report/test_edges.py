"""Kind of evidence: property, and numbers by hand: an odd point flattens no chart, and none is lost."""

from datetime import date, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.report.edges import bulk_range
from tests.report.test_figures import charts_of, ledger

VALUES = st.lists(st.floats(-1e6, 1e6), min_size=10, max_size=200)


@given(VALUES, st.floats(1.0, 50.0))
def test_what_widens_a_chart_leaves_the_bulk_a_quarter_of_its_height(values, least):
    low, high = bulk_range(values, least)
    inside = sorted(v for v in values if low <= v <= high)
    # The bulk by the definition: all but one in fifty at either end, rounded up.
    tail = -(-len(values) // 50)
    bulk = sorted(values)[tail : len(values) - tail]
    width = max(bulk[-1] - bulk[0], least)
    assert inside[-1] - inside[0] <= 4.0 * width * (1 + 1e-9)
    assert set(bulk) <= set(inside)


@given(VALUES, st.floats(2e6, 1e9), st.booleans())
def test_one_point_however_far_changes_nothing_for_the_others(values, far, is_up):
    odd = far if is_up else -far
    low, high = bulk_range([*values, odd], 1.0)
    further = bulk_range([*values, odd * 1000.0], 1.0)
    assert (low, high) == further
    assert not low <= odd * 1000.0 <= high


def test_few_points_have_no_odd_ones():
    assert bulk_range([0.0] * 8 + [1e9], 1.0) == (float("-inf"), float("inf"))


def test_an_odd_level_is_marked_at_the_edge_with_what_it_is_and_kept_from_the_range():
    n = 100
    rows = ledger(n).with_columns(
        gauge_end_l=pl.when(pl.int_range(pl.len()) == 42).then(4_000_000.0).otherwise("gauge_end_l")
    )
    chart = charts_of({"ledger": rows})["stock"]
    low, high = chart["bounds"]["y"]
    # Ninety-four in a hundred of the 9000 to 8000 l, and half as much again on either side.
    assert low == pytest.approx(8000.0 - 1.5 * 1000.0, abs=100.0)
    assert high == pytest.approx(9000.0 + 1.5 * 1000.0, abs=100.0)
    line, marks = chart["traces"]
    assert line["y"][42] == 4_000_000.0
    assert marks["x"] == [line["x"][42]]
    assert marks["text"][0].replace("\u202f", " ") == "+4 000 000.0 l, beyond what is drawn"
    assert 0.9 < marks["y"][0] < 1.0 and chart["layout"]["yaxis8"]["range"] == [0, 1]


def test_a_days_bars_are_odd_by_their_sum_and_a_usual_chart_has_no_marks():
    days = pl.DataFrame(
        {"tank_id": ["T"] * 30, "trading_day": [date(2026, 3, 1) + timedelta(i) for i in range(30)]}
    ).with_columns(variance_l=(pl.int_range(pl.len()) % 7 - 3.0) * 10.0)
    halves = [days.select("tank_id", "trading_day", part=pl.lit(p), litres=pl.col("variance_l") / 2)
              for p in ("thermal", "residual")]  # fmt: skip
    usual = charts_of({"tank_days": days, "variance_parts": pl.concat(halves)})["parts"]
    assert "bounds" not in usual
    odd = days.with_columns(variance_l=pl.when(pl.int_range(pl.len()) == 11).then(-9000.0).otherwise("variance_l"))
    halves = [odd.select("tank_id", "trading_day", part=pl.lit(p), litres=pl.col("variance_l") / 2)
              for p in ("thermal", "residual")]  # fmt: skip
    chart = charts_of({"tank_days": odd, "variance_parts": pl.concat(halves)})["parts"]
    low, high = chart["bounds"]["y"]
    assert -9000.0 < low < -30.0 and 30.0 <= high < 200.0
    assert chart["traces"][-1]["x"] == ["2026-03-12 12:00"]
    assert chart["traces"][-1]["marker"]["symbol"] == ["triangle-down-open"]
