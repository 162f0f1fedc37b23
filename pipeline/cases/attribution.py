"""One cause, one case: findings that another finding explains are left out, as far as it was known at the time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.cases.finding import Finding
from pipeline.contract.causes import CAUSE, RECORDS
from pipeline.estimate.hypotheses import RATES
from pipeline.estimate.known import DAY_S, known_day
from pipeline.estimate.naming import CHART_LATE_DAYS, RAISE_AT
from pipeline.ledger.dips import DIP_S, SETTLE_S

LASTING = ("tank_leak", "line_leak", "meter_drift", "unexplained", "slow_theft")
SUDDEN = ("bulk_theft", "slow_theft", "probe_fault")
SICK_DAYS = 7.0
"""So long a gauge may have been sick before it is seen to be: a rate that sets in then is not believed. No source."""
RELEARN_DAYS = 14
"""So long after a wrong feed was seen a chart still shows what it learned before. No source."""
ERRATIC_DAYS = 8.0
"""So long after a stock was erratic no rate that sets in is believed. No source."""
BLEND_DAYS = 28.0
"""So long before a blending hose's meter is taken to go off by one tank, the other may show it. No source."""
NEXT_DROP_DAYS = 3.0
"""So soon the next drop comes that may hold what one was short of. No source."""
BOOKED_SHARE = 0.5
"""A clock explains a draw when so much of it was booked about its time, and missing sales what a drop lacked when so
much went unbooked and may have gone during it. No source."""


def attributed(findings: list[Finding]) -> list[Finding]:
    """The findings of one site that stand for themselves, in the order in which they were raised.

    One that was itself explained away explains nothing.
    """
    kept: list[Finding] = []
    for finding in sorted(findings, key=lambda one: (one.day, _rank(one), one.start_s, one.unit_id or "")):
        if not is_explained(finding, kept):
            kept.append(finding)
    return kept


def is_explained(finding: Finding, kept: Sequence[Finding]) -> bool:
    """Whether one of the findings that stand, known no later, accounts for another."""
    known = (other for other in kept if other.day <= finding.day)
    return any(_is_of_its_blend(other, finding) or _explains(other, finding) for other in known)


def _is_of_its_blend(other: Finding, finding: Finding) -> bool:
    """Whether a finding is what a blending hose, whose meter is off by one tank, takes from the other."""
    if other.cause != "meter_drift" or other.also_unit_id is None or other.also_unit_id != finding.unit_id:
        return False
    return finding.cause in LASTING and _overlaps(other, finding, BLEND_DAYS)


def _rank(finding: Finding) -> int:
    """Order among findings of one day: what may explain comes before what it explains."""
    if finding.cause == "unexplained" and finding.rate_l_per_h is not None:
        return len(RECORDS)
    asked = CAUSE[finding.cause].asked
    return len(RECORDS) if asked is None else asked


def _explains(other: Finding, finding: Finding) -> bool:
    """Whether `other`, known no later, accounts for `finding`."""
    if other.unit_id != finding.unit_id and other.cause not in ("clock_skew", "wrong_feed"):
        return False
    if other.unit_id == finding.unit_id and _is_left_over(finding):
        return True
    if other.cause == "missing_sales" and finding.cause == "short_delivery":
        return _is_unbooked_about(other, finding)
    if CAUSE[other.cause].explains:
        explains = CAUSE[other.cause]
        return finding.cause in explains.explains and _overlaps(other, finding, explains.explains_days)
    if other.cause in ("clock_skew", "wrong_feed"):
        return _books_explain(other, finding)
    if other.cause == "bulk_theft":
        return finding.cause in ("tank_leak", "line_leak") and _near_start(other, finding, 1.0)
    if {other.cause, finding.cause} == {"short_delivery", "over_delivery"}:
        return _is_of_next_drop(other, finding)
    if other.cause == "probe_fault":
        return _gauge_explains(other, finding)
    if other.cause == "unexplained" and other.rate_l_per_h is None:
        explained = ("unexplained", *LASTING, "chart_error", "bulk_theft")
        return finding.cause in explained and _overlaps(other, finding, ERRATIC_DAYS)
    return False


def _is_left_over(finding: Finding) -> bool:
    """Whether a finding on a tank with another fault is that one's remains.

    A chart is wrong from its first day, so not one that shows late; and a meter needs as much evidence as any rate.
    """
    is_late = finding.day * DAY_S - finding.start_s > CHART_LATE_DAYS * DAY_S
    return (finding.cause == "chart_error" and is_late) or (
        finding.cause == "meter_drift" and finding.log_odds < RAISE_AT
    )


