"""The day sheet of sites made by hand: every figure follows by arithmetic. Evidence: known truth by construction."""

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.cases.finding import Course, Finding
from tests.support.hand_site import START, HandSite, HandTank, Poured, steady_sales
from tests.support.site_run import published

NOISE_L = 1e-6
"""Levels are exact, so stocks and variances are too."""
SMOOTHED_L = 3.0
"""Parts come from estimates: by how much they may miss what was poured."""


def day_of(frame: pl.DataFrame, tank: str, day: int) -> dict:
    """The row of a tank's trading day, counted from the first day of data."""
    when = START.date() + timedelta(days=day)
    return frame.row(by_predicate=(pl.col("tank_id") == tank) & (pl.col("trading_day") == when), named=True)


def parts_of(frames: dict[str, pl.DataFrame], tank: str, day: int) -> dict[str, float]:
    """A tank-day's parts by name."""
    when = START.date() + timedelta(days=day)
    rows = frames["variance_parts"].filter((pl.col("tank_id") == tank) & (pl.col("trading_day") == when))
    return dict(rows.select("part", "litres").iter_rows())


@pytest.fixture(scope="module")
def plain():
    """One tank: 640 l sold a day; a drop of 3,000 l at noon of day 1, its ticket an hour before."""
    site = HandSite(
        [HandTank(sales=steady_sales(5), drops=[Poured(36.25, 3000.0, 10.0)])],
        tickets=[("D1", "T1", 35.0, 3000.0)],
        returns=[("M-T1", 60.0, 20.0)],
    )
    return published(site.tables())[0]


def test_a_full_day_closes(plain):
    """640 l leave on day 2; a test return moves neither sales nor stock."""
    row = day_of(plain["tank_days"], "T1", 2)
    assert row["sales_l"] == pytest.approx(640.0)
    assert row["deliveries_l"] == 0.0
    assert row["opening_stock_l"] == pytest.approx(6000.0 - 2 * 640.0 + 3000.0, abs=NOISE_L)
    assert row["closing_stock_l"] == pytest.approx(6000.0 - 3 * 640.0 + 3000.0, abs=NOISE_L)
    assert row["variance_l"] == pytest.approx(0.0, abs=NOISE_L)
    assert row["temp_c"] == 15.0
    assert row["water_mm"] == 0.0


def test_a_drop_is_booked_and_its_day_closes(plain):
    row = day_of(plain["tank_days"], "T1", 1)
    assert row["deliveries_l"] == 3000.0
    assert row["book_stock_l"] == pytest.approx(6000.0 - 2 * 640.0 + 3000.0, abs=NOISE_L)
    assert row["variance_l"] == pytest.approx(0.0, abs=NOISE_L)


def test_part_days_have_their_rows_and_no_stock_that_nobody_read(plain):
    """Data run from midnight to midnight and days from 04:00: the first day has no opening, the last no close."""
    days = plain["tank_days"].sort("trading_day")
    assert days["trading_day"].to_list() == [START.date() + timedelta(days=k) for k in range(-1, 5)]
    assert days["opening_stock_l"][0] is None
    assert days["closing_stock_l"][0] == pytest.approx(6000.0)
    assert days["closing_stock_l"][-1] is None
    assert days["variance_l"].is_null().to_list() == [True, False, False, False, False, True]
    assert days["is_anomalous"].null_count() == 0


def test_the_drop_is_listed_with_its_ticket(plain):
    drop = plain["drops"].row(0, named=True)
    assert drop["delivery_id"] == "D1"
    assert drop["gain_l"] == pytest.approx(3000.0, abs=SMOOTHED_L)
    assert drop["mismatch_l"] == pytest.approx(drop["gain_l"] - 3000.0)


def test_a_ledger_interval_balances(plain):
    ledger = plain["ledger"]
    residual = ledger["gauge_end_l"] - ledger["gauge_start_l"] - ledger["delivered_l"] + ledger["sold_l"]
    assert (residual - ledger["residual_l"]).abs().max() < NOISE_L
    # Means over half hours meet the sales' own course but for the readings of a sale in progress.
    assert ledger["residual_l"].abs().max() < SMOOTHED_L
    assert ledger["sold_l"].sum() == pytest.approx(5 * 640.0, abs=20.0)


