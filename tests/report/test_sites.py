"""Kind of evidence: known truth and a real browser. Pages of sites, of their days, of what left beyond sales."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.report.beyond import beyond_sales, hours
from pipeline.report.fleet import Fleet
from pipeline.report.tables import Tables
from tests.support.browser import all_drawn, follow, opened, until
from tests.support.report_frames import TS, build_frames, last_day
from tests.support.saved import saved_rows

PHONE = {"viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True}
PLACES = ("sites.html", "beyond.html", "patterns.html", "sites/S02.html", "days/S02.html")


@pytest.mark.parametrize("path", PLACES)
def test_a_page_opens_without_a_word_of_complaint_also_on_a_phone(browser, report, path):
    with opened(browser, report / path, **PHONE) as page:
        assert page.locator("h1").count() == 1
        all_drawn(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= 360


@pytest.mark.parametrize(
    ("path", "link"),
    [
        ("index.html", "#worklist tr[data-site='Mill Bridge'] td a"),
        ("fleet.html", "#tank-list tr[data-site='Mill Bridge'] td a"),
        ("sites.html", "#site-list tr[data-site='Mill Bridge'] th a"),
        ("money.html", "#money-list tr[data-site='Mill Bridge'] th a"),
        ("tanks/S02-T1.html", ".tank-head .more a"),
    ],
)
def test_a_sites_page_is_reached_from_wherever_the_site_is_named(browser, report, path, link):
    with opened(browser, report / path) as page:
        follow(page.locator(f"{link}:visible").first)
        assert page.url.endswith("/sites/S02.html")
        assert page.locator("h1").inner_text() == "Mill Bridge"


def test_the_field_that_finds_things_leads_to_a_sites_page(browser, report):
    with opened(browser, report / "index.html") as page:
        page.keyboard.press("/")
        page.keyboard.type("mill bridge")
        until(page, "document.querySelectorAll('#found li').length > 0")
        page.locator("#found li a", has_text="Site").first.click()
        page.wait_for_url("**/sites/S02.html")


def test_a_span_of_days_is_summed_by_tank_and_hose_as_the_days_say(browser, report, frames):
    """Against sums of the frames; picked by the keyboard's way in, kept in the address, saved as it is shown."""
    first, last = last_day(60) - timedelta(days=20), last_day(60) - timedelta(days=11)
    span = pl.col("trading_day").is_between(first, last)
    days = frames["tank_days"].filter(span, pl.col("tank_id").str.starts_with("S02")).sort("tank_id", "trading_day")
    wanted = {r["tank_id"]: r for r in days.group_by("tank_id").agg(
        pl.col("opening_stock_l").first(), pl.col("closing_stock_l").last(),
        pl.col("sales_l", "deliveries_l", "variance_l").sum()).iter_rows(named=True)}  # fmt: skip
    with opened(browser, report / "days/S02.html", accept_downloads=True) as page:
        assert page.locator("button[data-span=all]").get_attribute("aria-pressed") == "true"
        page.locator("input[name=from]").fill(str(first))
        page.locator("input[name=to]").fill(str(last))
        assert page.evaluate("location.hash") == f"#from={first}&to={last}"
        page.reload()
        rows = {r["tank_id"]: r for r in saved_rows(page)}
        line = page.locator("#span-line").inner_text()
        hoses = page.locator("#span-hoses tbody tr").evaluate_all(
            "rows => rows.map(r => [r.dataset.name, Number(r.querySelector('[data-of=sold_l]').dataset.v)])"
        )
        page.locator("input[name=to]").fill(str(first - timedelta(days=1)))
        assert page.locator(".mistake").is_visible()
        page.locator("button[data-span='7']").focus()
        page.keyboard.press("Enter")
        assert page.locator("input[name=from]").input_value() == str(last_day(60) - timedelta(days=6))
        assert not page.locator(".mistake").is_visible()
    assert set(rows) == set(wanted)
    for tank, row in rows.items():
        for name in ("opening_stock_l", "closing_stock_l", "sales_l", "deliveries_l", "variance_l"):
            assert float(row[name]) == pytest.approx(wanted[tank][name], abs=0.01), (tank, name)
        assert float(row["variance_pct"]) == pytest.approx(
            100 * wanted[tank]["variance_l"] / wanted[tank]["sales_l"], abs=1e-4
        )
        assert (row["from"], row["to"], row["days"]) == (str(first), str(last), "10")
    sales = round(days["sales_l"].sum())
    assert f"{sales:,}".replace(",", "\u202f") in line
    sold = dict(frames["hose_days"].filter(span).group_by("meter_id").agg(pl.col("sold_l").sum()).rows())
    assert len(hoses) == 4 * len(wanted)
    assert all(litres == pytest.approx(sold[meter], abs=0.01) for meter, litres in hoses)


