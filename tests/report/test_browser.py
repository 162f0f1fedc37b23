"""Kind of evidence: a real browser opens the report from disk, as its readers do, and uses it."""

import polars as pl
import pytest

from pipeline.report.site import write_report
from tests.support.browser import all_drawn, drawn, follow, opened, until
from tests.support.report_frames import build_frames, last_day
from tests.support.saved import saved_rows

PAGES = (
    "index.html", "fleet.html", "meters.html", "deliveries.html", "money.html", "statements.html", "data.html",
    "reading.html", "tanks/S02-T1.html",
)  # fmt: skip
PHONE = {"viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True}


def visible_rows(page, table):
    return page.locator(f"#{table} tbody tr:visible")


@pytest.fixture(scope="module")
def current(frames, as_of):
    """The cases that still go on or ended, or came to light, within the last fortnight of data."""
    days_since = (pl.lit(as_of) - pl.max_horizontal(pl.col("ts_end").dt.date(), "raised_on")).dt.total_days()
    is_danger = pl.col("cause").is_in(["tank_leak", "line_leak", "water_ingress", "phase_separation", "wrong_product"])
    return frames["cases"].filter(pl.col("ts_end").is_null() | (days_since <= 14) | is_danger)


@pytest.mark.parametrize("path", PAGES)
def test_a_page_opens_without_a_word_of_complaint_and_without_network(browser, report, path):
    with opened(browser, report / path, color_scheme="light") as page:
        assert page.locator("h1").count() == 1
        paper = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
        assert sum(page.evaluate(paper)) > 700
        page.emulate_media(color_scheme="dark")
        assert sum(page.evaluate(paper)) < 200
        if page.locator(".plot").count():
            all_drawn(page)
            until(page, "document.querySelector('.plot')._fullLayout.font.color === '#a3b1b9'")


@pytest.mark.parametrize(
    "path", ["index.html", "fleet.html", "statements.html", "deliveries.html", "money.html", "tanks/S02-T1.html"]
)
def test_a_phone_shows_a_page_without_scrolling_sideways(browser, report, path):
    with opened(browser, report / path, **PHONE) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        all_drawn(page)
        # A finger on a chart has to scroll the page: plotly.js holds it back unless dragging is off.
        assert page.evaluate("[...document.querySelectorAll('.plot')].every(p => p._fullLayout.dragmode === false)")


def test_the_worklist_is_filtered_counted_and_kept_in_the_address(browser, report, frames, current):
    today = current.filter(pl.col("urgency") == "today").height
    every = frames["cases"].height
    assert current.height < every
    with opened(browser, report / "index.html") as page:
        assert visible_rows(page, "worklist").count() == current.height
        page.locator("input[name=urgency][value=today]").check(force=True)
        assert visible_rows(page, "worklist").count() == today
        assert page.locator("form output").inner_text() == f"{today} of {every} shown"
        assert page.evaluate("location.hash") == "#urgency=today"
        page.reload()
        assert visible_rows(page, "worklist").count() == today
        page.locator("input[name=q]").fill("NO ticket")
        assert visible_rows(page, "worklist").count() == 1
        page.locator("input[name=q]").fill("nobody would look for this")
        assert visible_rows(page, "worklist").count() == 0
        page.locator("button[type=reset]").click()
        assert visible_rows(page, "worklist").count() == current.height
        assert page.evaluate("location.hash") == ""
        page.locator("select[name=state]").select_option("all")
        assert visible_rows(page, "worklist").count() == every
        assert page.locator("form output").inner_text() == f"All {every} shown"
        page.locator("select[name=state]").select_option("past")
        assert visible_rows(page, "worklist").count() == every - current.height
        assert page.evaluate("location.hash") == "#state=past"


@pytest.mark.parametrize(
    ("name", "field", "column"),
    [("site", "site", "site_id"), ("product", "product", None), ("cause", "cause", "cause")],
)
def test_each_choice_keeps_its_own_rows_alone(browser, report, name, field, column):
    with opened(browser, report / "index.html", "#state=all") as page:
        options = page.locator(f"select[name={name}] option")
        total = 0
        for i in range(1, options.count()):
            value = options.nth(i).inner_text()
            page.locator(f"select[name={name}]").select_option(value)
            rows = visible_rows(page, "worklist")
            assert rows.count() > 0
            assert set(rows.evaluate_all(f"rows => rows.map(row => row.dataset.{field})")) == {value}
            total += rows.count()
        nameless = page.locator(f"#worklist tbody tr[data-{field}='']").count()
        assert total + nameless == page.locator("#worklist tbody tr").count()


def test_the_worklist_is_put_in_another_order(browser, report, frames):
    sizes = sorted((abs(v) for v in frames["cases"]["litres"].drop_nulls()), reverse=True)
    with opened(browser, report / "index.html", "#sort=litres") as page:
        shown = page.locator("#worklist tbody tr").evaluate_all("rows => rows.map(row => Number(row.dataset.litres))")
        assert shown[: len(sizes)] == pytest.approx(sizes, abs=0.06)


def test_a_table_is_ordered_by_a_column_from_the_keyboard(browser, report):
    with opened(browser, report / "fleet.html") as page:
        page.locator("#tank-list thead button").nth(5).focus()
        page.keyboard.press("Enter")
        cells = "rows => rows.map(row => Number(row.cells[5].dataset.v))"
        down = page.locator("#tank-list tbody tr").evaluate_all(cells)
        assert down == sorted(down, reverse=True)
        page.keyboard.press("Enter")
        up = page.locator("#tank-list tbody tr").evaluate_all(cells)
        assert up == sorted(up)
        assert page.locator("#tank-list th[aria-sort=ascending]").count() == 1


def test_the_worklist_is_used_from_the_keyboard(browser, report):
    with opened(browser, report / "index.html") as page:
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.id") == "main"
        page.locator("input[name=urgency]").first.focus()
        page.keyboard.press("Space")
        assert page.locator("#worklist tbody tr:visible").count() == 2


def test_a_row_leads_to_its_case_on_its_tanks_page(browser, report, frames):
    case = frames["cases"].filter(pl.col("cause") == "bulk_theft").row(0, named=True)
    with opened(browser, report / "index.html") as page:
        follow(page.locator("#worklist tbody tr[data-litres='842.0'] th a"))
        article = page.locator("article.case", has_text=case["summary"])
        assert page.locator("h1").inner_text() == case["tank_id"]
        assert article.locator("h4", has_text="What to do").count() == 1
        assert case["action"] in article.inner_text()
        assert "says nothing about any person" in article.inner_text()
        until(page, "document.querySelector(':target').getBoundingClientRect().top < innerHeight")


def test_hovering_a_chart_says_what_is_there(browser, report):
    with opened(browser, report / "tanks/S02-T1.html") as page:
        all_drawn(page)
        for key, words in (("stock", " l"), ("parts", "Tank leak"), ("sales", "Sales"), ("meters", "%")):
            plot = page.locator(f"#chart-{key} .nsewdrag").first
            plot.scroll_into_view_if_needed()
            box = plot.bounding_box()
            page.mouse.move(box["x"] + box["width"] * 0.9, box["y"] + box["height"] * 0.5, steps=4)
            label = page.locator(f"#chart-{key} .hoverlayer")
            until(
                page,
                "([key, words]) => document.querySelector(`#chart-${key} .hoverlayer`).textContent.includes(words)",
                [key, words],
            )
            assert words in label.text_content()


def test_all_charts_of_a_tank_move_together(browser, report):
    ranges = """() => [...document.querySelectorAll('.plot')].map(p => p._fullLayout.xaxis.range.map(
        x => Date.parse(String(x).replace(' ', 'T') + 'Z')))"""
    with opened(browser, report / "tanks/S02-T1.html") as page:
        all_drawn(page)
        everything = page.evaluate(ranges)
        assert all(r == everything[0] for r in everything)
        plot = page.locator("#chart-cumulative .nsewdrag").first
        plot.scroll_into_view_if_needed()
        box = plot.bounding_box()
        page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 40)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + 60, steps=8)
        page.mouse.up()
        until(
            page, f"before => ({ranges})().every(r => r[1] - r[0] < 0.3 * before)", everything[0][1] - everything[0][0]
        )
        zoomed = page.evaluate(ranges)
        assert all(abs(r[0] - zoomed[0][0]) < 1000 and abs(r[1] - zoomed[0][1]) < 1000 for r in zoomed)
        page.locator("button[data-days='28']").click()
        until(page, f"() => ({ranges})().every(r => Math.abs(r[1] - r[0] - 28 * 864e5) < 1000)")
        assert page.locator("button[data-days='28']").get_attribute("aria-pressed") == "true"
        page.locator("button[data-days='all']").click()
        until(page, f"before => JSON.stringify(({ranges})()) === JSON.stringify(before)", everything)


