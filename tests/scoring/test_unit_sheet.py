"""A day sheet and a month's statement of one tank in plain arithmetic from a dozen rows. Evidence: worked by hand."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.run import RUN_TABLES
from pipeline.scoring.published import conformed
from pipeline.scoring.statements import Statement
from pipeline.scoring.unit_sheet import day_rows, part_rows, statement_rows, trading_days_of, unit_day_rows
from tests.support.hand_site import at
from tests.support.hand_unit import FIRST_DAY, days_of, flow_of, gauge_of, sales_frame, seen_of, sheet_of, unit_of
from tests.support.lakes import rows

BOUNDS_H = [0.0, 24.0, 48.0, 72.0]
HOURS = np.arange(0.0, 72.0, 6.0)
SALES = flow_of((12.0, 600.0), (36.0, 400.0), (60.0, 500.0))
LEVEL_MM = np.array([1_200.0, 1_078.0, 1_598.0, 1_499.0])
"""6,000 l; 600 sold and 10 lost; 3,000 ticketed, 400 sold, none lost; 500 sold and 5 gained."""


def pool(count: int):
    """A sheet of one tank of 10,000 l, or of that and another of 30,000 l that a siphon joins to it."""
    series = replace(gauge_of(HOURS, 1_000.0), water_mm=np.where(HOURS < 24, 3.0, 4.0), temp_c=12.0 + 0.0 * HOURS)
    unit = unit_of(series, tickets=[("D1", 30.0, 3_000.0)])
    if count == 2:
        second = unit.tanks.with_columns(tank_id=rows("tanks", {"tank_id": "T2"})["tank_id"], capacity_l=30_000.0)
        tanks = unit.tanks.vstack(second.select(unit.tanks.columns).cast(unit.tanks.schema))
        unit = replace(unit, tanks=tanks, members=("T1", "T2"), member_series=(series, series))
    seen = seen_of(unit, flows=[SALES])
    days = days_of(unit, BOUNDS_H, LEVEL_MM, flows=[SALES], tickets={1: (0,)}, over=2)
    month = Statement(date(2026, 1, 1), 1_500.0, -5.0, 0.1, 0.05, 0.1645, "pass", None)
    parts = {"vapour": np.array([-2.0, 0.0, np.nan]), "residual": np.array([-8.0, 0.0, np.nan])}
    return sheet_of(seen, days, parts=parts, statements=[month])


def test_each_row_of_a_day_sheet_closes():
    sheet = day_rows(pool(1))
    assert sheet["opening_stock_l"].to_list() == pytest.approx([6_000.0, 5_390.0, 7_990.0])
    assert sheet["deliveries_l"].to_list() == pytest.approx([0.0, 3_000.0, 0.0])
    assert sheet["sales_l"].to_list() == pytest.approx([600.0, 400.0, 500.0])
    assert sheet["book_stock_l"].to_list() == pytest.approx([5_400.0, 7_990.0, 7_490.0])
    assert sheet["closing_stock_l"].to_list() == pytest.approx([5_390.0, 7_990.0, 7_495.0])
    assert sheet["variance_l"].to_list() == pytest.approx([-10.0, 0.0, 5.0])
    assert sheet["water_mm"].to_list() == [3.0, 4.0, 4.0]
    assert sheet["temp_c"].to_list() == [12.0] * 3
    assert sheet["trading_day"].to_list() == [date(2026, 1, 5), date(2026, 1, 6), date(2026, 1, 7)]


def test_joined_tanks_share_by_what_they_hold():
    """10,000 and 30,000 l: a quarter and three quarters; levels and water are each tank's own."""
    sheet = day_rows(pool(2))
    for name, share in (("T1", 0.25), ("T2", 0.75)):
        mine = sheet.filter(tank_id=name)
        assert mine["variance_l"].to_list() == pytest.approx([-10.0 * share, 0.0, 5.0 * share])
        assert mine["opening_stock_l"][0] == pytest.approx(6_000.0 * share)
        assert mine["water_mm"].to_list() == [3.0, 4.0, 4.0]


def test_parts_are_shared_and_what_is_nothing_left_out():
    told = part_rows(pool(2)).sort("tank_id", "trading_day", "part")
    assert told.filter(tank_id="T2").select("trading_day", "part", "litres").rows() == [
        (date(2026, 1, 5), "residual", -6.0), (date(2026, 1, 5), "vapour", -1.5), (date(2026, 1, 6), "residual", 0.0),
    ]  # fmt: skip


def test_a_month_s_figures_are_shared_and_its_leak_is_the_pool_s():
    """Allowance: 1 % of throughput and 130 US gal (40 CFR 280.43(a)): 15 + 492.1 l for one tank."""
    (row,) = statement_rows(pool(1)).iter_rows(named=True)
    assert row["allowance_l"] == pytest.approx(0.01 * 1_500.0 + 130.0 * 3.785411784, abs=0.01)
    assert (row["throughput_l"], row["variance_l"], row["verdict"]) == (1_500.0, -5.0, "pass")
    assert (row["leak_rate_low"], row["leak_rate_high"]) == pytest.approx((0.1 - 0.098, 0.1 + 0.098))
    shared = statement_rows(pool(2))
    assert shared["throughput_l"].to_list() == pytest.approx([375.0, 1_125.0])
    assert shared["leak_rate_l_per_h"].to_list() == [0.1, 0.1]
    assert shared["allowance_l"].to_list() == pytest.approx([3.75 + 492.10, 11.25 + 492.10], abs=0.01)


def test_only_days_that_are_over_are_compared_with_the_fleet_s():
    told = unit_day_rows(pool(2))
    assert told["tank_id"].to_list() == ["T1", "T1", "T2", "T2"]
    assert told["unit_id"].unique().to_list() == ["T1"]
    assert told["run_day"].to_list() == [FIRST_DAY, FIRST_DAY + 1] * 2


def test_what_is_no_number_is_published_as_null():
    told = conformed("tank_days", [day_rows(pool(1)).with_columns(variance_l=np.array([np.nan, 1.0, 2.0]))])
    assert told["variance_l"].to_list() == [None, 1.0, 2.0]
    assert dict(told.schema) == dict(polars_schema(RUN_TABLES["tank_days"]))
    assert conformed("tank_days", []).height == 0


def test_trading_days_reach_from_the_first_to_the_last_of_readings_tickets_and_sales():
    """A sale at hour −30 and a ticket at hour 100 of a site whose days open at four."""
    site = {"site_id": "S1", "name": "x", "timezone": "UTC", "trading_day_start": "04:00"}
    tables = {
        "sites": rows("sites", site), "sales": sales_frame(flow_of((-30.0, 5.0))),
        "meter_feeds": rows("meter_feeds", {"meter_id": "M1", "tank_id": "T1", "share": 1.0, "valid_from": at(-99.0)}),
        "readings": rows("readings", {"tank_id": "T1", "ts": at(10.0), "level_mm": 5.0}),
        "deliveries": rows("deliveries", {"delivery_id": "D1", "tank_id": "T1", "ts_ticket": at(100.0)}),
    }  # fmt: skip
    days = trading_days_of(tables, ("T1",))
    assert days is not None
    assert (days.dates[0], days.dates[-1]) == (date(2026, 1, 3), date(2026, 1, 9))
    other = trading_days_of(tables, ("T2",))
    assert other is None
