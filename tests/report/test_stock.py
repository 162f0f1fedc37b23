"""Kind of evidence: known truth by construction. What stands in a tank is what its gauge said last, and when."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.report.site import write_report
from pipeline.report.stock import STALE, last_stock
from pipeline.report.tables import Tables
from tests.support.report_frames import build_frames, last_day

NOON = datetime(2026, 3, 21, 12, tzinfo=UTC)
TANKS = pl.DataFrame(
    {"tank_id": ["T1", "T2"], "site_id": ["S", "S"], "safe_fill_l": [9_000.0, 9_000.0], "diameter_mm": [1000.0] * 2}
)
CHART = pl.DataFrame(
    [(t, datetime(2020, 1, 1, tzinfo=UTC), mm, 10.0 * mm) for t in ("T1", "T2") for mm in (0.0, 500.0, 1000.0)],
    schema=["tank_id", "valid_from", "level_mm", "volume_l"],
    orient="row",
)


def readings(late: timedelta) -> pl.DataFrame:
    rows = [("T1", NOON, 700.0, 30.0, 11.5), ("T2", NOON - late, 500.0, None, None)]
    return pl.DataFrame(
        rows,
        schema={"tank_id": pl.String, "ts": pl.Datetime("us", "UTC"), "level_mm": pl.Float64, "water_mm": pl.Float64,
                "temp_c": pl.Float64},
        orient="row",
    )  # fmt: skip


def test_stock_is_the_charts_above_the_water_and_room_is_above_both():
    # A chart of 10 l a millimetre: 7 000 l to the surface, 300 l of them water; 9 000 l may be filled to.
    found = last_stock(Tables.of({"tanks": TANKS, "strapping": CHART, "last_readings": readings(STALE)}))
    assert found["T1"] == {
        "at": NOON, "level_mm": 700.0, "water_mm": 30.0, "temp_c": 11.5, "stock_l": pytest.approx(6_700.0),
        "room_l": pytest.approx(2_000.0), "is_stale": False,
    }  # fmt: skip
    assert found["T2"]["stock_l"] == pytest.approx(5_000.0)


@pytest.mark.parametrize(("late", "is_stale"), [(STALE, False), (STALE + timedelta(minutes=1), True)])
def test_a_reading_that_is_long_past_is_stale(late, is_stale):
    found = last_stock(Tables.of({"tanks": TANKS, "strapping": CHART, "last_readings": readings(late)}))
    assert (found["T1"]["is_stale"], found["T2"]["is_stale"]) == (False, is_stale)


def test_a_tank_without_a_reading_has_no_stock_and_is_stale():
    found = last_stock(Tables.of({"tanks": TANKS}))
    assert found["T1"]["stock_l"] is None
    assert found["T1"]["is_stale"]


def test_the_pages_show_the_last_reading_and_its_time_not_the_last_closed_days_stock(tmp_path):
    frames = build_frames(tank_count=2, days=10)
    name = frames["tanks"]["tank_id"][0]
    at = datetime(2026, 1, 21, 20, 15, tzinfo=UTC)
    chart = CHART.with_columns(tank_id=pl.lit(name)).unique("level_mm")
    last = readings(timedelta()).head(1).with_columns(tank_id=pl.lit(name), ts=pl.lit(at))
    index = write_report(frames | {"strapping": chart, "last_readings": last}, tmp_path, as_of=last_day(10))
    fleet = (index.parent / "fleet.html").read_text(encoding="utf-8")
    page = (index.parent / "tanks" / f"{name}.html").read_text(encoding="utf-8")
    for html in (fleet, page):
        assert "6\u202f700\u202fl" in html
        assert "21 Jan 2026, 20:15" in html
