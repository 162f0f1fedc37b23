"""Kind of evidence: known truth by construction, contract, a real browser. A site between any two instants."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from types import SimpleNamespace

import httpx
import polars as pl
import pytest

from pipeline.desk.shifts import hoses_between, picked_of, shifts_page
from pipeline.errors import ArgumentError
from pipeline.report.fleet import Fleet
from pipeline.report.hours import shifts_of
from pipeline.report.pages import Pages
from pipeline.report.tables import Tables
from tests.desk.conftest import DAYS
from tests.support.browser import follow
from tests.support.desks import desk
from tests.support.hand_site import START, HandSite, HandTank, Poured, at
from tests.support.lakes import rows
from tests.support.report_frames import last_day
from tests.support.saved import saved_rows
from tests.support.site_run import published

HAND_DAYS = 5
BERLIN = {"site_id": "S9", "timezone": "Europe/Berlin", "trading_day_start": "06:00"}


def mornings_and_evenings(litres):
    """Eight sales of some litres from six to half past nine, and eight half as large again from four on."""
    return [
        Poured(24.0 * day + hour + 0.5 * k, amount)
        for day in range(HAND_DAYS)
        for hour, amount in ((6.0, litres), (16.0, 1.5 * litres))
        for k in range(8)
    ]


@pytest.fixture(scope="module")
def hand():
    """A tank that sells 160 l and 240 l a day, gets 3,000 l at noon of day 1 and loses 50 l at half past ten of day 2;
    one that sells half of it, and one whose gauge says nothing."""
    tanks = [
        HandTank("T1", sales=mornings_and_evenings(20.0), drops=[Poured(36.0, 3_000.0, 10.0)],
                 lost=[Poured(70.5, 50.0, 20.0)]),
        HandTank("T2", sales=mornings_and_evenings(10.0)),
        HandTank("T3"),
    ]  # fmt: skip
    tables = HandSite(tanks, days=HAND_DAYS, tickets=[("D1", "T1", 35.0, 3_000.0)]).tables()
    tables["readings"] = tables["readings"].filter(pl.col("tank_id") != "T3")
    frames = tables | published(tables)[0]
    pages = Pages.of(Fleet.of(Tables.of(frames), (START + timedelta(days=HAND_DAYS - 1)).date()), [])
    return SimpleNamespace(frames=frames, fleet=pages.fleet, site=pages.site_of("sites/S1.html"), pages=pages)


@pytest.fixture(scope="module")
def hand_lake(hand, tmp_path_factory):
    """Its sales in folders of days, one of them twice."""
    return lake_of(hand.frames["sales"], tmp_path_factory.mktemp("lake"))


def lake_of(sales, place):
    twice = pl.concat([sales, sales.head(1)])
    for (day,), own in twice.with_columns(day=pl.col("ts_end").dt.date()).group_by("day"):
        folder = place / "sales" / f"day={day}"
        folder.mkdir(parents=True)
        own.drop("day").write_parquet(folder / "part-0.parquet")
    return place


def asked_of(hand, start, end, lake=None, **more):
    """The page of a span of hours after the data begin."""
    return shifts_page(hand.fleet, hand.site, {"from": text(start), "to": text(end)} | more, lake)


def text(hour):
    return f"{at(hour):%Y-%m-%dT%H:%M}"


def figures(page):
    names = ("opening_stock_l", "deliveries_l", "sales_l", "closing_stock_l", "variance_l")
    return {r["tank_id"]: [r[name] for name in names] for r in page["tanks"]}


def close(*values):
    return pytest.approx(list(values), abs=1e-6)


@pytest.mark.parametrize(
    ("start", "end", "first", "second"),
    [
        (28.0, 39.0, (5_600.0, 3_000.0, 160.0, 8_440.0, 0.0), (5_800.0, 0.0, 80.0, 5_720.0, 0.0)),
        (52.0, 63.0, (8_200.0, 0.0, 160.0, 8_040.0, 0.0), (5_600.0, 0.0, 80.0, 5_520.0, 0.0)),
        (63.0, 76.0, (8_040.0, 0.0, 240.0, 7_750.0, -50.0), (5_520.0, 0.0, 120.0, 5_400.0, 0.0)),
        (52.25, 76.5, (8_200.0, 0.0, 400.0, 7_750.0, -50.0), (5_600.0, 0.0, 200.0, 5_400.0, 0.0)),
    ],
    ids=["with a delivery", "a sound morning", "an evening with a loss", "a day and a bit"],
)
def test_a_spans_litres_are_those_that_were_poured(hand, hand_lake, start, end, first, second):
    page, is_answered = asked_of(hand, start, end, hand_lake)
    assert is_answered
    found = figures(page)
    assert found["T1"] == close(*first)
    assert found["T2"] == close(*second)
    assert found["T3"] == [None] * 5
    assert page["tanks"][0]["pct"] == pytest.approx(100 * first[4] / first[2])
    assert page["total"]["sales_l"] == pytest.approx(first[2] + second[2])
    for row in page["tanks"][:2]:
        assert abs(row["start_at"] - at(start)) <= timedelta(minutes=20)
        assert abs(row["end_at"] - at(end)) <= timedelta(minutes=20)
    sold = {h["meter_id"]: (h["sales"], h["sold_l"]) for h in page["hoses"]}
    assert sold == {"M-T1": (pytest.approx(first[2] / 20.0, rel=0.5), pytest.approx(first[2])),
                    "M-T2": (pytest.approx(second[2] / 10.0, rel=0.5), pytest.approx(second[2]))}  # fmt: skip


def test_a_whole_trading_day_is_as_the_page_of_days_has_it_and_its_shifts_add_up_to_it(hand, hand_lake):
    page, _ = asked_of(hand, 52.0, 76.0, hand_lake)
    days = hand.pages.made["days/S1.html"][1]()
    number = days["days"].index(at(52.0).date())
    of_day = hand.frames["tank_days"].filter(trading_day=days["days"][number]).sort("tank_id")
    found = figures(page)
    for row in of_day.iter_rows(named=True):
        wanted = [row[n] for n in ("opening_stock_l", "deliveries_l", "sales_l", "closing_stock_l", "variance_l")]
        assert found[row["tank_id"]] == pytest.approx(wanted, abs=1e-3)
    assert found["T1"] == pytest.approx([8_200.0, 0.0, 400.0, 7_750.0, -50.0], abs=1e-3)
    shifts = [asked_of(hand, *span)[0]["total"] for span in ((52.0, 63.0), (63.0, 76.0))]
    for name in ("sales_l", "deliveries_l", "variance_l"):
        assert sum(one[name] for one in shifts) == pytest.approx(page["total"][name], abs=1e-3)
    assert {h["meter_id"]: h["sold_l"] for h in page["hoses"]} == {
        "M-T1": pytest.approx(400.0), "M-T2": pytest.approx(200.0)
    }  # fmt: skip


def test_shifts_next_to_each_other_add_up_wherever_they_begin(hand, hand_lake):
    """Five spans from one instant to the next, none at a settled reading, come to the one that they make together."""
    cuts = [52.1, 55.37, 58.62, 61.9, 68.41, 76.2]
    spans = [asked_of(hand, *span, hand_lake)[0] for span in pairwise(cuts)]
    whole, _ = asked_of(hand, cuts[0], cuts[-1], hand_lake)
    for name in ("sales_l", "deliveries_l", "variance_l"):
        for tank in (0, 1):
            parts = sum(one["tanks"][tank][name] for one in spans)
            assert parts == pytest.approx(whole["tanks"][tank][name], abs=1e-6)
    assert [a["tanks"][0]["end_at"] for a in spans[:-1]] == [b["tanks"][0]["start_at"] for b in spans[1:]]
    assert sum(h["sold_l"] for one in spans for h in one["hoses"]) == pytest.approx(
        sum(h["sold_l"] for h in whole["hoses"])
    )


def test_within_half_an_hour_it_is_the_two_readings_about_it(hand):
    page, _ = asked_of(hand, 55.05, 55.1)
    row = page["tanks"][0]
    assert row["start_at"] <= at(55.05) < at(55.1) <= row["end_at"]
    assert row["end_at"] - row["start_at"] < timedelta(minutes=45)


def test_a_sale_under_way_at_an_instant_is_shared_by_time_and_by_feed(tmp_path):
    """60 l from 9:50 to 10:10: half by ten; the hose draws a quarter on T2. A hose without a sale has nought."""
    sale = {"sale_id": "A", "meter_id": "M1", "ts_start": at(10 - 1 / 6), "ts_end": at(10 + 1 / 6), "volume_l": 60.0}
    test = {"sale_id": "B", "meter_id": "M1", "ts_start": at(11), "ts_end": at(11.1), "volume_l": 20.0}
    lake = lake_of(rows("sales", sale | {"kind": "sale"}, test | {"kind": "test_return"}), tmp_path)
    fed = {"valid_from": at(-1.0)}
    feeds = rows(
        "meter_feeds", fed | {"meter_id": "M1", "tank_id": "T1", "share": 0.75},
        fed | {"meter_id": "M1", "tank_id": "T2", "share": 0.25},
        fed | {"meter_id": "M2", "tank_id": "T2", "share": 1.0},
        fed | {"meter_id": "M3", "tank_id": "T1", "share": 1.0, "valid_to": at(3.0)},
    )  # fmt: skip
    spans = [{"tank_id": name, "start_at": at(10.0), "end_at": at(12.0)} for name in ("T1", "T2")]
    found = hoses_between(lake, spans, feeds).rows()
    assert found == [("M1", "T1", 1, 22.5), ("M1", "T2", 1, 7.5), ("M2", "T2", 0, 0.0)]
    before = [span | {"start_at": at(9.0), "end_at": at(10.0)} for span in spans]
    assert hoses_between(lake, before, feeds).rows() == found


@pytest.mark.parametrize(
    ("request_", "told"),
    [
        ({"from": "yesterday", "to": "2026-01-07T12:00"}, "from: expected an instant, such as 2026-05-01T06:00"),
        ({"from": "2026-01-07T12:00"}, "to: expected an instant, such as 2026-05-01T06:00"),
        ({"from": "2026-01-07T12:00", "to": "0001-01-01T00:00+23:59"}, "to: expected an instant"),
        ({"from": "2026-01-07T12:00", "to": "2026-01-07T12:00"}, "from, to: expected a span that ends after it begins"),
        ({"from": "2026-01-08T12:00", "to": "2026-01-07T12:00"}, "from, to: expected a span that ends after it begins"),
        ({"from": "2027-01-07T12:00", "to": "2027-01-08T12:00"}, "No data of this site lie in this span: they are of"),
        ({"from": "2020-01-07T12:00", "to": "2020-01-08T12:00"}, "No data of this site lie in this span"),
        ({"shifts": "6"}, "shifts: expected two or three different hours"),
        ({"shifts": "06:00 06:00"}, "shifts: expected two or three different hours"),
        ({"shifts": "06:00 25:00"}, "shifts: expected two or three different hours"),
        ({"shifts": "1:00 2:00 3:00 4:00"}, "shifts: expected two or three different hours"),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_one_clear_line(hand, request_, told):
    page, is_answered = shifts_page(hand.fleet, hand.site, request_, None)
    assert not is_answered and page["mistake"].startswith(told) and "\n" not in page["mistake"]
    assert page["tanks"] == []


def test_clocks_that_change_are_told_of():
    """29 March has no half past two in Berlin; 25 October has it twice, first at 0:30 UTC, then at 1:30 UTC."""
    with pytest.raises(ArgumentError, match=r"^from: 29 Mar 2026, 02:30 is not there in Europe/Berlin"):
        picked_of({"from": "2026-03-29T02:30", "to": "2026-03-29T09:00"}, BERLIN, date(2026, 3, 28))
    twice = picked_of({"from": "2026-10-25T02:30", "to": "2026-10-25T02:30"}, BERLIN, date(2026, 10, 24))
    assert (twice.start, twice.end) == tuple(datetime(2026, 10, 25, h, 30, tzinfo=UTC) for h in (0, 1))
    assert [note.split(";")[1] for note in twice.notes] == [
        " the span begins with the first.", " the span ends with the second."
    ]  # fmt: skip
    exact = picked_of({"from": "2026-10-25T02:30+01:00", "to": "2026-10-25T09:00"}, BERLIN, date(2026, 10, 24))
    assert exact.start == twice.end and exact.notes == []
    hours = [time(6), time(14), time(22)]
    lengths = {day: [(e - s) / timedelta(hours=1) for s, e in shifts_of(BERLIN, day, hours)]
               for day in (date(2026, 3, 27), date(2026, 3, 28), date(2026, 10, 24))}  # fmt: skip
    assert list(lengths.values()) == [[8, 8, 8], [8, 8, 7], [8, 8, 9]]


def test_a_site_without_a_known_zone_goes_by_utc_and_says_so(hand):
    page, _ = shifts_page(hand.fleet, hand.site | {"timezone": "Mars/Olympus"}, {}, None)
    assert "The site names no time zone that is known: instants are UTC." in filled(hand, page)
    whole, _ = shifts_page(hand.fleet, hand.site, {}, None)
    assert "Instants are on the clock of UTC." in filled(hand, whole)


def filled(hand, page):
    return hand.pages.fill("shifts.html", "shifts/S1.html", **page)


def test_a_span_beyond_the_data_is_cut_and_a_tank_without_readings_says_so(hand, hand_lake):
    page, is_answered = asked_of(hand, -48.0, 40.0, hand_lake)
    assert is_answered and page["notes"][0].startswith("The data of this site are of 5 Jan 2026, 00:")
    assert page["tanks"][0]["start_at"] >= START
    assert "no settled reading ever" in filled(hand, page)
    silent = Fleet.of(Tables.of({**hand.frames, "ledger": hand.frames["ledger"].clear()}), date(2026, 1, 9))
    told, _ = shifts_page(silent, hand.site, {}, hand_lake)
    assert told["mistake"] == "There is no settled reading of this site."
    gap = hand.frames["ledger"].filter((pl.col("tank_id") == "T1") | (pl.col("ts_end") < at(40.0)))
    some = Fleet.of(Tables.of({**hand.frames, "ledger": gap}), date(2026, 1, 9))
    rows_of, _ = shifts_page(some, hand.site, {"from": text(63.0), "to": text(76.1)}, None)
    assert [r["start_at"] is None for r in rows_of["tanks"]] == [False, True, True]
    assert "no settled reading<" in filled(hand, rows_of)


# -- At the desk ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lake(tmp_path_factory):
    """Ten sales of 7 l on the last whole trading day, by one hose, at five past each hour from eight on in UTC."""
    morning = datetime.combine(last_day(DAYS) - timedelta(days=1), time(8, 5), UTC)
    sales = [
        {"sale_id": f"A{k}", "meter_id": "S02-T1-M1", "ts_start": morning + timedelta(hours=k),
         "ts_end": morning + timedelta(hours=k, minutes=2), "volume_l": 7.0, "kind": "sale"}
        for k in range(10)
    ]  # fmt: skip
    return lake_of(rows("sales", *sales), tmp_path_factory.mktemp("lake"))


@pytest.fixture(scope="module")
def with_lake(out, lake):
    with desk(out, "--lake", lake) as found:
        yield found


def test_a_shift_is_picked_on_the_page_of_days_and_summed_from_the_half_hours(browser, with_lake, frames):
    """Berlin is an hour ahead of UTC: from 9:10 to 12:10 there the ledger's rows are those from 8:00 to 11:00."""
    day = last_day(DAYS) - timedelta(days=1)
    with browser.new_context(accept_downloads=True) as context:
        page = context.new_page()
        wrong = []
        page.on("console", lambda m: wrong.append(m.text) if m.type in {"error", "warning"} else None)
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.goto(f"{with_lake}/tanks/S02-T1.html")
        follow(page.locator("#to-days a"))
        assert page.locator("h1").inner_text() == "Sales against the gauge, shift by shift"
        follow(page.locator(".crumb a"))
        page.get_by_text("Between any two instants, and by shifts").click()
        form = page.locator("#shift-form")
        form.locator("input[name=from]").fill(f"{day}T09:10")
        form.locator("input[name=to]").fill(f"{day}T12:10")
        form.locator("input[name=shifts]").fill("7:00, 19:00")
        follow(form.get_by_role("button", name="Show"))
        assert f"from={day}T09%3A10" in page.url and "shifts=" in page.url
        saved = {r["tank_id"]: r for r in saved_rows(page)}
        hoses = page.locator("#shift-hoses tbody tr[data-key^='S02-T1-M1']").inner_text().split("\t")
        inside = frames["ledger"].filter(
            pl.col("ts_start").is_between(*(datetime.combine(day, t, UTC) for t in (time(8), time(10, 30)))),
            pl.col("tank_id").str.starts_with("S02"),
        )
        for (tank,), own in inside.group_by("tank_id"):
            row = saved[tank]
            assert row["from"] == f"{day}T09:00:00+01:00" and row["to"] == f"{day}T12:00:00+01:00"
            assert float(row["sales_l"]) == pytest.approx(own["sold_l"].sum(), abs=1e-3)
            assert float(row["variance_l"]) == pytest.approx(own["residual_l"].sum(), abs=1e-3)
        assert hoses[2:4] == ["3", "21.0"]
        follow(page.locator("#picks").get_by_text("07:00 to 19:00"))
        assert "shifts=07%3A00+19%3A00" in page.url
        assert page.locator("#picks a[aria-current]").inner_text() == "07:00 to 19:00"
        follow(page.locator("#picks").get_by_text("A day earlier"))
        assert form.locator("input[name=from]").input_value() == f"{day - timedelta(days=1)}T07:00"
        assert wrong == []


