"""Kind of evidence: known truth by construction: two sites of two currencies whose sums are done by hand."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.report import money
from pipeline.report.fleet import Fleet
from pipeline.report.tables import Tables
from tests.support.browser import opened
from tests.support.saved import saved_rows

AS_OF = date(2026, 4, 30)
START = datetime(2026, 4, 10, 1, 30, tzinfo=UTC)
MARCH, APRIL = date(2026, 3, 1), date(2026, 4, 1)
# Of each tank and month: trading day, sales, variance, and litres by part.
MONTHS = [
    ("T1", date(2026, 3, 5), 10_000.0, -120.0, {"tank_leak": -90.0, "thermal": -10.0, "residual": -20.0}),
    ("T2", date(2026, 3, 5), 5_000.0, 30.0, {"thermal": 30.0}),
    ("T1", date(2026, 4, 5), 8_000.0, -60.0, {"tank_leak": -50.0, "unexplained": -10.0}),
    ("T1", date(2026, 4, 6), 2_000.0, -20.0, {"residual": -20.0}),
    ("T2", date(2026, 4, 5), 10_000.0, 40.0, {"over_delivery": 45.0, "residual": -5.0}),
    ("T9", date(2026, 4, 5), 4_000.0, -10.0, {"residual": -10.0}),
]


def case(case_id, tank="T1", site="S", **changes):
    row = {
        "case_id": case_id, "cause": "tank_leak", "site_id": site, "tank_id": tank, "meter_id": None,
        "delivery_id": None, "ts_start": START, "ts_end": None, "raised_on": date(2026, 4, 12), "litres": -100.0,
        "litres_low": -130.0, "litres_high": -70.0, "probability": 0.9, "urgency": "today", "action": "look",
        "summary": "seen", "rate_l_per_h": None, "meter_error_pct": None,
    }  # fmt: skip
    return row | changes


def closing(seq, case_id, **changes):
    row = {
        "seq": seq, "at": START, "who": "M. Orr", "case_id": case_id, "kind": "closed", "verdict": "confirmed",
        "cause": "bulk_theft", "site_id": "S", "tank_id": "T1", "ts_start": START, "litres": -300.0,
        "recovered": 450.0, "learned_on": date(2026, 4, 20), "seen_urgency": "today", "seen_litres_low": -130.0,
        "seen_litres_high": -70.0,
    }  # fmt: skip
    return row | changes


def fleet_of(cases=(), sayings=(), *, prices=(("T1", 2.0), ("T2", 1.5), ("T9", 4.0))):
    currency = {"T1": "EUR", "T2": "EUR", "T9": "PLN"}
    days = [{"tank_id": t, "trading_day": d, "sales_l": s, "variance_l": v} for t, d, s, v, _ in MONTHS]
    parts = [
        {"tank_id": t, "trading_day": d, "part": p, "litres": v} for t, d, _, _, of in MONTHS for p, v in of.items()
    ]
    frames = {
        "sites": pl.DataFrame(
            [("S", "Harbour", "Europe/Berlin", "EUR"), ("R", "Mill", "Europe/Warsaw", "PLN")],
            schema=["site_id", "name", "timezone", "currency"], orient="row",
        ),
        "tanks": pl.DataFrame(
            [("T1", "S", "diesel_b7"), ("T2", "S", "gasoline_e5"), ("T9", "R", "diesel_b7")],
            schema=["tank_id", "site_id", "product"], orient="row",
        ),
        "prices": pl.DataFrame([{"tank_id": t, "price": p, "currency": currency[t]} for t, p in prices]),
        "tank_days": pl.DataFrame(days), "variance_parts": pl.DataFrame(parts),
    } | {
        name: pl.DataFrame(list(rows), infer_schema_length=None)
        for name, rows in (("cases", cases), ("sayings", sayings)) if rows
    }  # fmt: skip
    return Fleet.of(Tables.of(frames), AS_OF)


def rows_of(*arguments, **more):
    fleet = fleet_of(*arguments, **more)
    return money.site_months(fleet.tables, {t["tank_id"]: t for t in fleet.tanks}, fleet.cases)


def told(row, name):
    return row[name].litres, row[name].money


def test_a_sites_month_has_its_losses_and_gains_tank_by_tank_in_litres_and_money():
    """April at Harbour: T1 −80 l of 10,000 at 2.00, T2 +40 l of 10,000 at 1.50: 40 lost of 20,000 are 0.2 %.

    A leak has 50 of T1's, an over-delivery 45 of T2's; what is unexplained or left over is no cause by name.
    """
    april, mill, march = rows_of()
    assert [(r["site"], r["month"]) for r in (april, mill, march)] == [
        ("Harbour", APRIL), ("Mill", APRIL), ("Harbour", MARCH),
    ]  # fmt: skip
    assert (april["sales_l"], april["variance_l"], april["shrink_pct"]) == (20_000.0, -40.0, pytest.approx(0.2))
    assert told(april, "lost") == (80.0, {"EUR": 160.0})
    assert told(april, "gained") == (40.0, {"EUR": 60.0})
    assert told(april, "named_lost") == (50.0, {"EUR": 100.0})
    assert told(april, "named_gained") == (45.0, {"EUR": 67.5})
    assert told(mill, "lost") == (10.0, {"PLN": 40.0})
    # 120 lost and 30 gained of 15,000.
    assert (march["variance_l"], march["shrink_pct"]) == (-90.0, pytest.approx(0.6))


def test_the_fleets_shrink_is_variance_over_sales_and_currencies_are_never_added_up():
    """April: −40 − 10 of 24,000 l is 0.2083 %; EUR 160 and PLN 40 stay two sums."""
    months = money.by_month(rows_of())
    assert [m["month"] for m in months] == [APRIL, MARCH]
    assert months[0]["shrink_pct"] == pytest.approx(100 * 50 / 24_000)
    assert told(months[0], "lost") == (90.0, {"EUR": 160.0, "PLN": 40.0})
    assert months[0]["lost"].words == "EUR 160 + PLN 40"
    chart = money.trend(months)
    assert chart["traces"][0]["x"] == ["2026-03-01", "2026-04-01"]
    assert chart["traces"][0]["y"] == [0.6, 0.208]


def test_a_price_that_is_not_known_leaves_the_sum_of_money_unknown_and_the_litres_known():
    april = rows_of(prices=(("T1", 2.0), ("T9", 4.0)))[0]
    assert told(april, "gained") == (40.0, None)
    assert told(april, "lost") == (80.0, {"EUR": 160.0})
    assert april["gained"].words == ""


def test_at_risk_are_the_losses_of_current_cases_in_the_month_in_which_they_began():
    """100 l ± 30 and 40 l ± 40 are 140 l ± 50, at 2.00 and 1.50 EUR 260; one that is closed, or a gain, is no risk."""
    cases = [
        case("a"),
        case("b", tank="T2", litres=-40.0, litres_low=-80.0, litres_high=0.0),
        case("march", ts_start=datetime(2026, 3, 30, tzinfo=UTC), litres=-10.0, litres_low=-10.0, litres_high=-10.0),
        case("gain", cause="over_delivery", litres=90.0, litres_low=80.0, litres_high=100.0),
        case("closed", cause="bulk_theft", litres=-110.0),
    ]
    april, _, march = rows_of(cases, [closing(1, "closed", recovered=None)])
    assert april["risk_span"] == (pytest.approx(140.0), pytest.approx(90.0), pytest.approx(190.0))
    assert told(april, "risk") == (140.0, {"EUR": 260.0})
    assert told(march, "risk") == (10.0, {"EUR": 20.0})
    total = money.totals([april, march])
    assert total["risk_span"][0] == pytest.approx(150.0)
    assert total["risk_span"][2] == pytest.approx(200.0), "errors add up as independent ones"
    assert told(total, "risk") == (150.0, {"EUR": 280.0})


def test_recovered_is_what_the_closings_that_hold_say():
    """The second closing of a case takes the place of the first; one that was opened again counts for nothing."""
    sayings = [
        closing(1, "x", recovered=100.0),
        closing(2, "x", recovered=450.0),
        closing(3, "y", recovered=70.0, learned_on=date(2026, 3, 31), litres=None),
        closing(4, "z", recovered=900.0),
        closing(5, "z", kind="reopened", recovered=None, verdict=None),
    ]
    april, _, march = rows_of((), sayings)
    assert told(april, "recovered") == (300.0, {"EUR": 450.0})
    assert told(march, "recovered") == (None, {"EUR": 70.0})


def test_money_of_a_month_without_a_trading_day_is_there_all_the_same():
    rows = rows_of((), [closing(1, "x", learned_on=date(2026, 5, 3))])
    assert (rows[0]["month"], rows[0]["sales_l"], rows[0]["shrink_pct"]) == (date(2026, 5, 1), None, None)


# -- A chart that was replaced ---------------------------------------------------------------------

CHANGED = datetime(2026, 4, 7, tzinfo=UTC)
OLD, NEW = (0.0, 5_000.0, 10_000.0), (0.0, 5_000.0, 9_000.0)
"""Litres at 0, 1,000 and 2,000 mm: above the middle the old chart gives 1.25 times too much."""
STOCKS = [(4_000.0, 6_000.0), (6_000.0, 9_000.0), (9_000.0, 7_000.0)]
"""T2's opening and closing stock by the old chart, or at the close of its last day by the new one, from 5 April on."""
OF_CHART = [200.0, 600.0, -800.0]
"""The old one gives (litres - 5,000) / 5 too much above its middle: 0 and 200, 200 and 800, 800 and no more."""