def test_a_case_shows_its_time_in_the_charts(browser, report, frames):
    with opened(browser, report / "tanks/S04-T1.html") as page:
        page.locator("button[data-from]").first.click()
        all_drawn(page)
        until(page, "document.querySelector('#chart-stock')._fullLayout.xaxis.range[0] > '2026-03-01'")
        start, end = page.evaluate("document.querySelector('#chart-stock')._fullLayout.xaxis.range")
        case = frames["cases"].filter(pl.col("cause") == "bulk_theft").row(0, named=True)
        assert start < f"{case['ts_start']:%Y-%m-%d %H:%M}" < end


def test_a_cell_of_the_heat_map_opens_its_tank(browser, report, frames):
    third = frames["tanks"].sort("site_id", "tank_id")["tank_id"][2]
    with opened(browser, report / "fleet.html") as page:
        page.locator("button[data-heat='1']").click()
        assert page.evaluate("document.querySelector('#chart-heat').data.map(t => t.visible)") == [False, True]
        box = page.locator("#chart-heat .nsewdrag").bounding_box()
        rows = frames["tanks"].height
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] * 2.5 / rows)
        until(page, "document.querySelector('#chart-heat .hoverlayer').textContent.length > 0")
        assert third in page.locator("#chart-heat .hoverlayer").text_content()
        page.mouse.down()
        page.mouse.up()
        page.wait_for_url("**/tanks/*.html")
        drawn(page)
        assert page.locator("h1").inner_text() == third


