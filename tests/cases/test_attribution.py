"""One cause, one case. Evidence: contract, on findings made by hand."""

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from pipeline.cases.attribution import attributed
from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.cases.frames import case_frames

DAY_S = 86400.0
DAY = 20_500


def finding(cause: str, *, day: int = DAY, start: float = 0.0, end: float | None = None, **more: object) -> Finding:
    """A finding of one tank, seen on `day`, that began `start` days after that day began and ended `end` days after."""
    values = {"site_id": "S1", "unit_id": "T1", "tank_id": "T1", "log_odds": 3.0} | more
    begins = (day + start) * DAY_S
    return Finding(cause, day=day, start_s=begins, end_s=None if end is None else (day + end) * DAY_S, **values)  # type: ignore[arg-type]


def causes(*findings: Finding) -> set[str]:
    return {one.cause for one in attributed(list(findings))}


def test_a_skewed_clock_accounts_for_what_sets_in_with_it_at_any_tank_of_its_site():
    clock = finding("clock_skew", unit_id=None, tank_id=None)
    leak = finding("tank_leak", day=DAY + 1, unit_id="T2", tank_id="T2")
    much_later = finding("bulk_theft", day=DAY + 20, unit_id="T2", tank_id="T2")
    assert causes(clock, leak, much_later) == {"clock_skew", "bulk_theft"}


def test_what_is_seen_later_takes_back_nothing():
    """A case that was raised stands, whatever is found out afterwards."""
    leak = finding("tank_leak", day=DAY)
    lost = finding("missing_sales", day=DAY + 1, start=-3.0)
    assert causes(leak, lost) == {"tank_leak", "missing_sales"}


def test_another_tank_s_trouble_accounts_for_nothing_here():
    assert causes(finding("probe_fault"), finding("tank_leak", unit_id="T2", tank_id="T2")) == {
        "probe_fault",
        "tank_leak",
    }


@pytest.mark.parametrize(
    "pair", [("bulk_theft", "unexplained"), ("unexplained", "slow_theft"), ("probe_fault", "missing_ticket")]
)
def test_two_that_account_for_each_other_do_not_both_vanish(pair):
    assert causes(*(finding(cause, end=1.0) for cause in pair))


def test_the_order_in_which_findings_come_in_does_not_matter():
    several = [
        finding("missing_sales"), finding("bulk_theft", start=0.2, end=0.3), finding("unexplained", start=0.1),
        finding("tank_leak", start=0.5), finding("short_delivery", start=0.6, end=0.61),
    ]  # fmt: skip
    told = {
        tuple(sorted((one.cause, one.start_s) for one in attributed(list(order)))) for order in permutations(several)
    }
    assert len(told) == 1


def test_an_end_that_nobody_could_know_yet_is_not_used():
    """Litres went missing until day 3; a leak of day 5 might still be theirs, one of day 12 is not."""
    lost = finding("missing_sales", end=3.0)
    for day, stands in ((5, False), (12, True)):
        leak = finding("tank_leak", day=DAY + day)
        assert ("tank_leak" in causes(lost, leak)) is stands


def test_a_jump_of_the_gauge_accounts_for_a_draw_at_its_moment_alone():
    jump = finding("probe_fault", evidence=(Evidence("instant", "the level stepped"),))
    at_once, hours_later = finding("bulk_theft", start=0.05, end=0.1), finding("bulk_theft", start=0.6, end=0.7)
    assert attributed([jump, at_once, hours_later]) == [jump, hours_later]


def test_a_rate_that_set_in_shortly_before_its_gauge_was_seen_to_be_sick_is_not_believed():
    noisy = finding("probe_fault", evidence=(Evidence("spread", "the readings scatter"),))
    assert causes(noisy, finding("meter_drift", start=-6.0)) == {"probe_fault"}
    assert causes(noisy, finding("meter_drift", start=-20.0, log_odds=4.5)) == {"probe_fault", "meter_drift"}
    assert causes(noisy, finding("bulk_theft", start=-6.0)) == {"probe_fault", "bulk_theft"}


def test_what_one_drop_lacked_and_the_next_brought_is_one_case():
    short = finding("short_delivery", litres=-157.0, sd_l=30.0)
    assert causes(short, finding("over_delivery", day=DAY + 1, litres=153.0, sd_l=30.0)) == {"short_delivery"}
    assert len(causes(short, finding("over_delivery", day=DAY + 1, litres=400.0, sd_l=30.0))) == 2
    assert len(causes(short, finding("over_delivery", day=DAY + 9, litres=153.0, sd_l=30.0))) == 2
    assert len(attributed([short, finding("short_delivery", day=DAY + 1, litres=-157.0, sd_l=30.0)])) == 2


def test_drops_are_weighed_against_each_other_by_what_was_known_when_they_were_raised():
    """Charts and meters are learned on, and a drop's litres with them: that may not take a case back."""
    short = finding("short_delivery", litres=-400.0, sd_l=30.0, told_l=(-157.0, 30.0))
    assert causes(short, finding("over_delivery", day=DAY + 1, litres=153.0, sd_l=30.0)) == {"short_delivery"}
    over = finding("over_delivery", day=DAY + 1, litres=157.0, sd_l=30.0, told_l=(400.0, 30.0))
    assert len(causes(replace(short, told_l=None, litres=-157.0), over)) == 2