def replaced(variances, *, events=1, charts=(OLD, NEW)):
    """The fleet with three days of T2, beside those of others, of which the last brought a new chart."""
    fleet = fleet_of()
    days = [
        {"tank_id": "T2", "trading_day": date(2026, 4, 5 + number), "sales_l": 1_000.0, "variance_l": variance,
         "opening_stock_l": stocks[0], "closing_stock_l": stocks[1]}
        for number, (variance, stocks) in enumerate(zip(variances, STOCKS, strict=True))
    ]  # fmt: skip
    rows = [
        {"tank_id": "T2", "valid_from": at, "level_mm": 1_000.0 * number, "volume_l": litres}
        for at, chart in zip((START - timedelta(days=90), CHANGED), charts, strict=True)
        for number, litres in enumerate(chart)
    ]
    parts = [
        {"tank_id": "T2", "trading_day": date(2026, 4, 6), "part": "chart_error", "litres": 590.0},
        {"tank_id": "T2", "trading_day": date(2026, 4, 6), "part": "bulk_theft", "litres": -20.0},
    ]
    event = {"tank_id": "T2", "ts": CHANGED + timedelta(hours=9), "kind": "chart_replaced"}
    sites = fleet.tables["sites"].with_columns(trading_day_start=pl.lit("00:00"), timezone=pl.lit("UTC"))
    frames = {
        **fleet.tables.frames, "sites": sites, "tank_days": pl.DataFrame(days), "variance_parts": pl.DataFrame(parts),
        "strapping": pl.DataFrame(rows), "events": pl.DataFrame([event]).head(events),
    }  # fmt: skip
    tables = Tables.of(frames)
    return money.site_months(tables, {t["tank_id"]: t for t in fleet.tanks}, fleet.cases)[0]


