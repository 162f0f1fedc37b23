"""Statements of months. Evidence: known truth by construction, contract."""

from datetime import date

import polars as pl
import pytest

from pipeline.cases.finding import Finding
from pipeline.scoring.statements import Limits
from tests.support.hand_site import START, HandSite, HandTank, Poured, steady_sales
from tests.support.site_run import published

HOURS = 24.0 * 16


def leaking_site(rate_l_per_h: float) -> HandSite:
    """Sixteen days of January; a tank loses so much an hour all the time, and is filled in good time."""
    lost = [Poured(0.0, rate_l_per_h * HOURS, 60.0 * HOURS)] if rate_l_per_h else []
    drops = [Poured(24.0 * day + 3.0, 3200.0, 10.0) for day in (4, 9, 14)]
    tickets = [(f"D{day}", "T1", 24.0 * day + 2.5, 3200.0) for day in (4, 9, 14)]
    return HandSite([HandTank(sales=steady_sales(16), drops=drops, lost=lost)], days=16, tickets=tickets, noise_mm=0.1)


@pytest.mark.parametrize(("rate_l_per_h", "verdict"), [(0.0, "pass"), (0.2, "pass"), (1.5, "fail")])
def test_a_months_leak_is_found_and_judged(rate_l_per_h, verdict):
    """Known truth: the rate lies in the interval or next to it, and the verdict is the contract's."""
    month = published(leaking_site(rate_l_per_h).tables())[0]["statements"].row(-1, named=True)
    assert month["month"] == date(2026, 1, 1)
    assert month["leak_rate_l_per_h"] == pytest.approx(rate_l_per_h, abs=0.15)
    assert month["verdict"] == verdict
    # 95 % of a normal distribution lie within 1.96 SD; 3.29 SD are what 95 % detection at 5 % false alarms takes. A
    # calm fleet narrows the interval by a tenth at most, and not what can be detected.
    half = 0.5 * (month["leak_rate_high"] - month["leak_rate_low"])
    assert half / 1.96 * 3.29 == pytest.approx(month["detectable_l_per_h"], rel=0.1)
    assert half / 1.96 * 3.29 <= month["detectable_l_per_h"] * (1.0 + 1e-9)


def test_a_leak_that_goes_on_from_month_to_month_is_in_each_of_them():
    """Known truth: 0.757 l/h (40 CFR 280.43) all the time, for a month and two weeks of the next."""
    hours = 24.0 * 45
    drops = [Poured(24.0 * day + 3.0, 3200.0, 10.0) for day in range(4, 45, 5)]
    tickets = [(f"D{day}", "T1", 24.0 * day + 2.5, 3200.0) for day in range(4, 45, 5)]
    tank = HandTank(sales=steady_sales(45), drops=drops, lost=[Poured(0.0, 0.757 * hours, 60.0 * hours)])
    months = published(HandSite([tank], days=45, tickets=tickets, noise_mm=0.1).tables())[0]["statements"]
    told = months.filter(pl.col("month") >= date(2026, 1, 1))
    assert told["verdict"].to_list() == ["fail", "fail"]
    for month in told.iter_rows(named=True):
        assert month["leak_rate_l_per_h"] == pytest.approx(0.757, abs=0.2)


def test_a_few_days_say_nothing_and_why():
    months = published(HandSite([HandTank(sales=steady_sales(2))], days=2, noise_mm=0.1).tables())[0]["statements"]
    for row in months.iter_rows(named=True):
        assert row["verdict"] == "inconclusive"
        assert row["reason"].startswith("too few days")


def test_a_gauge_at_fault_is_given_as_the_reason():
    """More is asked than a month can show; a finding of the month says that the gauge was at fault, or none does."""
    tables = leaking_site(0.0).tables()
    first = (START.date() - date(1970, 1, 1)).days
    stuck = Finding("probe_fault", "S1", "T1", "T1", first + 3, START.timestamp() + 2 * 86_400.0, None, 3.0)
    for findings, start in (([stuck], "a fault in the data"), ([], "the readings scatter")):
        month = published(tables, findings, limits=Limits(0.02, 0.01))[0]["statements"].row(-1, named=True)
        assert month["verdict"] == "inconclusive"
        assert month["reason"].startswith(start)


def test_the_limits_are_the_rules_defaults():
    """Published value: 40 CFR 280.43(d), 0.2 US gal/h, and half of it as the threshold (common practice, no source)."""
    assert Limits().detectable_l_per_h == pytest.approx(0.2 * 3.785411784, abs=1e-3)
    assert Limits().fail_l_per_h == Limits().detectable_l_per_h / 2


def test_months_are_of_trading_days():
    """Data from 30 January on; the day that opens on the 31st belongs to January, though it ends in February."""
    site = HandSite([HandTank(sales=steady_sales(5))], days=5, trading_day_start="22:00")
    moved = {
        name: frame.with_columns(pl.col(pl.Datetime("us", "UTC")).dt.offset_by("25d"))
        for name, frame in site.tables().items()
    }
    frames = published(moved)[0]
    months = dict(frames["statements"].select("month", "throughput_l").iter_rows())
    assert sorted(months) == [date(2026, 1, 1), date(2026, 2, 1)]
    # Days that open on the 29th, 30th and 31st at 22:00 hold the sales of the 30th, the 31st and the 1st.
    assert months[date(2026, 1, 1)] == pytest.approx(3 * 640.0)
    assert months[date(2026, 2, 1)] == pytest.approx(2 * 640.0)
