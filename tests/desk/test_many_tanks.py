"""Kind of evidence: a real browser at a real desk over five hundred tanks, whose pages are made from results."""

import polars as pl
import pytest

from pipeline.report.fleet import Fleet
from pipeline.report.pages import Pages
from pipeline.report.tables import Tables
from tests.desk.test_morning import at_the_desk, card_of, grown, row_of, say
from tests.support.browser import follow, until
from tests.support.desks import desk
from tests.support.many_tanks import many_tanks
from tests.support.published import snapshot_frames
from tests.support.report_frames import build_frames, last_day

DAYS, TANKS = 12, 500
MOST_BYTES = 300_000
NEW = "bulk_theft"


@pytest.fixture(scope="module")
def frames():
    return many_tanks(build_frames(tank_count=20, days=DAYS), TANKS)


@pytest.fixture(scope="module")
def out(frames, tmp_path_factory):
    """Two nights: the second raised the sudden draws."""
    out = tmp_path_factory.mktemp("many")
    before = frames["cases"].filter(pl.col("cause") != NEW)
    snapshot_frames(out, {**frames, "cases": before}, days=DAYS)
    return snapshot_frames(out, frames, days=DAYS, night=2)


@pytest.fixture(scope="module")
def address(out):
    with desk(out, "--name", "M. Orr") as found:
        yield found


def find(page, words):
    """Find something by its name, without a mouse, and open the first that comes."""
    page.keyboard.press("/")
    page.keyboard.type(words)
    until(page, "!document.getElementById('found').hidden")
    with page.expect_navigation():
        page.keyboard.press("Enter")


def test_no_page_of_five_hundred_tanks_is_heavy_and_every_row_is_on_one(frames):
    pages = Pages.of(Fleet.of(Tables.of(frames), last_day(DAYS)), [])
    lists = {path: pages.render(path) for path in pages.made if not path.startswith("tanks/")}
    some = [tank["href"] for tank in pages.fleet.tanks[:: TANKS // 4]]
    heavy = {path: len(html.encode()) for path, html in lists.items()} | {p: len(pages.render(p)) for p in some}
    assert {path: size for path, size in heavy.items() if size >= MOST_BYTES} == {}
    rows = {"index": frames["cases"], "statements": frames["statements"], "fleet": frames["tanks"],
            "deliveries": frames["drops"]}  # fmt: skip
    for kind, frame in rows.items():
        own = [html for path, html in lists.items() if path.removesuffix(".html").split("-")[0] == kind]
        assert sum(html.count("<tr") - html.count("<thead><tr") for html in own) >= frame.height
        assert sum(html.count(" data-key=") for html in own) == frame.height, kind
        assert len(own) > 1, kind


def test_a_morning_at_five_hundred_tanks(browser, address, out, frames):
    new = frames["cases"].filter(cause=NEW)
    mine, other = new.row(0, named=True), frames["cases"].filter(cause="missing_ticket").row(1, named=True)
    with at_the_desk(browser, address) as page:
        assert f"{new.height} new" in page.locator("p.news").inner_text()
        assert row_of(page, other["case_id"]).is_visible()
        find(page, mine["case_id"])
        assert page.locator("h1").inner_text() == mine["tank_id"]
        assert mine["case_id"] in page.evaluate("document.querySelector(':target').innerText")
        say(card_of(page, mine["case_id"]), "Take in hand", owner="M. Orr", due="2026-01-26")
        say(card_of(page, mine["case_id"]), "Take in hand", owner="Ines", note="yours from here")
        assert "in hand: Ines" in card_of(page, mine["case_id"]).locator("header").inner_text()
        say(card_of(page, mine["case_id"]), "Close", verdict="confirmed", litres="-800", recovered="1200")
        find(page, other["case_id"])
        say(card_of(page, other["case_id"]), "Close", verdict="ruled_out", note="tested tight")
        follow(card_of(page, other["case_id"]).get_by_role("link", name="Paper to print"))
        assert "tested tight" in page.locator("article").inner_text()
        assert page.pdf().startswith(b"%PDF-")
    cases = grown(frames["cases"], other["case_id"], 3.0)
    snapshot_frames(out, {**frames, "cases": cases}, days=DAYS, night=3)
    with at_the_desk(browser, address) as page:
        told = page.locator("p.news").inner_text()
        assert told == "Since the run over data to 23 Jan 2026: 1 worse, 1 closed."
        assert "its litres are beyond what they were" in row_of(page, other["case_id"]).inner_text()
        find(page, mine["case_id"])
        assert "closed on" in card_of(page, mine["case_id"]).locator("header").inner_text()


def test_whatever_has_a_name_is_found_from_any_page(browser, address, frames):
    tank, meter = frames["tanks"]["tank_id"][-1], frames["meters"]["meter_id"][-1]
    site, ticket = frames["sites"]["name"][-1], frames["drops"]["delivery_id"].drop_nulls()[-1]
    with at_the_desk(browser, address) as page:
        find(page, tank)
        assert page.locator("h1").inner_text() == tank
        for words, table in ((meter, "meter-list"), (ticket, "delivery-list")):
            find(page, words)
            shown = page.locator(f"#{table} tbody tr:visible")
            assert shown.count() >= 1 and all(words in text for text in shown.all_inner_texts()), words
        find(page, site)
        assert page.locator("h1").inner_text() == site
        page.keyboard.press("/")
        page.keyboard.type("nobody is called that")
        until(page, "document.getElementById('found').innerText === 'Nothing goes by that name.'")
        page.keyboard.press("Escape")
        assert page.locator("#found").is_hidden()