def test_what_an_old_chart_put_into_its_days_is_chart_and_no_loss():
    """Ten litres were lost on each day, twenty of them by name; the rest of the variance was the chart's."""
    april = replaced([of - 10.0 for of in OF_CHART])
    assert april["variance_l"] == pytest.approx(-30.0)
    assert april["chart"].litres == pytest.approx(0.0, abs=1e-9)
    assert told(april, "lost") == (pytest.approx(30.0), {"EUR": pytest.approx(45.0)})
    assert told(april, "named_lost") == (20.0, {"EUR": 30.0})


def test_a_month_that_ends_before_the_new_chart_keeps_what_the_old_one_put_into_it():
    only = replaced([OF_CHART[0] - 10.0, OF_CHART[1] - 10.0, None])
    assert only["chart"].litres == pytest.approx(800.0)
    assert only["variance_l"] == pytest.approx(-20.0)


def test_a_new_chart_by_which_the_days_close_worse_restates_nothing():
    april = replaced([-10.0, -10.0, -10.0 - 800.0])
    assert april["chart"].litres is None
    assert april["variance_l"] == pytest.approx(-830.0)


def test_a_chart_that_nobody_says_was_replaced_restates_nothing():
    april = replaced([of - 10.0 for of in OF_CHART], events=0)
    assert april["chart"].litres is None


def test_the_site_months_that_are_shown_are_saved_with_units(browser, report, frames):
    site = frames["sites"]["name"][0]
    tanks = frames["tanks"].filter(site_id=frames["sites"]["site_id"][0])["tank_id"]
    own = frames["tank_days"].filter(pl.col("tank_id").is_in(tanks.implode()))
    with opened(browser, report / "money.html", accept_downloads=True) as page:
        page.locator("select[name=site]").select_option(site)
        rows = saved_rows(page)
    assert {r["site"] for r in rows} == {site}
    assert sum(float(r["sales_l"]) for r in rows) == pytest.approx(own["sales_l"].sum(), abs=0.01)
    assert sum(float(r["variance_l"]) for r in rows) == pytest.approx(own["variance_l"].sum(), abs=0.01)
    assert {r["currency"] for r in rows} == {"EUR"}