def test_a_late_ticket_goes_to_the_day_of_its_drop():
    """The ticket of a drop at 20:15 is typed in at 05:00 of the next trading day."""
    site = HandSite(
        [HandTank(sales=steady_sales(4), drops=[Poured(44.25, 3000.0, 10.0)])],
        days=4,
        tickets=[("D1", "T1", 53.0, 3000.0)],
    )
    sheet = published(site.tables())[0]["tank_days"]
    assert day_of(sheet, "T1", 1)["deliveries_l"] == 3000.0
    assert day_of(sheet, "T1", 2)["deliveries_l"] == 0.0


def test_a_ticket_without_a_drop_is_booked_by_its_own_time():
    site = HandSite([HandTank(sales=steady_sales(4))], days=4, tickets=[("D1", "T1", 36.0, 2000.0)])
    sheet = published(site.tables())[0]["tank_days"]
    row = day_of(sheet, "T1", 1)
    assert row["deliveries_l"] == 2000.0
    assert row["variance_l"] == pytest.approx(-2000.0, abs=NOISE_L)


def test_a_drop_over_the_boundary_counts_on_the_day_on_which_it_ended():
    """It runs from 03:55 to 04:05; both days' variance is named, since what the gauge saw by the boundary is known."""
    site = HandSite(
        [HandTank(sales=steady_sales(4), drops=[Poured(51.9166667, 3000.0, 10.0)])],
        days=4,
        tickets=[("D1", "T1", 51.0, 3000.0)],
    )
    frames = published(site.tables())[0]
    before, after = (day_of(frames["tank_days"], "T1", day) for day in (1, 2))
    assert (before["deliveries_l"], after["deliveries_l"]) == (0.0, 3000.0)
    assert before["variance_l"] == pytest.approx(1500.0, abs=60.0)
    assert after["variance_l"] == pytest.approx(-1500.0, abs=60.0)
    assert parts_of(frames, "T1", 1)["ticket_tolerance"] == pytest.approx(before["variance_l"], abs=SMOOTHED_L)
    assert parts_of(frames, "T1", 2)["ticket_tolerance"] == pytest.approx(after["variance_l"], abs=SMOOTHED_L)


def test_a_drop_without_a_ticket_is_a_part_of_its_own():
    site = HandSite([HandTank(sales=steady_sales(4), drops=[Poured(36.25, 3000.0, 10.0)])], days=4)
    frames = published(site.tables())[0]
    assert day_of(frames["tank_days"], "T1", 1)["variance_l"] == pytest.approx(3000.0, abs=NOISE_L)
    assert parts_of(frames, "T1", 1)["missing_ticket"] == pytest.approx(3000.0, abs=SMOOTHED_L)


def test_a_short_drop_is_the_tickets_tolerance_until_a_finding_names_it():
    """2,900 l come on a ticket of 3,000; the finding says so on the day itself, or only three days later."""
    site = HandSite(
        [HandTank(sales=steady_sales(5), drops=[Poured(36.25, 2900.0, 10.0)])], tickets=[("D1", "T1", 35.0, 3000.0)]
    )
    first = (START.date() - date(1970, 1, 1)).days
    start_s = published(site.tables())[0]["drops"]["ts_start"][0].timestamp()
    for seen_on, named, other in ((2, "short_delivery", "ticket_tolerance"), (5, "ticket_tolerance", "short_delivery")):
        finding = Finding(
            "short_delivery", "S1", "T1", "T1", first + seen_on, start_s, None, 3.0, delivery_id="D1", litres=-100.0
        )
        parts = parts_of(published(site.tables(), [finding])[0], "T1", 1)
        assert parts[named] == pytest.approx(-100.0, abs=SMOOTHED_L)
        assert abs(parts.get(other, 0.0)) < SMOOTHED_L


def test_a_finding_explains_the_days_that_its_run_knew_of():
    """60 l are drawn at 02:00 on each of two nights; a finding of the third run names only what came after it."""
    lost = [Poured(26.0 + 24.0 * k, 60.0, 6.0) for k in range(3)]
    site = HandSite([HandTank(sales=steady_sales(5), lost=lost)])
    first = (START.date() - date(1970, 1, 1)).days
    start_s = START.timestamp()
    at_s = [start_s + 3600.0 * hour for one in lost for hour in (one.hour, one.hour + 0.1)]
    course = Course(pl.Series(at_s).to_numpy(), pl.Series([0.0, -60.0, -60.0, -120.0, -120.0, -180.0]).to_numpy())
    finding = Finding("slow_theft", "S1", "T1", "T1", first + 2, at_s[0], None, 4.0, litres=-180.0, course=course)
    frames = published(site.tables(), [finding])[0]
    # Nights belong to the trading day that began the day before.
    for day, named in ((0, 0.0), (1, -60.0), (2, -60.0)):
        row, parts = day_of(frames["tank_days"], "T1", day), parts_of(frames, "T1", day)
        assert row["variance_l"] == pytest.approx(-60.0, abs=NOISE_L)
        assert parts.get("slow_theft", 0.0) == pytest.approx(named)
        assert parts["residual"] == pytest.approx(-60.0 - named, abs=SMOOTHED_L)
    draws = frames["draws"].sort("ts_start")
    assert draws["litres"].to_list() == pytest.approx([-60.0] * 3, abs=2 * SMOOTHED_L)
    assert set(draws["kind"]) == {"at rest"}


