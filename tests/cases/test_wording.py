"""What a case says of itself. Evidence: known truth by construction; contract with the report's own figures."""

from pathlib import Path

import pytest

import pipeline.cases
from pipeline.cases.finding import Finding
from pipeline.cases.wording import action, summary, urgency
from pipeline.contract.vocabulary import URGENCIES
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


@pytest.mark.parametrize(
    ("rate_l_per_h", "chance", "soon"),
    [(0.4, 0.8, "act_now"), (0.39, 0.8, "today"), (0.4, 0.79, "today"), (9.0, 0.49, "watch"), (0.1, 0.5, "today"),
     (None, 0.97, "today")],
)  # fmt: skip
def test_a_leak_is_acted_on_at_once_where_it_is_large_and_sure(rate_l_per_h, chance, soon):
    leak = finding("tank_leak", rate_l_per_h=rate_l_per_h)
    assert urgency(leak, chance) == soon


@pytest.mark.parametrize(
    ("cause", "soon"),
    [("phase_separation", "act_now"), ("wrong_product", "act_now"), ("line_leak", "today"), ("bulk_theft", "today"),
     ("slow_theft", "today"), ("missing_sales", "today"), ("short_delivery", "today"), ("missing_ticket", "today"),
     ("water_ingress", "today"), ("probe_fault", "today"), ("wrong_feed", "today"), ("meter_drift", "this_week"),
     ("chart_error", "this_week"), ("over_delivery", "this_week"), ("clock_skew", "this_week"),
     ("unexplained", "this_week")],
)  # fmt: skip
def test_each_cause_has_its_urgency_and_none_that_is_less_likely_than_not(cause, soon):
    assert urgency(finding(cause), 0.5) == soon
    assert urgency(finding(cause), 0.4999) == "watch"
    assert soon in URGENCIES


def test_an_action_is_the_cause_s():
    assert action(finding("tank_leak")).startswith("Treat as a suspected release")


@pytest.mark.parametrize(("error_pct", "words"), [(0.8, "it gives 0.80 % less"), (-0.8, "it gives 0.80 % more")])
def test_a_meter_that_records_too_much_gives_less(error_pct, words):
    assert words in summary(finding(meter_error_pct=error_pct), -2300.0, -1500.0)


@pytest.mark.parametrize(
    ("litres", "half", "words"),
    [(-100.0, 20.0, "100 l lost (80 to 120)"), (100.0, 20.0, "100 l gained (80 to 120)"),
     (-100.0, 150.0, "100 l lost, or nothing, (-250 to 50)")],
)  # fmt: skip
def test_litres_are_lost_or_gained_or_perhaps_nothing(litres, half, words):
    assert words in summary(finding(litres=litres), litres - half, litres + half)


@pytest.mark.parametrize(("lead", "words"), [(7.1, "far behind: a meter off."), (3.0, "a meter off, 20 to 1 against.")])
def test_the_next_likely_cause_stands_as_far_behind_as_it_is(lead, words):
    """e³ = 20.1; nine log odds of its own less those of the next."""
    assert summary(finding("tank_leak", rival=("meter_drift:M1", 9.0 - lead)), -2300.0, -1500.0).endswith(words)
