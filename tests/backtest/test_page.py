"""Kind of evidence: a real browser opens the page from disk, as its readers do, and uses it."""

import csv
import io
import re
from pathlib import Path
from urllib.parse import unquote_plus

import polars as pl
import pytest

from pipeline.backtest.page import rendered
from pipeline.backtest.results import result_schema
from pipeline.backtest.study import Options, Study
from tests.support.browser import all_drawn, opened, until

PHONE = {"viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True}


@pytest.fixture(scope="session")
def page_path(tried):
    return tried / "backtest" / "index.html"


@pytest.fixture(scope="session")
def results(tried):
    return pl.read_parquet(tried / "backtest" / "results.parquet")


def test_it_opens_without_a_word_of_complaint_and_without_network(browser, page_path):
    with opened(browser, page_path, color_scheme="light") as page:
        assert page.locator("h1").count() == 1
        assert "is found, at" in page.locator("h1").inner_text()
        paper = "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
        assert sum(page.evaluate(paper)) > 700
        page.emulate_media(color_scheme="dark")
        assert sum(page.evaluate(paper)) < 200
        all_drawn(page)
        until(page, "document.querySelector('.plot')._fullLayout.font.color === '#a3b1b9'")


def test_every_chart_is_drawn_from_the_results(browser, page_path, results, tried):
    with opened(browser, page_path) as page:
        all_drawn(page)
        drawn = page.evaluate(
            "[...document.querySelectorAll('.plot')]"
            ".map(p => [p.id, p.data.length, p.querySelectorAll('.main-svg').length])"
        )
        assert [name for name, _, _ in drawn] == [
            "chart-tradeoff", "chart-power", "chart-delay", "chart-cost", "chart-heat",
        ]  # fmt: skip
        assert all(traces and svgs for _, traces, svgs in drawn)
        points = page.evaluate("document.getElementById('chart-tradeoff').data.map(t => [t.name, t.x, t.y])")
        shown = {(name, x, y) for name, xs, ys in points for x, y in zip(xs, ys, strict=True)}
        known = results.drop_nulls(["share_found", "outside_per_100"])
        assert shown == {
            (rule, round(rate, 4), round(100 * share, 3))
            for rule, rate, share in known.select("rule", "outside_per_100", "share_found").iter_rows()
        }
        heat = page.evaluate("(d => [d.y, d.z.length])(document.getElementById('chart-heat').data[0])")
        power_map = pl.read_parquet(tried / "backtest" / "power_map.parquet")
        assert heat == [power_map["tank_id"].unique().sort().to_list(), power_map["tank_id"].n_unique()]
        # A legend entry hides its rule.
        before = page.evaluate("document.getElementById('chart-tradeoff')._fullData.map(t => t.visible)")
        page.locator("#chart-tradeoff .legendtoggle").first.click()
        until(page, "document.getElementById('chart-tradeoff')._fullData[0].visible === 'legendonly'")
        assert before[0] is True


def test_the_table_is_ordered_by_a_click_and_saved(browser, page_path, results):
    with opened(browser, page_path, accept_downloads=True) as page:
        rows = page.locator("#result-list tbody tr")
        assert rows.count() == results.height
        page.locator("#result-list thead button", has_text="Alarms outside").click()
        order = [rows.nth(i).get_attribute("data-trial") for i in range(rows.count())]
        rates = dict(results.select("trial_id", "outside_per_100").iter_rows())
        assert [rates[name] for name in order] == sorted(rates.values(), reverse=True)
        with page.expect_download() as saved:
            page.locator("button[data-save=result-list]").click()
        lines = list(csv.reader(io.StringIO(Path(saved.value.path()).read_text(encoding="utf-8-sig"))))
        assert lines[0][:3] == ["Rule", "Parameters", "To find"] and len(lines) == results.height + 1


def test_what_divides_two_rules_is_shown_with_its_evidence_and_filtered(browser, page_path, tried):
    divided = pl.read_parquet(tried / "backtest" / "divided.parquet")
    assert divided.height > 0
    with opened(browser, page_path) as page:
        shown = page.locator("#divided-list tbody tr:visible")
        assert shown.count() == divided.height
        said_by = shown.first.get_attribute("data-by")
        page.locator("form[data-table=divided-list] select[name=by]").select_option(said_by)
        kept = shown.count()
        assert 0 < kept <= divided.height
        assert all(shown.nth(i).get_attribute("data-by") == said_by for i in range(kept))
        assert unquote_plus(page.evaluate("location.hash")) == f"#by={said_by}"
        history = divided.filter(pl.col("world").is_null())
        if history.height:
            evidence = page.locator("#divided-list tbody tr td:last-child", has_text=" l").first.inner_text()
            assert re.search(r"\d l$", evidence)


def test_it_says_how_to_have_the_result_again_and_what_to_review(browser, page_path, results, tried):
    with opened(browser, page_path) as page:
        proof = page.locator("#proof-list").inner_text()
        assert results["data_digest"][0] in proof and results["rule_digest"][0] in proof
        review = pl.read_parquet(tried / "backtest" / "review.parquet")
        assert page.locator("#review-list tbody tr").count() == review.height
        if review.height:
            assert "tankdrift label OUT --tank T0" in page.locator("#review-list").inner_text()


def test_a_phone_shows_it_without_scrolling_sideways(browser, page_path):
    with opened(browser, page_path, **PHONE) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_nothing_that_a_rule_says_becomes_markup(tmp_path):
    """Known truth: names and notes that are markup stand as text."""
    evil = "<img src=x onerror=alert(1)>"
    row = dict.fromkeys(result_schema(), None) | {
        "trial_id": "a", "rule": evil, "title": evil, "causes": "any", "parameters": '{"threshold": 1.0}',
        "is_operating_point": True, "truths": 1, "found": 1, "alarms": 1, "unlabelled": 1, "watched_days": 30,
        "share_found": 1.0, "outside_per_100": 3.0, "configuration": evil, "code_version": "", "code_digest": "",
        "rule_digest": "", "data_digest": "", "labels_digest": "",
    }  # fmt: skip
    results = pl.DataFrame([row], schema=result_schema())
    truth = {"trial_id": "a", "world": "base", "label_id": "L1", "unit": "l", "delay_days": 1.0, "watched_days": 9.0,
             "is_found": True, "size": 9.0}  # fmt: skip
    review = {"trial_id": "a", "tank_id": evil, "site_id": evil, "day": None, "cause": evil, "score": 1.0, "note": evil}
    empty = pl.DataFrame(schema={"trial_id": pl.String, "size": pl.Float64})
    frames = {
        "results": results, "truths": pl.DataFrame([truth]), "power": empty, "curves": empty,
        "power_map": pl.DataFrame(schema={"trial_id": pl.String}), "review": pl.DataFrame([review]),
        "comparisons": pl.DataFrame(schema={"first_id": pl.String}),
        "divided": pl.DataFrame(schema={"first_id": pl.String}),
        "evidence": pl.DataFrame({"day": [None], "tank_id": ["T1"]}, schema={"day": pl.Date, "tank_id": pl.String}),
    }  # fmt: skip
    html = rendered(frames, Study(tmp_path, tmp_path, (), options=Options()), [])
    assert "<img" not in html and html.count("&lt;img src=x") >= 5
