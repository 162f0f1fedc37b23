"""Urgency, action and summary of a case, in plain words."""

from __future__ import annotations

import re

from pipeline.cases.finding import Finding
from pipeline.contract.causes import CAUSE
from pipeline.units import digits_for

OF_BALANCE = {"excursion": "an odd day", "delivery": "a delivery off its ticket"}
"""What else the balance weighs."""
_NO_RIVAL = "No other cause came near."
LEAK_NOW_L_PER_H = 0.4
"""A leak from so many litres an hour on is for now. No source."""


def urgency(finding: Finding, probability: float) -> str:
    """How soon somebody must act: `act_now`, `today`, `this_week` or `watch`."""
    if probability < 0.5:
        return "watch"
    if finding.cause == "tank_leak" and (finding.rate_l_per_h or 0.0) >= LEAK_NOW_L_PER_H and probability >= 0.8:
        return "act_now"
    return CAUSE[finding.cause].urgency


def action(finding: Finding) -> str:
    """What to do, and whom to leave it to."""
    return CAUSE[finding.cause].action


def summary(finding: Finding, low: float | None, high: float | None) -> str:
    """One or two sentences: what, where, how much, and what else it could be."""
    where = finding.meter_id or finding.tank_id or finding.site_id
    words = CAUSE[finding.cause].noun
    text = f"{words[0].upper()}{words[1:]} at {where}"
    if finding.litres is not None and low is not None and high is not None:
        verb = "lost" if finding.litres < 0 else "gained"
        if finding.cause == "wrong_feed":
            verb = "booked wrongly"
        is_sure = low * high > 0
        ends = sorted((abs(low), abs(high))) if is_sure else (low, high)
        digits = digits_for(low, high, finding.litres)
        of, first, last = (_figure(value, digits) for value in (abs(finding.litres), *ends))
        text += f": {of} l {verb if is_sure else verb + ', or nothing,'} ({first} to {last})"
    if finding.rate_l_per_h is not None:
        per = " with a hose open" if finding.cause == "line_leak" else ""
        text += f", {finding.rate_l_per_h:.2f} l/h{per}"
    if finding.meter_error_pct is not None:
        gives = "less than it records" if finding.meter_error_pct > 0 else "more than it records"
        text += f", it gives {abs(finding.meter_error_pct):.2f} % {gives}"
    return f"{text}. {_rival_words(finding)}"


def rival_told(summary: str) -> tuple[str, int | None] | None:
    """What a summary says comes next and its odds against, None where it is far behind; an empty name where none came.

    None where it says nothing of it.

    >>> rival_told("A leak at T1: 3 l lost. Next likely: a meter off, 1,480 to 1 against.")
    ('a meter off', 1480)
    >>> rival_told("A leak at T1: 3 l lost. Next likely, far behind: a meter off.")
    ('a meter off', None)
    >>> rival_told("A leak at T1: 3 l lost. No other cause came near.")
    ('', None)
    """
    if summary.endswith(_NO_RIVAL):
        return "", None
    if far := re.search(r"Next likely, far behind: (.+)\.$", summary):
        return far[1], None
    near = re.search(r"Next likely: (.+), ([\d,]+) to 1 against\.$", summary)
    return (near[1], int(near[2].replace(",", ""))) if near else None


def _figure(value: float, digits: int) -> str:
    """Litres with as many decimals as their interval earns, as on every page of the report."""
    return f"{round(value, digits):,.{max(digits, 0)}f}"


def _rival_words(finding: Finding) -> str:
    if finding.rival is None:
        return _NO_RIVAL
    cause, _, place = finding.rival[0].partition(":")
    name = CAUSE[cause].noun if cause in CAUSE else OF_BALANCE.get(cause, cause)
    if cause == finding.cause:
        if not place or place == finding.meter_id:
            return _NO_RIVAL
        name = "the same at another hour" if place.endswith(" h") else f"the same of {place}"
    lead = finding.log_odds - finding.rival[1]
    if lead > 7:
        return f"Next likely, far behind: {name}."
    return f"Next likely: {name}, {max(round(2.718**lead), 1):,} to 1 against."
