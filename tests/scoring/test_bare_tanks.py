"""Tanks whose stock nobody can tell. Evidence: worked by hand."""

from datetime import date

import numpy as np
import pytest

from pipeline.scoring.bare_tanks import bare_rows, bare_tanks
from tests.support.hand_site import at
from tests.support.hand_unit import flow_of, gauge_of, sales_frame, seen_of, site_of, unit_of
from tests.support.lakes import rows

TABLES = {
    "sites": rows("sites", {"site_id": "S1", "name": "x", "timezone": "UTC", "trading_day_start": "00:00"}),
    "tanks": rows("tanks", *({"tank_id": name, "site_id": "S1"} for name in ("T2", "T1"))),
    "meter_feeds": rows("meter_feeds", {"meter_id": "M1", "tank_id": "T2", "share": 0.5, "valid_from": at(-9_999.0)}),
    "readings": rows("readings"),
    "sales": sales_frame(flow_of((12.0, 600.0), (24.0 * 27 + 12.0, 1_400.0))),
    "deliveries": rows(
        "deliveries", {"delivery_id": "D1", "tank_id": "T2", "ts_ticket": at(30.0), "ticket_volume_l": 900.0}
    ),
}  # fmt: skip


def test_a_tank_that_belongs_to_no_observed_unit_is_bare():
    seen = seen_of(unit_of(gauge_of(np.arange(5.0), 1_000.0)))
    assert bare_tanks(TABLES, site_of(seen)) == ["T2"]
    assert bare_tanks(TABLES, site_of()) == ["T1", "T2"]


def test_its_sales_and_tickets_are_told_and_no_stock():
    """Half of 600 l on 5 January, 900 l ticketed on the 6th, half of 1,400 l on 1 February."""
    days = bare_rows(TABLES, "T2")["tank_days"]
    assert days["sales_l"].sum() == 1_000.0
    told = {row["trading_day"]: row for row in days.iter_rows(named=True)}
    assert told[date(2026, 1, 5)]["sales_l"] == 300.0
    assert told[date(2026, 1, 6)]["deliveries_l"] == 900.0
    assert told[date(2026, 2, 1)]["sales_l"] == 700.0
    assert "opening_stock_l" not in days.columns


def test_each_of_its_months_says_why_it_says_nothing():
    """130 US gal are 492.10 l, and 1 % of the throughput."""
    months = bare_rows(TABLES, "T2")["statements"]
    assert months["month"].to_list() == [date(2026, 1, 1), date(2026, 2, 1)]
    assert months["throughput_l"].to_list() == [300.0, 700.0]
    assert months["allowance_l"].to_list() == pytest.approx([495.10, 499.10], abs=0.01)
    assert set(months["verdict"]) == {"inconclusive"}
    assert all(reason.startswith("too few days") for reason in months["reason"])


def test_a_tank_of_which_nothing_is_known_has_no_rows():
    assert bare_rows(TABLES, "T1") == {}