def test_joined_tanks_share_out_the_pool_and_each_row_closes():
    """A pool of 10,000 and 30,000 l: a quarter and three quarters of everything, whichever tank the paper names."""
    site = HandSite(
        [
            HandTank("T1", manifold_id="A", sales=steady_sales(5), lost=[Poured(50.0, 80.0, 6.0)]),
            HandTank("T2", capacity_l=30_000.0, manifold_id="A", drops=[Poured(36.25, 2000.0, 10.0)]),
        ],
        tickets=[("D1", "T2", 35.0, 2000.0)],
    )
    frames = published(site.tables())[0]
    for day, sold, came, lost in ((1, 640.0, 2000.0, -80.0), (2, 640.0, 0.0, 0.0)):
        rows = [day_of(frames["tank_days"], tank, day) for tank in ("T1", "T2")]
        for row, share in zip(rows, (0.25, 0.75), strict=True):
            assert row["sales_l"] == pytest.approx(sold * share)
            assert row["deliveries_l"] == pytest.approx(came * share)
            assert row["variance_l"] == pytest.approx(lost * share, abs=1.0)
            book = row["opening_stock_l"] + row["deliveries_l"] - row["sales_l"]
            assert row["book_stock_l"] == pytest.approx(book)
            assert row["closing_stock_l"] - row["book_stock_l"] == pytest.approx(row["variance_l"])
    opening = sum(day_of(frames["tank_days"], tank, 2)["opening_stock_l"] for tank in ("T1", "T2"))
    assert opening == pytest.approx(2 * 6000.0 - 2 * 640.0 + 2000.0 - 80.0, abs=1.0)
    months = frames["statements"].sort("tank_id")
    assert months["throughput_l"].to_list() == pytest.approx([800.0, 2400.0])
    assert months["leak_rate_l_per_h"][0] == months["leak_rate_l_per_h"][1]


def test_a_tank_without_a_chart_has_its_sales_and_a_statement():
    tables = HandSite([HandTank(sales=steady_sales(3)), HandTank("T2", sales=steady_sales(3))], days=3).tables()
    tables["strapping"] = tables["strapping"].filter(pl.col("tank_id") == "T1")
    frames = published(tables)[0]
    row = day_of(frames["tank_days"], "T2", 1)
    assert (row["sales_l"], row["opening_stock_l"], row["is_anomalous"]) == (640.0, None, False)
    month = frames["statements"].row(by_predicate=pl.col("tank_id") == "T2", named=True)
    assert (month["verdict"], month["leak_rate_l_per_h"]) == ("inconclusive", None)
    assert month["reason"]


def test_a_stuck_gauge_gives_no_stock_once_it_shows():
    """The level stands from 20:00 of day 1 on while 600 l are sold, so at 04:00 it is no longer believed."""
    tables = HandSite([HandTank(sales=[Poured(0.5 * k, 20.0) for k in range(2 * 96)])], days=4).tables()
    stands = pl.col("ts").is_between(START + timedelta(hours=44), START + timedelta(hours=60))
    held = tables["readings"].filter(stands)["level_mm"][0]
    tables["readings"] = tables["readings"].with_columns(
        level_mm=pl.when(stands).then(held).otherwise(pl.col("level_mm"))
    )
    frames = published(tables)[0]
    assert day_of(frames["tank_days"], "T1", 1)["closing_stock_l"] is None
    assert day_of(frames["tank_days"], "T1", 2)["closing_stock_l"] is not None
    assert frames["health"].filter(pl.col("is_stuck"))["day"].to_list() == [
        START.date() + timedelta(days=k) for k in (1, 2)
    ]
