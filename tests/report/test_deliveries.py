"""Kind of evidence: known truth by construction: a few drops whose lines, order and places are plain to see."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.report import deliveries
from pipeline.report.fleet import Fleet
from pipeline.report.pages import Pages
from pipeline.report.tables import Tables
from tests.support.browser import all_drawn, follow, opened, until
from tests.support.report_frames import build_frames, last_day
from tests.support.saved import saved_rows

AS_OF = date(2026, 3, 31)
MORNING = datetime(2026, 3, 20, 8, 0, tzinfo=UTC)


def drop(drop_id, at, *, tank="T1", ticket=None, ticketed=None, gain=10_000.0, sold=0.0):
    mismatch = None if ticketed is None else gain - ticketed
    return {
        "tank_id": tank, "drop_id": drop_id, "ts_start": at, "ts_end": at + timedelta(minutes=20), "gain_l": gain,
        "sold_during_l": sold, "delivery_id": ticket, "ticket_volume_l": ticketed, "mismatch_l": mismatch,
        "mismatch_sd_l": None if ticketed is None else 30.0,
    }  # fmt: skip


def ticket(delivery_id, at, *, tank="T1", litres=10_000.0, carrier="Brook", vehicle="V1", terminal="Estuary"):
    return {
        "delivery_id": delivery_id, "tank_id": tank, "ts_ticket": at, "ticket_volume_l": litres, "carrier": carrier,
        "vehicle": vehicle, "terminal": terminal,
    }  # fmt: skip


def case(case_id, cause, **changes):
    row = {
        "case_id": case_id, "cause": cause, "site_id": "S", "tank_id": "T1", "meter_id": None, "delivery_id": None,
        "ts_start": MORNING, "ts_end": MORNING + timedelta(hours=1), "raised_on": date(2026, 3, 21), "litres": -200.0,
        "litres_low": -260.0, "litres_high": -140.0, "probability": 0.9, "urgency": "today", "action": "look",
        "summary": "seen", "rate_l_per_h": None, "meter_error_pct": None,
    }  # fmt: skip
    return row | changes


def fleet_of(drops=(), tickets=(), cases=(), **more):
    frames = {
        "sites": pl.DataFrame(
            [("S", "Harbour", "Europe/Berlin", "EUR")], schema=["site_id", "name", "timezone", "currency"], orient="row"
        ),
        "tanks": pl.DataFrame(
            [("T1", "S", "diesel_b7"), ("T2", "S", "gasoline_e5")], schema=["tank_id", "site_id", "product"],
            orient="row",
        ),
    } | {
        name: pl.DataFrame(list(rows), infer_schema_length=None)
        for name, rows in (("drops", drops), ("deliveries", tickets), ("cases", cases)) if rows
    } | more  # fmt: skip
    return Fleet.of(Tables.of(frames), AS_OF)


def rows_of(*arguments, **more):
    fleet = fleet_of(*arguments, **more)
    return deliveries.deliveries(fleet.tables, {t["tank_id"]: t for t in fleet.tanks}, fleet.cases)


LEFT = {
    "tank_id": "T1", "drop_id": "A", "delivery_id": "D1", "ticket_volume_l": 10_000.0, "left_l": -4.8,
    "left_sd_l": 30.0, "chart_sd_l": 40.0, "temperature_l": -12.4, "chart_l": -30.3, "meters_l": 1.2,
}  # fmt: skip


def test_the_lines_of_a_delivery_add_up_to_its_difference():
    """9,950 l found of 10,000: −12.4 − 30.3 + 1.2 − 4.8 are −46.3, which leaves −3.7 to the settling.

    In whole litres −12 − 30 + 1 − 5 leave −4 of −50. The doubt of what is left is 1.96 · √(30² + 40²) = 98 l.
    """
    one = drop("A", MORNING, ticket="D1", ticketed=10_000.0, gain=9_950.0, sold=120.0)
    (row,) = rows_of([one], [ticket("D1", MORNING)], drop_left=pl.DataFrame([LEFT]))
    assert (row["ticketed_l"], row["found_l"], row["rise_l"], row["difference_l"]) == (10_000.0, 9_950.0, 9_830.0, -50)
    assert (row["low_l"], row["high_l"]) == (pytest.approx(-108.8), pytest.approx(8.8))
    assert row["parts_l"]["settling"] == pytest.approx(-3.7)
    assert sum(row["parts_l"].values()) == pytest.approx(row["difference_l"])
    assert row["lines"] == [("temperature", -12), ("chart", -30), ("meters", 1), ("settling", -4), ("left", -5)]
    assert (row["left_low_l"], row["left_high_l"]) == (pytest.approx(-102.8), pytest.approx(93.2))


def test_the_lines_add_up_as_they_are_shown_and_as_they_are_saved(frames, as_of):
    fleet = Fleet.of(Tables.of(frames), as_of)
    rows = deliveries.deliveries(fleet.tables, {t["tank_id"]: t for t in fleet.tanks}, fleet.cases)
    assert len(rows) == frames["drops"].height > 100
    records = deliveries.delivery_records(rows)
    at = {name: number for number, name in enumerate(records["columns"])}
    for row in rows:
        assert sum(litres for _, litres in row["lines"]) == round(row["difference_l"])
        saved = records["rows"][row["key"]]
        lines = sum(saved[at[f"{name}_l"]] for name in ("temperature", "chart", "meters", "settling", "left"))
        assert lines == pytest.approx(saved[at["difference_l"]], abs=0.03)
        assert saved[at["gauge_rise_l"]] + saved[at["sold_meanwhile_l"]] == pytest.approx(
            saved[at["found_l"]], abs=0.02
        )


def test_a_drop_that_could_not_be_taken_apart_has_a_difference_and_no_lines():
    (row,) = rows_of([drop("A", MORNING, ticket="D1", ticketed=10_000.0, gain=9_950.0)], [ticket("D1", MORNING)])
    assert (row["difference_l"], row["parts_l"], row["lines"]) == (-50.0, {}, [])


def test_drops_without_a_ticket_and_tickets_without_a_drop_stand_among_the_others_the_newest_first():
    rows = rows_of(
        [drop("A", MORNING, ticket="D1", ticketed=10_000.0), drop("B", MORNING + timedelta(hours=2), tank="T2")],
        [ticket("D1", MORNING), ticket("D9", MORNING + timedelta(hours=1), litres=4_000.0, carrier=None)],
    )
    assert [r["key"] for r in rows] == ["B", "D9", "A"]
    bare, lost, sound = rows
    assert (bare["tickets"], bare["ticketed_l"], bare["difference_l"], bare["haulier"]) == ([], None, None, "")
    assert (lost["has_drop"], lost["ticketed_l"], lost["found_l"], lost["haulier"]) == (False, 4_000.0, None, "")
    assert (sound["haulier"], sound["vehicle"], sound["terminal"]) == ("Brook", "V1", "Estuary")


def test_a_drop_has_all_its_tickets_and_whoever_brought_them():
    """Two compartments of 6,000 and 4,000 l are one drop; neither ticket is without a drop."""
    told = pl.DataFrame({"tank_id": ["T1"] * 2, "drop_id": ["A"] * 2, "delivery_id": ["D0", "D1"]})
    (row,) = rows_of(
        [drop("A", MORNING, ticket="D1", ticketed=10_000.0)],
        [ticket("D0", MORNING, litres=4_000.0), ticket("D1", MORNING, litres=6_000.0, vehicle="V2")],
        drop_tickets=told,
    )
    assert row["tickets"] == ["D1", "D0"]
    assert (row["haulier"], row["vehicle"]) == ("Brook", "V2, V1")


def test_a_delivery_stands_on_the_day_of_its_sites_clock():
    """23:30 UTC on 2 March is half past midnight of 3 March in Berlin."""
    late = datetime(2026, 3, 2, 23, 30, tzinfo=UTC)
    days = pl.DataFrame({"tank_id": ["T1"], "trading_day": [date(2026, 3, 3)]})
    drops = [drop("A", late), drop("B", late, tank="T2")]
    by_key = {r["key"]: r for r in rows_of(drops, tank_days=days)}
    assert by_key["A"]["day"] == date(2026, 3, 3)
    assert by_key["A"]["href"] == "tanks/T1.html#day-2026-03-03"
    assert by_key["B"]["href"] == "tanks/T2.html", "its page has no sheet of that day"


def test_a_claim_is_open_until_somebody_closes_the_case_or_it_is_past():
    drops = [drop(i, MORNING, ticket=f"D{i}", ticketed=10_000.0) for i in "ABCE"] + [drop("N", MORNING, tank="T2")]
    cases = [
        case("a", "short_delivery", delivery_id="DA"),
        case("b", "short_delivery", delivery_id="DB", ts_end=datetime(2026, 3, 2, tzinfo=UTC),
             ts_start=datetime(2026, 3, 1, tzinfo=UTC), raised_on=date(2026, 3, 2)),
        case("c", "over_delivery", delivery_id="DC"),
        case("n", "missing_ticket", tank_id="T2", litres=200.0, litres_low=140.0, litres_high=260.0),
        case("t", "tank_leak"),
    ]  # fmt: skip
    closing = {"seq": 1, "at": MORNING, "who": "M. Orr", "case_id": "c", "kind": "closed", "verdict": "confirmed",
               "cause": "over_delivery", "learned_on": date(2026, 3, 22), "seen_urgency": "today",
               "seen_litres_low": -260.0, "seen_litres_high": -140.0}  # fmt: skip
    rows = rows_of(drops, [ticket(f"D{i}", MORNING) for i in "ABCE"], cases, sayings=pl.DataFrame([closing]))
    told = {r["key"]: (r["claim"], r["case"] and r["case"].row["case_id"]) for r in rows}
    assert told == {"A": ("open", "a"), "B": ("past", "b"), "C": ("closed", "c"), "E": ("", None), "N": ("open", "n")}


def test_a_claim_is_to_be_made_within_a_week_of_its_case_or_by_the_day_said_at_the_desk():
    drops = [drop(i, MORNING, ticket=f"D{i}", ticketed=10_000.0) for i in "ABE"]
    cases = [case(i.lower(), "short_delivery", delivery_id=f"D{i}") for i in "AB"]
    taken = {"seq": 1, "at": MORNING, "who": "M. Orr", "case_id": "b", "kind": "taken", "owner": "M. Orr",
             "due_on": date(2026, 3, 24), "cause": "short_delivery"}  # fmt: skip
    rows = rows_of(drops, [ticket(f"D{i}", MORNING) for i in "ABE"], cases, sayings=pl.DataFrame([taken]))
    assert {r["key"]: r["claim_by"] for r in rows} == {"A": date(2026, 3, 28), "B": date(2026, 3, 24), "E": None}
    saved = deliveries.delivery_records(rows)
    assert saved["rows"]["A"][saved["columns"].index("claim_by")] == "2026-03-28"


def test_a_list_that_is_too_long_is_cut_between_days_and_at_months(monkeypatch):
    """Three a day from 30 March to 2 April, at most seven a page: April's six, then March's six."""
    monkeypatch.setattr(deliveries, "MAX_ROWS", 7)
    noon = datetime(2026, 3, 30, 12, tzinfo=UTC)
    drops = [drop(f"{d}{k}", noon + timedelta(days=d, hours=k)) for d in range(4) for k in range(3)]
    spans = deliveries.windows(rows_of(drops))
    assert [(first, last, len(rows)) for first, last, rows in spans] == [
        (date(2026, 4, 1), date(2026, 4, 2), 6), (date(2026, 3, 30), date(2026, 3, 31), 6),
    ]  # fmt: skip
    monkeypatch.setattr(deliveries, "MAX_ROWS", 2)
    assert [len(rows) for _, _, rows in deliveries.windows(rows_of(drops))] == [2, 1] * 4, "a day is its own"


def test_the_calendar_counts_a_months_deliveries_by_site_and_day():
    rows = rows_of(
        [drop("A", MORNING, ticket="D1", ticketed=10_000.0), drop("B", MORNING + timedelta(hours=3), tank="T2"),
         drop("C", datetime(2026, 2, 27, 9, tzinfo=UTC))],
        [ticket("D1", MORNING)], [case("a", "short_delivery", delivery_id="D1")],
    )  # fmt: skip
    month = deliveries.calendar(rows, date(2026, 3, 1))
    assert len(month["days"]) == 31
    ((site, cells),) = month["sites"]
    assert site == "Harbour"
    assert {d.day: cell for d, cell in zip(month["days"], cells, strict=True) if cell[0]} == {20: (2, True)}


def test_pages_of_sixty_tanks_and_ninety_days_stay_light():
    """The sizes that the pages are held to: 300 KB for 60 tanks and 90 days."""
    frames = build_frames(tank_count=60, days=90)
    pages = Pages.of(Fleet.of(Tables.of(frames), last_day(90)), [])
    lists = [p for p in pages.made if p.startswith("deliveries")]
    seen = 0
    for path in [*lists, "money.html"]:
        html = pages.render(path)
        assert len(html.encode()) < 300_000, path
        seen += html.count("<tr data-key=") if path in lists else 0
    assert seen == frames["drops"].height > 500


def test_the_list_is_filtered_and_what_is_shown_is_saved(browser, report, frames):
    """By haulier and by open claim; each row once, its lines in whole cells."""
    newest = frames["drops"].filter(pl.col("ts_start").dt.month() == frames["drops"]["ts_start"].max().month)
    of = newest.join(frames["deliveries"].select("delivery_id", "carrier"), on="delivery_id")
    with opened(browser, report / "deliveries.html", accept_downloads=True) as page:
        assert page.locator("#delivery-list tbody tr:visible").count() == newest.height
        page.locator("select[name=haulier]").select_option("Westline")
        rows = saved_rows(page)
        assert {r["haulier"] for r in rows} == {"Westline"}
        assert {r["delivery_ids"] for r in rows} == set(of.filter(carrier="Westline")["delivery_id"])
        told = {r["delivery_ids"]: r for r in rows}
        for row in of.filter(carrier="Westline").iter_rows(named=True):
            assert float(told[row["delivery_id"]]["difference_l"]) == pytest.approx(row["mismatch_l"], abs=0.01)
        page.locator("button[type=reset]").click()
        page.locator("select[name=claim]").select_option("open")
        claimed = saved_rows(page)
        page.emulate_media(media="print")
        assert page.locator("#delivery-list tbody tr:visible").count() == len(claimed)
        assert "Claim: Claim open" in page.locator(".filtered").inner_text()
    cases = frames["cases"].filter(pl.col("cause").is_in(["short_delivery", "over_delivery", "wrong_product"]))
    assert {r["case_id"] for r in claimed} == set(cases["case_id"])


def test_a_row_leads_to_its_day_on_its_tanks_page(browser, report):
    with opened(browser, report / "deliveries.html") as page:
        link = page.locator("#delivery-list tbody th a").first
        day = link.get_attribute("href").partition("#day-")[2]
        follow(link)
        all_drawn(page)
        until(page, "document.querySelector('#chart-stock')._fullLayout.xaxis.range[0] > '2026-01-20'")
        start, end = page.evaluate("document.querySelector('#chart-stock')._fullLayout.xaxis.range")
        assert start < f"{day} 12:00" < end
        assert page.evaluate("document.querySelector(':target').dataset.key") == day
