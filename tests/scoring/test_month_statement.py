"""A month's statement from what its runs believed. Evidence: worked by hand, both sides of each edge of the month."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.cases.finding import Finding
from pipeline.features.trading_days import TradingDays
from pipeline.scoring.statements import Limits, Statement, longest_rest_h, month_leak, statements
from pipeline.scoring.unit_days import UnitDays
from tests.support.hand_unit import (
    FIRST_DAY,
    balance_by,
    believing,
    days_of,
    dips_of,
    flow_of,
    gauge_of,
    seen_of,
    unit_of,
    view_of,
    walk_of,
    walked_of,
)

EPOCH = date(1970, 1, 1)
JANUARY, FEBRUARY = date(2026, 1, 1), date(2026, 2, 1)
HOURS = np.arange(0.0, 72.0, 6.0)


def number(day: date) -> int:
    return (day - EPOCH).days


def walked(*leaks: tuple[date, float, float], flows=()):
    """A walk whose runs of those days say so of their month's leak so far."""
    dips = dips_of(HOURS, 1_000.0)
    unit = unit_of(gauge_of(HOURS, 1_000.0))
    balance = balance_by(unit, dips)
    belief = believing(balance)
    views = [view_of(number(day), belief, month_leak=(leak, sd)) for day, leak, sd in leaks]
    return walked_of(seen_of(unit, flows=flows), dips, walk_of(balance, views))


def test_a_month_s_leak_is_what_its_own_last_run_says():
    """That of 31 January; what 1 February says is February's, and 31 December's is December's."""
    walk = walked(
        (date(2025, 12, 31), 7.0, 0.1), (date(2026, 1, 1), 1.0, 0.1), (date(2026, 1, 31), 2.0, 0.2),
        (date(2026, 2, 1), 3.0, 0.3), (date(2026, 2, 28), 4.0, 0.4), (date(2026, 3, 1), 9.0, 0.1),
    )  # fmt: skip
    assert month_leak(walk, JANUARY) == (2.0, 0.2)
    assert month_leak(walk, FEBRUARY) == (4.0, 0.4)
    assert month_leak(walk, date(2025, 12, 1)) == (7.0, 0.1)
    assert np.isnan(month_leak(walk, date(2026, 4, 1))).all()
    assert np.isnan(month_leak(None, JANUARY)).all()


@pytest.mark.parametrize(("leak", "sd"), [(np.nan, 0.1), (1.0, np.inf), (1.0, 1_000.0)])
def test_a_run_that_could_not_tell_says_nothing(leak, sd):
    assert np.isnan(month_leak(walked((date(2026, 1, 31), leak, sd)), JANUARY)).all()


def days(count: int, first: date, *, dips_a_day: int = 48, sold_l: float = 640.0) -> UnitDays:
    """So many trading days from midnight on that sell the same and end 2 l short of the book."""
    start_h = 24.0 * (number(first) - FIRST_DAY)
    bounds_h = start_h + 24.0 * np.arange(count + 1.0)
    unit = unit_of(gauge_of(HOURS, 1_000.0))
    made = days_of(unit, bounds_h.tolist(), 1_900.0, sold_l=np.full((count, 1), sold_l))
    dates = tuple(first + timedelta(days=n) for n in range(count))
    stock = 9_500.0 - (sold_l + 2.0) * np.arange(count + 1.0)
    last = dips_a_day * np.arange(count + 1) - 1
    return replace(made, days=TradingDays(dates, made.days.bounds_s), stock_l=stock, last_dip=last)


def stated(
    *leaks: tuple[date, float, float], count: int = 31, first: date = JANUARY, hidden_mm: float = 0.1,
    findings: tuple[Finding, ...] = (), dips_a_day: int = 48, flows=(),
) -> list[Statement]:  # fmt: skip
    made = days(count, first, dips_a_day=dips_a_day)
    walk = walked(*leaks, flows=flows)
    return statements(made, walk, findings, hidden_mm=np.full(count, hidden_mm), limits=Limits())


def test_throughput_and_variance_are_sums_of_the_month_s_days():
    """40 days from 1 January on: 31 of 640 l and 2 l short, then nine."""
    january, february = stated((date(2026, 1, 31), 0.1, 0.1), (date(2026, 2, 9), 0.1, 0.1), count=40)
    assert (january.month, january.throughput_l) == (JANUARY, pytest.approx(31 * 640.0))
    assert january.variance_l == pytest.approx(-62.0)
    assert (february.month, february.throughput_l) == (FEBRUARY, pytest.approx(9 * 640.0))
    assert february.variance_l == pytest.approx(-18.0)


