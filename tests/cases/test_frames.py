"""Findings as rows of `cases` and `evidence`. Evidence: contract, values worked by hand."""

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.frames import case_frames, case_id

DAY = 20_458
LEAK = Finding(
    "tank_leak", "S1", "T1", "T1", day=DAY, start_s=(DAY - 3) * 86_400.0, end_s=None, log_odds=5.0, litres=-100.0,
    sd_l=10.0, rate_l_per_h=1.4,
    evidence=(Evidence("statistic", "loss", 1.4, "l/h"), Evidence("interval", "rest", None, None, 0.0, 3_600.0)),
)  # fmt: skip


def row(finding: Finding, chance: float = 0.9) -> dict:
    return case_frames([finding], [chance])["cases"].row(0, named=True)


@pytest.mark.parametrize(("litres", "low", "high"), [(-100.0, -119.6, -80.4), (100.0, 80.4, 119.6)])
def test_the_interval_is_1_96_sds_to_either_side(litres, low, high):
    told = row(replace(LEAK, litres=litres))
    assert (told["litres_low"], told["litres"], told["litres_high"]) == pytest.approx((low, litres, high))


def test_a_case_without_litres_has_no_interval():
    told = row(replace(LEAK, cause="chart_error", litres=None, rate_l_per_h=None))
    assert (told["litres"], told["litres_low"], told["litres_high"]) == (None, None, None)


def test_days_and_instants_are_those_of_the_finding():
    told = row(replace(LEAK, end_s=(DAY - 1) * 86_400.0 + 30.4))
    assert told["raised_on"] == date(2026, 1, 5)
    assert told["ts_start"] == datetime(2026, 1, 2, tzinfo=UTC)
    assert told["ts_end"] == datetime(2026, 1, 4, 0, 0, 30, tzinfo=UTC)
    assert row(LEAK)["ts_end"] is None


def test_a_case_is_named_by_what_it_is_about():
    assert case_id(LEAK) == "tank_leak.T1.2026-01-05"
    assert case_id(replace(LEAK, meter_id="M1")) == "tank_leak.M1.2026-01-05"
    assert case_id(replace(LEAK, meter_id="M1", delivery_id="D1")) == "tank_leak.D1.2026-01-05"
    assert case_id(replace(LEAK, unit_id=None, tank_id=None)) == "tank_leak.S1.2026-01-05"


def test_chances_stay_with_their_findings_when_these_are_put_in_order():
    later, first = replace(LEAK, day=DAY + 1), replace(LEAK, tank_id="T2", unit_id="T2")
    told = case_frames([later, first], [0.3, 0.8])["cases"]
    assert told["tank_id"].to_list() == ["T2", "T1"]
    assert told["probability"].to_list() == [0.8, 0.3]
    assert told["urgency"].to_list() == ["act_now", "watch"]


def test_evidence_stands_in_its_order_under_its_case():
    told = case_frames([LEAK], [0.9])["evidence"]
    assert told["case_id"].to_list() == ["tank_leak.T1.2026-01-05"] * 2
    assert told["seq"].to_list() == [0, 1]
    assert told["value"].to_list() == [1.4, None]
    assert told["ts_end"].to_list() == [None, datetime(1970, 1, 1, 1, tzinfo=UTC)]
