"""Kind of evidence: naive twin. What a saying changes, and that nothing that was kept of the run is out of date."""

from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipeline.report.fleet import Fleet
from pipeline.report.pages import Pages
from pipeline.report.tables import SAID, Tables
from pipeline.said.record import say
from pipeline.said.sayings import Saying, row_of
from pipeline.said.shown import said_frames
from tests.desk.conftest import DAYS
from tests.support.report_frames import last_day

NOW = datetime(2026, 2, 16, 8, tzinfo=UTC)


def pages_of(tables):
    return Pages.of(Fleet.of(tables, last_day(DAYS)), [])


def rendered(pages):
    return {path: pages.render(path) for path in [*pages.made, *pages.papers]} | {"search.js": pages.search()}


@pytest.fixture(scope="module")
def kept(frames):
    """Tables of which every page was made before anybody spoke."""
    tables = Tables.of(frames)
    return tables, rendered(pages_of(tables))


def said_of(frames, out, cause, **more):
    case = frames["cases"].filter(cause=cause).row(0, named=True)
    say(out, row_of(Saying(who="Ines", case_id=case["case_id"], **more), case, {}), now=NOW)
    return case


def changed(before, after):
    return {path for path in {*before, *after} if before.get(path) != after.get(path)}


def test_a_note_touches_the_pages_of_its_case_and_no_other(kept, frames, tmp_path):
    tables, before = kept
    case = said_of(frames, tmp_path, "tank_leak", kind="note", note="dug up, nothing found")
    after = rendered(pages_of(tables.with_said(said_frames(tmp_path))))
    touched = changed(before, after)
    assert {f"tanks/{case['tank_id']}.html", f"papers/case-{case['case_id']}.html"} <= touched
    assert all("dug up, nothing found" in after[path] for path in touched)


@pytest.mark.parametrize(
    ("cause", "said"),
    [
        ("tank_leak", {"kind": "closed", "verdict": "confirmed", "recovered": 80.0, "learned_on": date(2026, 2, 1)}),
        ("short_delivery", {"kind": "closed", "verdict": "ruled_out", "recovered": 7.0}),
        ("meter_drift", {"kind": "taken", "owner": "Ines", "due_on": date(2026, 4, 3)}),
    ],
)
def test_what_is_kept_of_a_run_shows_what_a_desk_does_that_has_kept_nothing(kept, frames, tmp_path, cause, said):
    tables, before = kept
    said_of(frames, tmp_path, cause, **said)
    said_now = said_frames(tmp_path)
    own, anew = rendered(pages_of(tables.with_said(said_now))), rendered(pages_of(Tables.of({**frames, **said_now})))
    assert changed(own, anew) == set()
    assert "index.html" in changed(before, own)
    assert rendered(pages_of(tables)) == before


def test_a_runs_own_tables_are_not_exchanged_beneath_what_was_kept_of_them(kept):
    tables, _ = kept
    assert {"sayings", "believed"} < SAID
    with pytest.raises(ValueError, match="cases"):
        tables.with_said({"cases": pl.DataFrame()})
