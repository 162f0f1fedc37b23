"""Kind of evidence: known truth by construction. What was said, and what is new, in what a run leaves and prints."""

import re
from collections import Counter
from datetime import UTC, date, datetime

import polars as pl
import pytest

from flows.cli import main
from flows.summary import as_text
from pipeline.check import violations
from pipeline.said.record import say
from pipeline.said.sayings import Saying, row_of
from pipeline.stages import outcome
from pipeline.store import read_snapshot
from tests.support.published import publish_frames
from tests.support.report_frames import build_frames

DAYS = 20


@pytest.fixture(scope="module")
def frames():
    return build_frames(tank_count=4, days=DAYS)


def test_a_verdict_changes_every_page_count_and_table_though_no_data_came(tmp_path, frames, capsys):
    out = publish_frames(tmp_path, frames, days=DAYS)
    cases = frames["cases"]
    (case_id,) = cases.filter(pl.col("litres") == -842.0)["case_id"]
    first = outcome(out)
    assert (first.news, "since the run before" in as_text(first, out)) == (None, False)
    total = first.cases["cases"].sum()
    assert f'data-key="{case_id}" data-urgency="today"' in (out / "report" / "index.html").read_text()
    assert main(["label", str(out), case_id, "--verdict", "confirmed", "--who", "Ines", "--recovered", "900"]) == 0
    capsys.readouterr()
    assert outcome(out).cases["cases"].sum() == total - 1
    publish_frames(out, frames, days=DAYS)
    row = (out / "report" / "index.html").read_text().split(f'data-key="{case_id}"')[1].split("</tr>")[0]
    assert 'data-state="closed"' in row and "by Ines: so it was" in row
    # The same data, published again: there was no run before to be compared with.
    assert outcome(out).news is None
    assert read_snapshot(out)["sayings"].select("case_id", "recovered").rows() == [(case_id, 900.0)]


def test_the_next_run_says_what_is_new_and_keeps_what_was_said(tmp_path, frames):
    cases = frames["cases"]
    gone, mine = cases.row(0, named=True), cases.row(1, named=True)
    out = publish_frames(tmp_path, {**frames, "cases": cases.slice(1)}, days=DAYS)
    taken = Saying(kind="taken", case_id=mine["case_id"], owner="Ines", due_on=date(2026, 3, 1))
    say(out, row_of(taken, mine, {}), now=datetime.now(UTC))
    publish_frames(out, frames, days=DAYS, night=2)
    found = outcome(out)
    assert found.news == {"new": 1}
    assert "\nsince the run before: 1 new\n" in as_text(found, out)
    page = (out / "report" / "index.html").read_text()
    assert '<small class="news">new</small>' in page.split(f'data-key="{gone["case_id"]}"')[1].split("</tr>")[0]
    listed = re.findall(r'<tr [^>]*data-urgency="(\w+)"[^>]*data-state="current"', page)
    assert Counter(listed) == dict(found.cases.iter_rows())
    assert "in hand: Ines" in page.split(f'data-key="{mine["case_id"]}"')[1].split("</tr>")[0]
    publish_frames(out, frames, days=DAYS, night=3)
    assert "\nsince the run before: nothing new\n" in as_text(outcome(out), out)
    assert [line for line in violations(out) if line.startswith("sayings")] == []
