"""What a case says of itself. Evidence: known truth by construction; contract with the report's own figures."""

from pathlib import Path

import pytest

import pipeline.cases
from pipeline.cases.finding import Finding
from pipeline.cases.wording import summary
from pipeline.report import format as fmt


def finding(cause="meter_drift", rival=None, litres=-1892.0, **more):
    values = {"site_id": "S1", "unit_id": "T1", "tank_id": "T1", "meter_id": "M1", "day": 20_000, "start_s": 0.0}
    return Finding(cause, **values, end_s=None, log_odds=9.0, rival=rival, litres=litres, **more)


@pytest.mark.parametrize("rival", [("meter_drift:M1", 3.0), ("meter_drift:", 3.0)])
def test_a_case_is_no_rival_of_its_own(rival):
    assert summary(finding(rival=rival), -2300.0, -1500.0).endswith("No other cause came near.")


def test_the_same_of_another_meter_is_a_rival():
    assert "Next likely: the same of M2" in summary(finding(rival=("meter_drift:M2", 3.0)), -2300.0, -1500.0)


@pytest.mark.parametrize("half", [3.0, 40.0, 400.0, 15_000.0])
def test_a_summary_has_the_litres_that_the_pages_show(half):
    low, high = -1892.0 - half, -1892.0 + half
    told = summary(finding(), low, high).replace(",", fmt.THIN)
    assert f"{fmt.rounded(1892.0, fmt.digits_for(low, high, -1892.0))} l lost" in told


def test_no_reader_is_told_of_log_odds_and_no_rise_is_a_drop_in_the_level():
    for path in Path(pipeline.cases.__file__).parent.glob("*.py"):
        source = path.read_text(encoding="utf-8")
        assert '"log odds when it was named"' not in source
        assert "drop in the level" not in source