@pytest.mark.parametrize(
    ("leak", "sd", "verdict"),
    # 0.757 l/h must be detectable: 3.29 SDs, so an SD of 0.230; half of it fails.
    [(0.0, 0.229, "pass"), (0.0, 0.231, "inconclusive"), (0.378, 0.1, "pass"), (0.379, 0.1, "fail"),
     (-2.0, 0.1, "pass")],
)  # fmt: skip
def test_a_month_passes_fails_or_says_nothing(leak, sd, verdict):
    (month,) = stated((date(2026, 1, 31), leak, sd))
    assert month.verdict == verdict
    assert month.detectable_l_per_h == pytest.approx(3.29 * sd)
    assert month.interval_l_per_h == pytest.approx((leak - 1.96 * sd, leak + 1.96 * sd))
    assert (month.reason is None) is (verdict != "inconclusive")


@pytest.mark.parametrize(("leak", "verdict"), [(0.1, "inconclusive"), (0.5, "inconclusive"), (0.6, "fail")])
def test_a_gauge_that_hides_changes_only_fails_beyond_doubt(leak, verdict):
    """0.8 mm hidden, SD 0.1: it fails where the whole interval, 0.196 to a side, lies beyond 0.3785."""
    (month,) = stated((date(2026, 1, 31), leak, 0.1), hidden_mm=0.8)
    assert month.verdict == verdict
    if verdict == "inconclusive":
        assert month.reason is not None and month.reason.startswith("deadband")


@pytest.mark.parametrize(("hidden_mm", "verdict"), [(0.74, "pass"), (0.75, "inconclusive")])
def test_three_quarters_of_a_millimetre_hidden_are_too_much(hidden_mm, verdict):
    (month,) = stated((date(2026, 1, 31), 0.1, 0.1), hidden_mm=hidden_mm)
    assert month.verdict == verdict


@pytest.mark.parametrize(("dips_a_day", "count", "start"), [(19, 31, "too few days: 0 of 31"), (20, 9, "too few")])
def test_days_count_with_twenty_half_hours_settled(dips_a_day, count, start):
    (month,) = stated((date(2026, 1, 8), 0.1, 0.4), dips_a_day=dips_a_day, count=count)
    assert month.verdict == "inconclusive"
    assert month.reason is not None and month.reason.startswith(start)
    assert bool(np.isnan(month.leak_l_per_h)) is (dips_a_day < 20)


@pytest.mark.parametrize(
    ("start", "end", "day", "is_reason"),
    [(10, None, 12, True), (-5, 2, 12, True), (-5, -1, 12, False), (33, None, 12, False), (10, None, 33, False)],
)
def test_a_fault_of_the_month_known_by_its_last_run_is_the_reason(start, end, day, is_reason):
    """Days counted from the month's first."""
    first = number(JANUARY)
    fault = Finding(
        "clock_skew", "S1", None, None, day=first + day, start_s=(first + start) * 86_400.0,
        end_s=None if end is None else (first + end) * 86_400.0, log_odds=3.0,
    )  # fmt: skip
    (month,) = stated((date(2026, 1, 31), 0.1, 0.5), findings=(fault,))
    assert month.reason is not None
    assert month.reason.startswith("a fault in the data: the clocks") is is_reason


def test_the_longest_rest_lies_between_sales_or_to_either_end_of_the_day():
    """Sales at 6, 12 and 22 h of day 0, none on day 1, one across the midnight after: 10, 24 and 23.5 h."""
    flows = [flow_of((6.0, 9.0), (12.0, 9.0), (22.0, 9.0), minutes=6.0), flow_of((72.5, 9.0), meter="M2", minutes=60)]
    unit = unit_of(gauge_of(HOURS, 1_000.0))
    walk = walked((JANUARY, 0.0, 1.0), flows=flows)
    told = longest_rest_h(days_of(unit, [0.0, 24.0, 48.0, 72.0, 96.0], 1_000.0), walk)
    assert told == pytest.approx([9.9, 24.0, 23.5, 23.5])