def _books_explain(other: Finding, finding: Finding) -> bool:
    """Whether a clock or a feed that is wrong accounts for a finding, about when that began or ended.

    A feed for those of the two tanks that it mistakes alone; and for a rate either, only where the rate sets in then.
    """
    if not _is_of_books(finding):
        return False
    if other.cause == "wrong_feed":
        if finding.unit_id not in (other.unit_id, other.also_unit_id):
            return False
        # Until the day that saw it the sales were taken from the wrong tank, and both charts learned from that.
        learned = finding.cause == "chart_error" and finding.day - other.day <= RELEARN_DAYS
        return learned or (finding.cause in (*LASTING, *SUDDEN) and _near_edge(other, finding, 1.5))
    explained = (*LASTING, *SUDDEN, "short_delivery", "over_delivery")
    return finding.cause in explained and _near_edge(other, finding, 2.0)


def _is_of_books(finding: Finding) -> bool:
    """Whether wrong books can make a finding.

    A draw, only where about as much was booked near by; of a sick gauge a jump or a level that stands still.
    """
    if finding.cause == "probe_fault":
        return any(item.kind in ("instant", "interval") for item in finding.evidence)
    return finding.cause != "bulk_theft" or finding.booked_l >= BOOKED_SHARE * abs(finding.litres or 0.0)


def _gauge_explains(other: Finding, finding: Finding) -> bool:
    """Whether a sick gauge accounts for a finding: a jump at once, any other trouble while it lasts."""
    if any(item.kind == "instant" for item in other.evidence):
        return finding.cause in (*LASTING, "bulk_theft") and _near_start(other, finding, 0.2)
    if finding.cause in LASTING and other.start_s - SICK_DAYS * DAY_S <= finding.start_s <= other.start_s:
        return True
    explained = (*LASTING, "bulk_theft", "short_delivery", "over_delivery", "chart_error", "missing_ticket")
    return finding.cause in explained and _overlaps(other, finding, 1.0)


def _is_unbooked_about(other: Finding, finding: Finding) -> bool:
    """Whether litres that no sale tells the hour of may have gone while a drop was judged.

    Such are those between two signs of missing sales of which one falls into that time, and while they last and the
    next sign is not known, as many as ever were between two.
    """
    known = np.array([known_day(float(at_s)) <= finding.day for at_s in other.course.at_s], dtype=bool)
    at_s, litres = other.course.at_s[known], other.course.litres[known]
    if len(at_s) < 2:
        return False
    low_s, high_s = finding.start_s - DIP_S, (finding.end_s or finding.start_s) + SETTLE_S + DIP_S
    gone = -np.diff(litres)
    is_open = (at_s[:-1] < high_s) & (at_s[1:] > low_s)
    is_told = (at_s[:-1] > low_s) & (at_s[1:] < high_s)
    most = float(gone[is_open & ~is_told].sum())
    if at_s[-1] < high_s and _known_end_s(other, finding.day) == float("inf"):
        most += float(gone.max())
    return most >= BOOKED_SHARE * abs(_as_told(finding)[0])


def _is_of_next_drop(other: Finding, finding: Finding) -> bool:
    """Whether what one drop lacked came with the next, or the other way round: litres put down to the wrong one."""
    one, next_one = _as_told(other), _as_told(finding)
    soon = 0.0 <= finding.start_s - other.start_s < NEXT_DROP_DAYS * DAY_S
    return soon and abs(one[0] + next_one[0]) <= 2.0 * float(np.hypot(one[1], next_one[1]))


def _as_told(finding: Finding) -> tuple[float, float]:
    """Litres and their SD as the day that raised a finding told them."""
    return finding.told_l or (finding.litres or 0.0, finding.sd_l)


def _near_start(other: Finding, finding: Finding, days: float) -> bool:
    return abs(other.start_s - finding.start_s) < days * DAY_S


def _near_edge(other: Finding, finding: Finding, days: float) -> bool:
    """Whether `finding` sets in, or where it is no rate was raised, about when `other` began, was seen or ended."""
    edges = [other.start_s, other.day * DAY_S, _known_end_s(other, finding.day)]
    at = [finding.start_s] if finding.cause in RATES else [finding.start_s, (finding.day + 0.5) * DAY_S]
    return any(abs(one_s - edge) < days * DAY_S for one_s in at for edge in edges)


def _overlaps(other: Finding, finding: Finding, days: float) -> bool:
    end_s = _known_end_s(other, finding.day)
    return other.start_s - days * DAY_S <= finding.start_s <= end_s + days * DAY_S


def _known_end_s(other: Finding, day: int) -> float:
    """When a finding was over, as far as the run of a UTC day number could tell; infinite while it lasts.

    Missing sales are over for the time between two signs of them, though both belong to one matter.
    """
    if other.cause == "missing_sales":
        ends = [] if other.end_s is None else [other.end_s]
        signs = [float(at_s) for at_s in (*other.course.at_s, *ends) if known_day(at_s) <= day]
        last_s = max([other.start_s, *signs])
        return last_s if last_s + CAUSE[other.cause].waits_days * DAY_S < (day + 1) * DAY_S else float("inf")
    if other.end_s is None or other.end_s + CAUSE[other.cause].waits_days * DAY_S >= (day + 1) * DAY_S:
        return float("inf")
    return other.end_s