def test_without_a_lake_hoses_are_not_told_and_wrong_questions_are_one_line(out, address, with_lake, lake):
    with httpx.Client(base_url=address) as client:
        page = client.get("/shifts/S02.html")
        assert page.status_code == 200 and "tankdrift desk OUT --lake LAKE" in page.text
        wrong = client.get("/shifts/S02.html", params={"from": "<b>", "to": "2026-01-20T06:00"})
        assert wrong.status_code == 400 and 'role="alert">from: expected an instant' in wrong.text
        assert "<b>" not in wrong.text.split("</header>")[1].split("</form>")[0]
        assert client.get("/shifts/S99.html").status_code == 404
        assert "shift-form" in client.get("/days/S02.html").text
    whole_time = {"from": "2026-01-13T06:00", "to": f"{last_day(DAYS)}T06:00"}
    long = httpx.get(f"{with_lake}/shifts/S02.html", params=whole_time)
    assert long.status_code == 200 and "read from the lake for 31 days at most" in long.text
    spoilt = next(lake.rglob("*.parquet"))
    whole = spoilt.read_bytes()
    try:
        spoilt.write_bytes(whole[: len(whole) // 2])
        told = httpx.get(f"{with_lake}/shifts/S02.html")
    finally:
        spoilt.write_bytes(whole)
    assert told.status_code == 200 and "sales cannot be read" in told.text
    on_disk = (out / "report" / "days" / "S02.html").read_text(encoding="utf-8")
    assert "shift-form" not in on_disk and "tankdrift desk OUT." in on_disk