def test_print_shows_what_is_filtered_with_its_keys_and_light_charts(browser, report, current):
    watched = current.filter(pl.col("urgency") == "watch")
    with opened(browser, report / "index.html", "#urgency=watch", color_scheme="dark") as page:
        page.emulate_media(media="print")
        assert visible_rows(page, "worklist").count() == watched.height
        printed = page.locator("#worklist").inner_text()
        assert all(case in printed for case in watched["case_id"])
        assert "Urgency: Watch" in page.locator(".filtered").inner_text()
        assert page.locator("form.filters").is_hidden()
    with opened(browser, report / "tanks/S02-T1.html", color_scheme="dark") as page:
        page.emulate_media(media="print")
        until(page, "[...document.querySelectorAll('.plot')].every(p => p._fullLayout)")
        until(page, "document.querySelector('#chart-stock')._fullLayout.width < 700")
        ink = page.evaluate("document.querySelector('#chart-stock')._fullLayout.hoverlabel.font.color")
        assert ink == "#1c2830"


def test_the_statements_that_are_shown_are_saved_with_units_and_nothing_else(browser, report, frames):
    with opened(browser, report / "statements.html", "#verdict=inconclusive", accept_downloads=True) as page:
        rows = saved_rows(page)
    wanted = frames["statements"].filter(pl.col("verdict") == "inconclusive")
    by_key = {(r["tank_id"], r["month"]): r for r in rows}
    assert len(rows) == len(by_key) == wanted.height
    for row in wanted.iter_rows(named=True):
        told = by_key[row["tank_id"], str(row["month"])]
        for name in ("variance_l", "throughput_l", "detectable_l_per_h"):
            assert float(told[name]) == pytest.approx(row[name], abs=1e-3)


def test_the_cases_that_are_shown_are_saved_in_whole_cells_with_their_keys(browser, report, current):
    wanted = {r["case_id"]: r for r in current.filter(pl.col("urgency") == "act_now").iter_rows(named=True)}
    with opened(browser, report / "index.html", "#urgency=act_now", accept_downloads=True) as page:
        rows = saved_rows(page)
    assert {r["case_id"] for r in rows} == set(wanted)
    for row in rows:
        case = wanted[row["case_id"]]
        assert (row["cause"], row["tank_id"]) == (case["cause"], case["tank_id"])
        assert row["litres_l"] == "" or float(row["litres_l"]) == pytest.approx(case["litres"], abs=1e-3)


def test_a_saved_table_holds_no_formula(browser, tmp_path):
    frames = build_frames(tank_count=2, days=10)
    frames["cases"] = frames["cases"].with_columns(action=pl.lit("=HYPERLINK(1)"), summary=pl.lit("@cmd"))
    index = write_report(frames, tmp_path, as_of=last_day(10))
    with opened(browser, index, accept_downloads=True) as page:
        rows = saved_rows(page)
    assert {(r["action"], r["summary"]) for r in rows} == {("'=HYPERLINK(1)", "'@cmd")}


def test_without_scripts_every_row_and_case_is_still_there(browser, report, frames):
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto((report / "index.html").as_uri())
        assert visible_rows(page, "worklist").count() == frames["cases"].height
