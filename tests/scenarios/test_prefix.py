"""A day's findings never hang on a later day. Evidence: property, on invented fleets with many faults.

A run over the lake cut after a day must give every case that the run over the whole lake says was raised by then, word
for word in what names it, and no other.
"""

from datetime import date, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.analysis import analyse
from pipeline.backtest.asof import DATED, as_of_tables
from pipeline.backtest.asof import cut as known_by
from pipeline.simulate import FleetSettings, simulate_fleet
from tests.support.fleets import Tables, clean, cut, run_days

START = date(2026, 3, 1)
DAYS = 36
CUTS = (8, 14, 20, 28, 34)
"""Days of data that are left: ten, from the first week on."""
NAMES = ["case_id", "cause", "site_id", "tank_id", "meter_id", "delivery_id", "raised_on", "ts_start", "probability"]
SEEN_AT_ONCE = ["opening_stock_l", "sales_l", "closing_stock_l", "water_mm", "temp_c", "physics_score", "is_anomalous"]
BOOKED = ["deliveries_l", "book_stock_l", "variance_l"]
"""A ticket may be hours late, so the book closes one day after the day's run."""


@pytest.fixture(scope="module")
def tables() -> Tables:
    return clean(simulate_fleet(9, DAYS, seed=5, start=START, settings=FleetSettings(fault_rate=2.2)))


@pytest.fixture(scope="module")
def full(tables: Tables) -> Tables:
    return analyse(tables)


def test_the_whole_history_has_cases_to_lose(full: Tables):
    assert full["cases"].height >= 8
    assert full["cases"]["cause"].n_unique() >= 6


@pytest.mark.parametrize("days", CUTS)
def test_no_case_and_no_day_changes_when_the_lake_is_cut(tables: Tables, full: Tables, days: int):
    """Figures that go through sums of another length agree to rounding, so they are compared to 1e-6."""
    last = START + timedelta(days=days - 1)
    seen = analyse(cut(tables, last), until=last)
    cases = full["cases"].filter(pl.col("raised_on") <= last)
    assert_frame_equal(
        seen["cases"].select(NAMES).sort("case_id"), cases.select(NAMES).sort("case_id"), rel_tol=0, abs_tol=1e-6
    )
    runs = run_days(tables)
    for columns, wait in ((SEEN_AT_ONCE, 0), (BOOKED, 1)):
        now, then = (_days(frames["tank_days"], runs, last - timedelta(days=wait)) for frames in (seen, full))
        keys = ["tank_id", "trading_day"]
        assert_frame_equal(now.select(keys + columns), then.select(keys + columns), rel_tol=0, abs_tol=1e-6)
    # What a backtest shows its rules of the whole history up to a day is what that day's run left them.
    early = known_by(as_of_tables({**cut(tables, last), **seen}), last)
    shown = known_by(as_of_tables({**tables, **full}), last)
    for name in DATED:
        assert_frame_equal(early[name], shown[name], rel_tol=1e-6, abs_tol=1e-6, check_row_order=False)


def _days(tank_days: pl.DataFrame, runs: pl.DataFrame, last: date) -> pl.DataFrame:
    """The trading days that were over, and seen, by a UTC day."""
    known = tank_days.join(runs, on=["tank_id", "trading_day"]).filter(pl.col("run_day") <= last)
    return known.sort("tank_id", "trading_day")
