"""The sample lake from end to end: as its README says, in a real browser. Evidence: known truth, contract."""

import re

import duckdb
import polars as pl
import pytest

from pipeline.contract.views import VIEWS
from pipeline.store import SNAPSHOT
from tests.support.browser import follow, opened, until
from tests.support.lakes import digest
from tests.support.matching import false_cases, found_labels, matched, true_labels
from tests.support.runs import ROOT, tankdrift, tankdrift_here
from tests.support.statement_rows import contradictions, statement_rows

SAMPLE = ROOT / "sample_lake"
MISSES = {"meter_drift", "short_delivery"}
"""Causes of the sample that are not found under their own name; README.md names the same."""
MOST_FALSE = 2
README = ROOT / "README.md"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """What `make run` does, in an empty folder."""
    out = tmp_path_factory.mktemp("sample") / "out"
    before = digest(SAMPLE)
    done = tankdrift("run", SAMPLE, "--out", out)
    assert done.returncode == 0, done.stderr
    assert digest(SAMPLE) == before, "the lake is never written to"
    return out, done.stdout


@pytest.fixture(scope="module")
def cases(run) -> pl.DataFrame:
    return pl.read_parquet(run[0] / "cases.parquet")


@pytest.fixture(scope="module")
def pairs(cases) -> pl.DataFrame:
    tanks = pl.read_parquet(SAMPLE / "tanks.parquet")
    labels = pl.read_parquet(SAMPLE / "labels.parquet")
    last = max(path.name.removeprefix("day=") for path in (SAMPLE / "readings").iterdir())
    return matched(cases, labels, tanks, last_day=pl.Series([last]).str.to_date().item())


def test_a_run_says_where_the_report_is_and_its_three_first_cases(run):
    out, said = run
    lines = said.splitlines()
    assert f"report: {out / 'report' / 'index.html'}" in lines
    assert sum(bool(re.match(r"  (act now|today|this week|watch), \d+ %: ", line)) for line in lines) == 3


def test_the_readme_prints_what_a_run_says(run):
    out, said = run
    told = README.read_text(encoding="utf-8").split("`make run` ends with\n\n```text\n")[1].split("```")[0]
    assert said.replace(str(out), "out") == told


def test_the_terminals_count_is_the_pages(run):
    """What is on the worklist, by urgency: as the run says it, and as the first page's tallies have it."""
    out, said = run
    page = (out / "report" / "index.html").read_text(encoding="utf-8")
    tallies = re.findall(r'value="(\w+)"><b>(\d+)</b>', page)
    named = [f"{n} {kind.replace('_', ' ')}" for kind, n in tallies if n != "0"]
    total = sum(int(n) for _, n in tallies)
    assert f"{total} cases: {', '.join(named)}" in said


def test_its_views_keep_what_is_documented_of_them(run):
    """Contract: keys, words and what may be null, on a fleet in which everything happens once."""
    with duckdb.connect(run[0] / SNAPSHOT, read_only=True) as snapshot:
        frames = {name: snapshot.sql(f"from views.{name}").pl() for name in VIEWS}
    assert {name: VIEWS[name].filter(frame, cast=True)[1].counts() for name, frame in frames.items()} == {
        name: {} for name in VIEWS
    }
    assert (frames["sites"].height, frames["tanks"].height) == (6, 20)  # as sample_lake/README.md tells
    assert frames["cases"]["stake"].count() > 0


def test_no_row_of_its_statements_contradicts_itself(run):
    report = run[0] / "report"
    assert len(list(statement_rows(report))) == pl.read_parquet(run[0] / "statements.parquet").height
    assert contradictions(report) == []


def test_what_it_leaves_keeps_the_contract(run):
    done = tankdrift_here("check", run[0])
    assert (done.returncode, done.stderr) == (0, ""), done.stdout


def test_every_cause_but_the_misses_is_found_under_its_own_name(pairs):
    truth = true_labels(pl.read_parquet(SAMPLE / "labels.parquet"))
    found = found_labels(pairs)
    missed = truth.filter(~pl.col("label_id").is_in(found["label_id"].to_list()))
    assert set(missed["cause"]) == MISSES


def test_the_readme_names_the_misses_and_no_other():
    row = re.search(r"^Missed in the sample: (.*)$", README.read_text(encoding="utf-8"), re.MULTILINE)
    assert row, "README.md has a line that begins with 'Missed in the sample:'"
    assert set(re.findall(r"`(\w+)`", row[1])) == MISSES


def test_next_to_nothing_is_found_that_is_not_so(cases, pairs):
    false = false_cases(cases, pairs)
    assert false.height <= MOST_FALSE, false["summary"].to_list()


def test_the_report_opens_in_a_browser_and_is_used(run, cases, browser):
    """Opened from disk: filters the worklist, opens a case, hovers a chart; no complaint and no request to any host."""
    report = run[0] / "report"
    with opened(browser, report / "index.html", "#state=all") as page:
        rows = page.locator("#worklist tbody tr:visible")
        assert rows.count() == cases.height
        page.locator("input[name=urgency][value=act_now]").check(force=True)
        assert rows.count() == cases.filter(pl.col("urgency") == "act_now").height > 0
        follow(rows.first.locator("th a"))
        assert page.locator("article.case").count() > 0
        page.locator("#chart-stock").scroll_into_view_if_needed()
        plot = page.locator("#chart-stock .nsewdrag").first
        plot.scroll_into_view_if_needed()
        box = plot.bounding_box()
        page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 0.5 * box["height"], steps=4)
        until(page, "document.querySelector('#chart-stock .hoverlayer').textContent.includes(' l')")


@pytest.mark.parametrize(
    "path",
    ["fleet.html", "meters.html", "deliveries.html", "money.html", "statements.html", "data.html", "reading.html"],
)
def test_each_page_of_the_report_opens_without_a_word_of_complaint(run, browser, path):
    with opened(browser, run[0] / "report" / path) as page:
        assert page.locator("h1").count() == 1
