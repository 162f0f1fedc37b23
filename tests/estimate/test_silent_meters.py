"""A meter whose interface dies while it goes on selling. Truth by construction: what left and what was booked."""

import numpy as np
import polars as pl
import pytest

from pipeline.analysis import analyse_site
from pipeline.cases.missing_sales import unbooked_findings
from pipeline.estimate.observe import observe_site
from pipeline.estimate.silent_meters import settled_with, silent_spans, without_silent
from pipeline.estimate.site_clocks import Clocked
from pipeline.features.totals import Unbooked
from pipeline.ledger.clocks import DayLag
from pipeline.scoring.statements import Limits
from tests.support.hand_site import HandSite, HandTank, Poured, at
from tests.support.hand_unit import FIRST_DAY, L_PER_MM, at_s, flow_of, gauge_of

DAYS = list(range(FIRST_DAY, FIRST_DAY + 14))
SALES = [(24.0 * day + hour, 30.0) for day in range(14) for hour in np.arange(6.0, 22.0)]
"""Sixteen sales of 30 l a day, at each full hour from six to nine in the evening: 480 l."""
HOURS = np.arange(0.0, 24.0 * 14, 0.1)
WHOLE = np.ones(14)
LOST = (10, 11)


def told(sold, lost_l=None, *, shares=None, totals_s=None):
    """Spans of a tank whose sales are booked but for days 10 and 11; `lost_l` (hours,) what left beyond the books."""
    booked = [(hour, litres) for hour, litres in SALES if hour // 24 not in LOST]
    left = sold if lost_l is None else lost_l
    level = (60_000.0 - sum(litres * (hour <= HOURS) for hour, litres in booked) - left) / L_PER_MM
    unit = Clocked(gauge_of(HOURS, level), [], [flow_of(*booked)])
    return silent_spans(unit, {"M1": WHOLE} if shares is None else {"M1": shares}, totals_s or {}, DAYS)


def unbooked_l(share=1.0):
    return share * sum(litres * (hour <= HOURS) for hour, litres in SALES if hour // 24 in LOST)


def leaked_l(litres):
    """So many litres on each of the two days, evenly."""
    return litres * np.clip(HOURS / 24.0 - LOST[0], 0.0, 2.0)


def test_what_a_tank_loses_on_days_without_a_sale_of_its_meter_is_the_meter_s():
    found = told(unbooked_l())
    assert [(one.meter_id, one.known_s // 86_400.0, one.is_counted) for one in found] == [
        ("M1", FIRST_DAY + 10, False),
        ("M1", FIRST_DAY + 11, False),
    ]
    assert [one.litres for one in found] == pytest.approx([480.0, 480.0], rel=0.01)


@pytest.mark.parametrize(("share", "count"), [(0.28, 0), (0.32, 2), (2.9, 2), (3.2, 0)])
def test_what_leaves_is_of_the_size_of_what_is_usually_sold(share, count):
    assert len(told(unbooked_l(share))) == count


def test_a_hose_out_of_order_loses_nothing_and_a_leak_or_a_theft_meanwhile_is_none_of_its_sales():
    assert told(np.zeros(len(HOURS))) == []
    assert told(leaked_l(300.0)) == []
    assert told(300.0 * (24.0 * LOST[0] + 3.0 < HOURS)) == []


@pytest.mark.parametrize(("from_h", "to_h", "count"), [(10.5, 15.5, 3), (17.5, 8.5, 2), (17.5, 6.5, 1)])
def test_what_is_silent_for_part_of_a_day_is_so_from_its_last_sale_to_its_next(from_h, to_h, count):
    """Silent from day 10 to day 12: half a day too where eight sales are missed, or where it goes on and 60 l are."""
    dead = (24.0 * 10 + from_h, 24.0 * 12 + to_h)
    booked = [(hour, litres) for hour, litres in SALES if not dead[0] <= hour <= dead[1]]
    level = (60_000.0 - sum(litres * (hour <= HOURS) for hour, litres in SALES)) / L_PER_MM
    found = silent_spans(Clocked(gauge_of(HOURS, level), [], [flow_of(*booked)]), {"M1": WHOLE}, {}, DAYS)
    unbooked = sum(litres for hour, litres in SALES if dead[0] <= hour <= dead[1])
    assert len(found) == count
    if count == 3:
        assert sum(one.litres for one in found) == pytest.approx(unbooked, abs=35.0)
        assert (found[0].start_s, found[-1].end_s + 1.0) == pytest.approx((at_s(250.0), at_s(304.0)), abs=150.0)


def test_a_totaliser_that_is_read_tells_by_itself():
    read = {"M1": at_s(np.arange(0.0, 24.0 * 14, 6.0))}
    assert told(unbooked_l(), totals_s=read) == []
    assert len(told(unbooked_l(), totals_s={"M1": read["M1"][:40]})) == 2  # its last reading is of day 9


def test_a_meter_of_two_tanks_is_passed_over():
    assert told(unbooked_l(), shares=0.5 * WHOLE) == []


def test_what_the_books_say_of_a_hose_later_changes_no_day_before():
    """From day 12 on the hose is another tank's: days 10 and 11 were this one's, and stay so."""
    later = np.where(np.arange(14) < 12, 1.0, 0.0)
    assert told(unbooked_l(), shares=later) == told(unbooked_l())
    assert told(unbooked_l(), shares=np.where(np.arange(14) < 10, 1.0, 0.0)) == []


def test_a_meter_must_have_sold_daily_for_a_week():
    level = (60_000.0 - sum(litres * (hour <= HOURS) for hour, litres in SALES)) / L_PER_MM
    for lost, count in ((6, 0), (7, 1)):
        booked = [(hour, litres) for hour, litres in SALES if hour // 24 != lost]
        unit = Clocked(gauge_of(HOURS, level), [], [flow_of(*booked)])
        assert len(silent_spans(unit, {"M1": WHOLE}, {}, DAYS)) == count


def test_the_balance_says_nothing_on_those_days():
    """Of a day's clocks nothing else changes: what was corrected by them stays so."""
    lags = {FIRST_DAY + 10: DayLag(90.0, 1.0, 0.5, 0.9)}
    found = without_silent(lags, told(unbooked_l()))
    assert sorted(found) == [FIRST_DAY + 10, FIRST_DAY + 11]
    assert found[FIRST_DAY + 10].is_silent and found[FIRST_DAY + 10].lag_s == 90.0


def test_a_totaliser_that_comes_back_counts_only_what_was_not_known():
    silent = [
        Unbooked("M1", 100.0, 200.0, 480.0, is_counted=False),
        Unbooked("M2", 100.0, 200.0, 50.0, is_counted=False),
    ]
    counted = [Unbooked("M1", 90.0, 300.0, 500.0), Unbooked("M3", 90.0, 300.0, 70.0)]
    assert [(one.meter_id, one.litres) for one in settled_with(counted, silent)] == [
        ("M1", 480.0),
        ("M2", 50.0),
        ("M1", 20.0),
        ("M3", 70.0),
    ]
    assert len(settled_with([Unbooked("M1", 90.0, 300.0, 481.0)], silent[:1])) == 1


def dead_interface(days=24, since=16):
    """A tank of two meters, one of which tells nothing from a day on."""
    both = [
        Poured(24.0 * day + hour + 0.25 * place, 30.0)
        for day in range(days)
        for place, hours in enumerate((np.arange(6.0, 22.0), np.arange(7.0, 23.0, 2.0)))
        for hour in hours
    ]
    drops = [Poured(24.0 * day + 2.0, 2_160.0, 10.0) for day in range(3, days, 3)]
    site = HandSite([HandTank(sales=both, drops=drops)], days=days, noise_mm=0.05)
    site.tickets = [(f"D{k}", "T1", one.hour, one.litres) for k, one in enumerate(drops)]
    tables = site.tables()
    second = pl.col("ts_start").dt.minute() == 15
    sales = tables["sales"].with_columns(meter_id=pl.when(second).then(pl.lit("M2")).otherwise("meter_id"))
    tables["sales"] = sales.filter((pl.col("meter_id") != "M2") | (pl.col("ts_start") < at(24.0 * since)))
    again = [tables[name].with_columns(meter_id=pl.lit("M2")) for name in ("meters", "meter_feeds")]
    for name, rows in zip(("meters", "meter_feeds"), again, strict=True):
        tables[name] = pl.concat([tables[name], rows])
    return tables


def test_a_dead_interface_is_one_case_of_its_meter_and_no_leak():
    """Eight sales of 30 l a day for eight days: 1,920 l."""
    tables = dead_interface()
    site = observe_site(tables)
    (found,) = unbooked_findings(site, tables)
    assert (found.cause, found.meter_id, found.tank_id, found.end_s) == ("missing_sales", "M2", "T1", None)
    assert found.litres == pytest.approx(-1_920.0, abs=60.0)
    assert found.evidence[0].name == "litres that left the tank while meter and totaliser were silent"
    result = analyse_site(tables, 10**6, Limits())
    assert result is not None
    assert [one.cause for one in result.findings] == ["missing_sales"]
    parts = result.frames["variance_parts"].filter(pl.col("part") == "missing_sales")
    closed_days = 7.0 + 6.5 / 24.0  # up to six in the morning of the last day
    assert parts["litres"].sum() == pytest.approx(found.litres * closed_days / 8.0, rel=0.03)
