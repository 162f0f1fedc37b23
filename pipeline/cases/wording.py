"""Urgency, action and summary of a case, in plain words."""

from __future__ import annotations

from pipeline.cases.finding import Finding
from pipeline.units import digits_for

NAMES = {
    "tank_leak": "a leak from the tank",
    "line_leak": "a leak from the line under pressure",
    "bulk_theft": "one large unmetered draw",
    "slow_theft": "small unmetered draws in a pattern",
    "meter_drift": "a meter off",
    "missing_sales": "litres metered and not booked as sales",
    "chart_error": "a wrong tank chart",
    "wrong_feed": "sales booked to a tank that did not supply them",
    "short_delivery": "a short delivery",
    "over_delivery": "an over-delivery",
    "missing_ticket": "a drop with no ticket",
    "wrong_product": "a drop of another product",
    "water_ingress": "water coming in",
    "phase_separation": "a blend that has split or is about to",
    "probe_fault": "a faulty gauge",
    "clock_skew": "gauge and till clocks that disagree",
    "unexplained": "something that no known cause explains",
}
ACTIONS = {
    "tank_leak": "Treat as a suspected release: follow your local code and its reporting times, stop filling the tank "
    "and have a licensed tester test it.",
    "line_leak": "Treat as a suspected release: follow your local code, take the line out of use and have a licensed "
    "tester test it.",
    "bulk_theft": "Check locks, dips and cameras for that time; keep the record neutral until it has been reviewed.",
    "slow_theft": "Check locks, dips and cameras at those hours; keep the record neutral until it has been reviewed.",
    "meter_drift": "Have the meter tested, and adjusted by who is licensed to, before its readings are relied on.",
    "missing_sales": "Compare the totaliser with the till's records for those hours and find where the sales went.",
    "chart_error": "Have the tank's chart, tilt and probe offset checked; do not judge losses by this chart meanwhile.",
    "wrong_feed": "Check which tank supplies the hose and correct the feed table from that time on.",
    "short_delivery": "Put the figures to the haulier within the time for claims.",
    "over_delivery": "Compare with the other drops of that vehicle: the litres may be short at another tank.",
    "missing_ticket": "Ask the haulier and the terminal for the ticket, and whose delivery it was.",
    "wrong_product": "Stop sale from this tank until a sample has been examined; tell the haulier.",
    "water_ingress": "Dip for water, stop sale if it may reach the suction, and find where it comes in; it may also be "
    "a way for product to get out.",
    "phase_separation": "Stop sale from this tank until it has been examined; both layers need licensed handling.",
    "probe_fault": "Have the probe seen to; dip the tank by hand until then.",
    "clock_skew": "Set the till's and the gauge's clocks right and find what moved them.",
    "unexplained": "Look at the tank's page and tell what it was, so that it can be learned from.",
}
ACT_NOW = ("phase_separation", "wrong_product")
TODAY = (
    "line_leak",
    "bulk_theft",
    "slow_theft",
    "missing_sales",
    "short_delivery",
    "missing_ticket",
    "water_ingress",
    "probe_fault",
    "wrong_feed",
)
LEAK_NOW_L_PER_H = 0.4
TOLERANCE_PCT = 0.5


def urgency(finding: Finding, probability: float) -> str:
    """How soon somebody must act: `act_now`, `today`, `this_week` or `watch`."""
    if probability < 0.5:
        return "watch"
    if finding.cause in ACT_NOW:
        return "act_now"
    if finding.cause == "tank_leak":
        return "act_now" if (finding.rate_l_per_h or 0.0) >= LEAK_NOW_L_PER_H and probability >= 0.8 else "today"
    if finding.cause in TODAY:
        return "today"
    return "this_week"


def action(finding: Finding) -> str:
    """What to do, and whom to leave it to."""
    return ACTIONS[finding.cause]


def summary(finding: Finding, low: float | None, high: float | None) -> str:
    """One or two sentences: what, where, how much, and what else it could be."""
    where = finding.meter_id or finding.tank_id or finding.site_id
    words = NAMES[finding.cause]
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


def _figure(value: float, digits: int) -> str:
    """Litres with as many decimals as their interval earns, as on every page of the report."""
    return f"{round(value, digits):,.{max(digits, 0)}f}"


def _rival_words(finding: Finding) -> str:
    if finding.rival is None:
        return "No other cause came near."
    cause, _, place = finding.rival[0].partition(":")
    name = {"excursion": "an odd day", "delivery": "a delivery off its ticket"}.get(cause, NAMES.get(cause, cause))
    if cause == finding.cause:
        if not place or place == finding.meter_id:
            return "No other cause came near."
        name = "the same at another hour" if place.endswith(" h") else f"the same of {place}"
    lead = finding.log_odds - finding.rival[1]
    if lead > 7:
        return f"Next likely, far behind: {name}."
    return f"Next likely: {name}, {max(round(2.718**lead), 1):,} to 1 against."
