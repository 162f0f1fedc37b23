"""Kind of evidence: a real browser, from disk and at a desk. A filter looks through all parts of a long list."""

import shutil
from urllib.request import url2pathname

import polars as pl
import pytest

from pipeline.report.parts import MOST, MOST_READ, parted
from pipeline.report.site import write_report
from pipeline.report.text import CAUSES
from tests.support.browser import until
from tests.support.desks import desk
from tests.support.many_tanks import many_tanks
from tests.support.published import snapshot_frames
from tests.support.report_frames import build_frames, last_day
from tests.support.saved import saved_rows

DAYS, TANKS = 12, 300


@pytest.fixture(scope="module")
def frames():
    return many_tanks(build_frames(tank_count=20, days=DAYS), TANKS)


@pytest.fixture(scope="module")
def places(frames, tmp_path_factory):
    """Where the pages are: a folder on disk, and a desk."""
    out = tmp_path_factory.mktemp("many")
    report = write_report(frames, out, as_of=last_day(DAYS)).parent
    snapshot_frames(out, frames, days=DAYS)
    with desk(out, "--name", "M. Orr") as address:
        yield {"from disk": report.as_uri(), "at a desk": address}


@pytest.fixture
def page(browser):
    with browser.new_context(accept_downloads=True) as context:
        page = context.new_page()
        wrong = []
        page.on("console", lambda m: wrong.append(m.text) if m.type in {"error", "warning"} else None)
        page.on("pageerror", lambda e: wrong.append(str(e)))
        yield page
        assert wrong == []


def keys(page, table):
    shown = page.locator(f"#{table} tbody tr:visible")
    return shown.evaluate_all("rows => rows.map(row => row.dataset.key)")


def counted(page, words):
    until(page, "words => document.querySelector('form.filters output').textContent === words", words)


@pytest.mark.parametrize("where", ["from disk", "at a desk"])
def test_a_filter_finds_rows_of_every_part_and_they_are_saved_and_printed(page, places, frames, where):
    tanks = frames["tanks"].join(frames["sites"], on="site_id").sort("site_id", "tank_id")
    site = tanks["name"][-1]
    wanted = tanks.filter(name=site)["tank_id"].to_list()
    page.goto(f"{places[where]}/fleet.html")
    counted(page, f"All {MOST['fleet.html']} shown")
    first = keys(page, "tank-list")
    assert not set(wanted) & set(first)
    assert page.get_by_text("Filters look through all of them.").count() == 1
    page.locator("select[name=site]").select_option(site)
    counted(page, f"{len(wanted)} of {tanks.height} shown")
    assert sorted(keys(page, "tank-list")) == sorted(wanted)
    assert sorted(r["tank_id"] for r in saved_rows(page)) == sorted(wanted)
    page.emulate_media(media="print")
    printed = page.locator("p.filtered").inner_text()
    assert printed == f"{len(wanted)} of {tanks.height} shown; Site: {site}"
    assert len(keys(page, "tank-list")) == len(wanted)
    page.emulate_media(media="screen")
    page.reload()
    counted(page, f"{len(wanted)} of {tanks.height} shown")
    page.locator("#tank-list thead button").first.click()
    page.locator("#tank-list thead button").first.click()
    assert keys(page, "tank-list") == sorted(wanted, reverse=True)
    page.get_by_role("button", name="Clear filters").click()
    counted(page, f"All {MOST['fleet.html']} shown")
    assert sorted(keys(page, "tank-list")) == sorted(first)
    page.goto(f"{places[where]}/fleet-2.html")
    page.locator("input[name=q]").fill(first[0].lower())
    until(page, "key => document.querySelector('#tank-list tbody tr')?.dataset.key === key", first[0])
    follows = page.locator(f"#tank-list tr[data-key='{first[0]}'] a").first
    follows.click()
    page.wait_for_url("**/tanks/*.html")
    assert page.locator("h1").inner_text() == first[0]


@pytest.mark.parametrize("where", ["from disk", "at a desk"])
def test_the_worklist_is_ordered_and_filtered_over_all_its_parts(page, places, frames, where):
    cases = frames["cases"]
    page.goto(f"{places[where]}/index-2.html")
    before = keys(page, "worklist")
    page.locator("select[name=state]").select_option("all")
    page.locator("select[name=sort]").select_option("litres")
    counted(page, f"All {cases.height} shown")
    rows = [r.split(" ") for r in page.locator("#worklist tbody tr").evaluate_all(
        "rows => rows.map(row => [row.dataset.litres, row.dataset.rank].join(' '))")]  # fmt: skip
    assert [float(litres) for litres, _ in rows] == sorted((float(litres) for litres, _ in rows), reverse=True)
    assert sorted(int(rank) for _, rank in rows) == list(range(1, cases.height + 1))
    cause = page.locator("select[name=cause]")
    cause.select_option(CAUSES["bulk_theft"])
    draws = cases.filter(pl.col("cause") == "bulk_theft")
    counted(page, f"{draws.height} of {cases.height} shown")
    assert sorted(keys(page, "worklist")) == sorted(draws["case_id"])
    assert {r["case_id"] for r in saved_rows(page)} == set(draws["case_id"])
    page.get_by_role("button", name="Clear filters").click()
    until(page, "n => document.querySelectorAll('#worklist tbody tr:not([hidden])').length === n", len(before))
    assert keys(page, "worklist") == before


def test_a_part_that_is_gone_is_said_and_this_part_is_still_filtered(browser, places, tmp_path):
    report = tmp_path / "report"
    shutil.copytree(url2pathname(places["from disk"].removeprefix("file://")), report)
    (report / "rows-fleet-2.js").unlink()
    with browser.new_context() as context:
        page = context.new_page()
        page.goto((report / "fleet.html").as_uri())
        page.locator("input[name=q]").fill("mill bridge")
        until(
            page, "document.querySelector('output').textContent.startsWith('The list\\'s other parts cannot be read: ')"
        )
        assert 0 < len(keys(page, "tank-list")) < MOST["fleet.html"]


def test_a_list_of_very_many_parts_says_that_it_is_filtered_part_by_part():
    rows = list(range(MOST["statements.html"] * MOST_READ))
    whole = parted("statements.html", rows)
    assert len(whole) == MOST_READ == len(whole["statements-7.html"].scripts)
    assert whole["statements-7.html"].at == 6
    longer = parted("statements.html", [*rows, 0])["statements.html"]
    assert longer.scripts == [] and longer.note.endswith("The field at the top of the page finds any.")
    assert parted("data.html", rows)["data.html"].scripts == []
    assert parted("statements.html", rows[:3])["statements.html"].scripts == []
