"""Kind of evidence: known truth by construction, contract. No row of a statement contradicts its own figures."""

from datetime import UTC, date, datetime

import polars as pl
import pytest

from pipeline.report import links, worklist
from pipeline.report.site import write_report
from pipeline.report.statements import statements
from pipeline.report.tables import Tables
from tests.support.report_frames import build_frames, last_day
from tests.support.statement_rows import contradictions, statement_rows

MONTH = date(2026, 3, 1)
AS_OF = date(2026, 3, 31)
QUIET = {
    "tank_id": "T1", "month": MONTH, "throughput_l": 50_000.0, "variance_l": -60.0, "allowance_l": 992.1,
    "leak_rate_l_per_h": 0.01, "leak_rate_low": -0.03, "leak_rate_high": 0.05, "detectable_l_per_h": 0.07,
    "verdict": "pass", "reason": None,
}  # fmt: skip
LEAK = {
    "case_id": "c", "cause": "tank_leak", "site_id": "S", "tank_id": "T1", "raised_on": date(2026, 2, 11),
    "ts_start": datetime(2026, 2, 10, tzinfo=UTC), "ts_end": None, "litres": -100.0, "litres_low": -120.0,
    "litres_high": -80.0, "probability": 0.94, "urgency": "today",
}  # fmt: skip


def told(row=None, case=None, verdicts=None, limits=None):
    """The statement's row as the report has it."""
    frames = {
        "sites": pl.DataFrame({"site_id": ["S"], "timezone": ["Europe/Berlin"]}),
        "tanks": pl.DataFrame({"tank_id": ["T1"], "site_id": ["S"]}),
        "statements": pl.DataFrame([QUIET | (row or {})], infer_schema_length=None),
    }
    frames |= {"cases": pl.DataFrame([LEAK | case], infer_schema_length=None)} if case is not None else {}
    frames |= {"sayings": verdicts} if verdicts is not None else {}
    frames |= {"limits": limits} if limits is not None else {}
    tables, pages = Tables.of(frames), links.page_names(["T1"])
    (found,) = statements(tables, {"T1": {"href": pages["T1"]}}, worklist.ranked(tables, pages, AS_OF))
    words = " ".join([found["label"], found["means"], *(n["words"] for n in found["notes"])]).replace("\u202f", " ")
    return found, words


def test_a_quiet_month_is_a_plain_pass_at_the_limit_that_it_was_judged_by():
    found, words = told()
    assert (found["is_plain"], words) == (True, "Pass at 0.757 l/h; no leak seen")
    limits = pl.DataFrame({"detectable_l_per_h": [0.5], "fail_l_per_h": [0.25]})
    assert told(limits=limits)[1] == "Pass at 0.500 l/h; no leak seen"


def test_a_rate_above_nought_and_its_case_are_said_beside_a_pass_and_linked():
    """The leak of the issue: 0.16 l/h (0.12 to 0.20), with a case of 94 %."""
    rate = {"leak_rate_l_per_h": 0.16, "leak_rate_low": 0.12, "leak_rate_high": 0.20}
    found, words = told(rate, {})
    assert not found["is_plain"]
    assert words.startswith("Pass at 0.757 l/h only")
    assert "0.16 l/h seen (0.12 to 0.20), above nought" in words
    assert "see case: Tank may be leaking, 94 %, still going on" in words
    assert {n["href"] for n in found["notes"]} == {"tanks/T1.html#case-c"}
    assert "0.07" not in words


@pytest.mark.parametrize("cause", ["tank_leak", "line_leak", "water_ingress", "phase_separation"])
def test_an_open_danger_alone_takes_the_plainness_from_a_pass(cause):
    litres = dict.fromkeys(("litres", "litres_low", "litres_high")) if cause == "phase_separation" else {}
    assert not told(case={"cause": cause, **litres})[0]["is_plain"]


@pytest.mark.parametrize(
    "case",
    [
        {"ts_start": datetime(2026, 4, 2, tzinfo=UTC)},
        {"cause": "bulk_theft", "ts_end": datetime(2026, 3, 3, tzinfo=UTC)},
    ],
)
def test_a_case_of_another_month_or_of_no_danger_does_not(case):
    assert told(case=case)[0]["is_plain"]


def test_a_case_that_somebody_ruled_out_does_not():
    verdict = pl.DataFrame(
        {"seq": [0], "case_id": ["c"], "kind": ["closed"], "verdict": ["ruled_out"], "learned_on": [date(2026, 3, 30)]},
        schema_overrides={"seq": pl.Int32},
    )
    assert told(case={}, verdicts=verdict)[0]["is_plain"]


@pytest.mark.parametrize("variance", [-993.0, 993.0])
def test_a_variance_beyond_the_months_allowance_is_said_and_linked(variance):
    found, words = told({"variance_l": variance})
    assert not found["is_plain"]
    assert "beyond the month's allowance of 992 l" in words
    assert found["notes"][-1]["href"] == "tanks/T1.html#days"
    assert told({"variance_l": 0.99 * variance})[0]["is_plain"]


def test_what_a_blind_month_could_have_shown_is_said():
    _, words = told({"verdict": "inconclusive", "detectable_l_per_h": 4.5, "reason": "deadband"})
    assert words == "Inconclusive only a leak of 4.50 l/h or more would have shown, the rule asks for 0.757 l/h"


def test_no_row_of_a_fleets_statements_contradicts_itself(tmp_path):
    frames = build_frames(tank_count=12, days=60)
    spread = pl.int_range(pl.len()) % 4
    frames["statements"] = frames["statements"].with_columns(
        variance_l=pl.when(spread == 0).then(-5_000.0).otherwise("variance_l"),
        leak_rate_low=pl.when(spread == 1).then(pl.col("leak_rate_l_per_h") * 0.5).otherwise("leak_rate_low"),
    )
    report = write_report(frames, tmp_path, as_of=last_day(60)).parent
    assert len(list(statement_rows(report))) == frames["statements"].height
    assert contradictions(report) == []


def test_no_page_shows_a_plain_pass_for_a_tank_that_something_speaks_against(report, frames):
    leaking = frames["cases"].filter(pl.col("cause").is_in(["tank_leak", "line_leak", "water_ingress"]))["tank_id"]
    fleet = (report / "fleet.html").read_text(encoding="utf-8")
    for tank in leaking:
        row = fleet.split(f'<tr data-key="{tank}"')[1].split("</tr>")[0]
        assert 'class="verdict is-pass"' not in row
        page = (report / "tanks" / f"{tank}.html").read_text(encoding="utf-8")
        first = page.split('id="statements"')[1].split("<tbody>")[1].split("</tr>")[0]
        assert "is-pass" not in first