@pytest.mark.parametrize(("start", "cause", "stands"), [(-60.0, "water_ingress", False), (-9.0, "water_ingress", True)])
def test_a_chart_that_seems_wrong_late_on_a_tank_with_another_fault_is_that_fault(start, cause, stands):
    """One in force since nine days may have come with the fault; one in force since long shows by itself, or never."""
    chart = finding("chart_error", day=DAY + 5, start=start)
    assert ("chart_error" in causes(finding(cause), chart)) is stands
    assert "chart_error" in causes(chart)


def test_two_findings_of_one_name_are_two_cases():
    twice = [
        finding("bulk_theft", start=0.1, end=0.2, litres=-80.0),
        finding("bulk_theft", start=0.7, end=0.8, litres=-90.0),
    ]
    frames = case_frames(twice, [0.9, 0.8])
    assert frames["cases"]["case_id"].to_list() == ["bulk_theft.T1.2026-02-16", "bulk_theft.T1.2026-02-16.2"]
    assert case_frames(twice[::-1], [0.8, 0.9])["cases"].equals(frames["cases"])


def test_a_case_begins_no_later_than_the_day_that_raised_it():
    late = replace(finding("wrong_product"), start_s=(DAY + 1) * DAY_S + 60.0)
    row = case_frames([late], [0.9])["cases"].row(0, named=True)
    assert row["ts_start"].date() <= row["raised_on"]


@pytest.mark.parametrize(
    ("signs_h", "litres", "stands"),
    [
        # The totaliser is read at midnight alone: 600 l a day went at an hour that nobody knows.
        ((-24.0, 0.0, 24.0), (0.0, 600.0, 1_200.0), False),
        # It is not known yet how many went today, but yesterday it was as many.
        ((-24.0, 0.0), (0.0, 600.0), False),
        # Both sales that were not booked are known to have gone in the morning.
        ((5.0, 6.0, 7.0, 20.0), (0.0, 300.0, 600.0, 600.0), True),
        ((-24.0, 0.0, 24.0), (0.0, 40.0, 80.0), True),
    ],
)
def test_what_a_drop_lacked_may_be_sales_that_nobody_booked_in_it(signs_h, litres, stands):
    at_s = DAY * DAY_S + 3_600.0 * np.array(signs_h)
    course = Course(at_s, -np.array(litres))
    lost = finding("missing_sales", start=-1.0, litres=-float(litres[-1]), course=course)
    short = finding("short_delivery", day=DAY + 1, start=-0.4, end=-0.38, litres=-340.0, sd_l=50.0)
    assert ("short_delivery" in causes(lost, short)) is stands


def test_a_meter_on_a_tank_with_another_fault_needs_as_much_evidence_as_any_rate():
    drift = finding("meter_drift", day=DAY + 5, start=-20.0, log_odds=3.5)
    assert causes(finding("water_ingress"), drift) == {"water_ingress"}
    assert causes(finding("water_ingress", unit_id="T2"), drift) == {"water_ingress", "meter_drift"}
    assert causes(drift, finding("water_ingress", day=DAY + 6)) == {"water_ingress", "meter_drift"}


def test_a_wrong_feed_accounts_for_nothing_at_a_tank_that_it_does_not_concern():
    feed = finding("wrong_feed", start=-20.0, also_unit_id="T2")
    for unit_id, stands in (("T1", False), ("T2", False), ("T3", True)):
        leak = finding("line_leak", day=DAY + 2, start=-21.5, unit_id=unit_id)
        assert ("line_leak" in causes(feed, leak)) is stands


def test_what_was_learned_from_the_wrong_tank_s_sales_is_no_fault_of_a_tank():
    """A feed that was wrong for five days before it was seen: charts learned from it, and a rate changed that day."""
    feed = finding("wrong_feed", start=-5.0, also_unit_id="T2")
    for unit_id in ("T1", "T2"):
        assert causes(feed, finding("chart_error", day=DAY + 3, start=-8.0, unit_id=unit_id)) == {"wrong_feed"}
        assert causes(feed, finding("tank_leak", day=DAY + 12, start=-12.1, unit_id=unit_id)) == {"wrong_feed"}
    assert len(causes(feed, finding("chart_error", day=DAY + 20, start=-25.0, unit_id="T2"))) == 2
    assert len(causes(feed, finding("chart_error", day=DAY + 3, start=-8.0, unit_id="T3"))) == 2


def test_a_rate_that_set_in_days_before_the_clock_was_wrong_is_none_of_its_doing():
    clock = finding("clock_skew", unit_id=None, tank_id=None)
    assert causes(clock, finding("line_leak", day=DAY + 1, start=-4.0)) == {"clock_skew", "line_leak"}
    assert causes(clock, finding("line_leak", day=DAY + 1, start=-1.5)) == {"clock_skew"}


@pytest.mark.parametrize(
    ("cause", "unit", "start", "is_explained"),
    [
        ("line_leak", "T2", -15.0, True),
        ("tank_leak", "T2", 10.0, True),
        ("tank_leak", "T2", -30.0, False),
        ("tank_leak", "T3", -15.0, False),
        ("bulk_theft", "T2", 1.0, False),
    ],
)
def test_a_blending_hose_that_is_off_takes_from_its_other_tank_too(cause, unit, start, is_explained):
    """The hose draws on T1 and T2; one tank may show its drift four weeks before the other does."""
    drift = finding("meter_drift", meter_id="M1", also_unit_id="T2", log_odds=9.0)
    other = finding(cause, day=DAY + 20, start=start - 20.0, unit_id=unit, tank_id=unit)
    assert causes(drift, other) == ({"meter_drift"} if is_explained else {"meter_drift", cause})
    assert causes(replace(drift, also_unit_id=None), other) == {"meter_drift", cause}