def test_without_scripts_the_sums_of_all_days_are_there(browser, report, frames):
    own = frames["tank_days"].filter(pl.col("tank_id") == "S02-T1")
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto((report / "days/S02.html").as_uri())
        shown = float(page.locator("#span-tanks tr[data-key='S02-T1'] [data-of=variance_l]").get_attribute("data-v"))
        assert page.locator("form.span-form").is_hidden()
    assert shown == pytest.approx(own["variance_l"].sum(), abs=0.051)


def draws_of(*starts: str) -> list[dict[str, object]]:
    """Rows of what left a tank in Berlin that lost 10 l, 11 l, … at some instants of UTC."""
    frames = build_frames(tank_count=2, days=10)
    at = [datetime.fromisoformat(s).replace(tzinfo=UTC) for s in starts]
    frames["draws"] = pl.DataFrame(
        [("S02-T1", t, t + timedelta(minutes=5), -10.0 - i, 1.0, "at rest") for i, t in enumerate(at)],
        schema={"tank_id": pl.String, "ts_start": TS, "ts_end": TS, "litres": pl.Float64, "sd_l": pl.Float64,
                "kind": pl.String}, orient="row",
    )  # fmt: skip
    frames["cases"] = frames["cases"].clear()
    frames["tanks"] = frames["tanks"].with_columns(site_id=pl.lit("S02"))
    frames["tanks"] = frames["tanks"].with_columns(tank_id=pl.Series(["S02-T1", "S02-T2"]))
    frames["sites"] = pl.DataFrame(
        [("S02", "Mill Bridge", "Europe/Berlin", "06:00", "EUR")],
        schema=["site_id", "name", "timezone", "trading_day_start", "currency"], orient="row",
    )  # fmt: skip
    return beyond_sales(Fleet.of(Tables.of(frames), last_day(10)))


def test_draws_stand_at_the_sites_own_hour_and_weekday_over_a_change_of_clocks():
    """Berlin is an hour ahead of UTC until 29 March 2026, then two: 23:30 UTC of a Friday is Saturday, 0:30."""
    rows = draws_of("2026-03-20T23:30", "2026-04-03T22:30", "2026-03-23T11:00")
    assert [(r["litres"], r["is_night"]) for r in rows] == [(11.0, True), (12.0, False), (10.0, True)]
    (trace,) = hours(rows)["traces"]
    seen = {(d, h): v for d, row in enumerate(trace["z"]) for h, v in enumerate(row) if v is not None}
    assert seen == {(5, 0): 21, (0, 12): 12}
    assert trace["customdata"][5][0] == "Sat, 0:00, draws: 2"
    assert hours([]) is None


def test_all_that_left_is_listed_with_its_case_and_saved(browser, report, frames):
    """Each draw, and the cases of small draws and missing sales, which no draw of the frames is of."""
    cases = {r["cause"]: r for r in frames["cases"].iter_rows(named=True)}
    with opened(browser, report / "beyond.html", accept_downloads=True) as page:
        all_drawn(page)
        every = page.locator("#beyond-list tbody tr").count()
        page.locator("select[name=kind]").select_option("Missing sales")
        rows = saved_rows(page)
        shown = page.locator("#beyond-list tbody tr:visible").inner_text()
    assert every == frames["draws"].height + 2
    (row,) = rows
    missing = cases["missing_sales"]
    assert (row["case_id"], row["tank_id"]) == (missing["case_id"], missing["tank_id"])
    assert float(row["left_l"]) == pytest.approx(-missing["litres"], abs=1e-3)
    assert "Metered product with no sale" in shown
