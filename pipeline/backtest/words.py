"""All wording of the backtest's page. What it does not say is as in the report."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, Final

from pipeline.report import text as report_text

TITLE: Final = "Backtest"
LINES: Final = {
    "none": "No rule found anything that is known to have been wrong.",
    "best": "{title}: {share} of what it looks for is found, at {rate} alarms outside of known faults in 100 "
    "tank-months.",
    "none_known": "Nothing is known to have been wrong in this history, so only false alarms can be counted.",
}
MORE: Final = (
    "{trials} on {months} tank-months of {tanks}, {truths} to find. Each day the rules saw that day and earlier only."
)
CAUTION: Final = (
    "Alarms on time that nobody has looked into are neither false nor true. They are counted as alarms outside of "
    "known faults, and a sample of them stands below to be looked at."
)
SECTIONS: Final = {
    "results": ("What each rule came to", "Intervals are 95 %, drawn anew over tanks; shares have the wider of that "
                "and the exact one. 'By chance' is what as many alarms strewn at random would have found."),
    "comparisons": ("Rules against each other", "The same tanks drawn for both, and faults that both look for. An "
                    "interval that leaves out nought is a difference that this history shows."),
    "divided": ("What divides them", "Faults that one rule found and the other did not, and alarms outside of known "
                "faults that only one raised."),
    "review": ("To be looked at", "Drawn evenly from the alarms on time of which nothing is known. Say what it was, "
               "and the next backtest counts it."),
    "proof": ("To have it again", "Equal words, code and data give the same bytes."),
}  # fmt: skip
CHART_TITLES: Final = {
    "tradeoff": "Found against alarms for nothing",
    "power": "Found by size",
    "delay": "Found by days after the start",
    "cost": "Cost of 100 tank-months",
    "heat": "Smallest fault found, tank by tank",
}
CHART_NOTES: Final = {
    "tradeoff": "Each point is a rule with its parameters; up and to the left is better. The large ones keep to the "
    "budget of {budget} alarms in 100 tank-months, or come nearest.",
    "power": "Points with exact 95 % intervals, and the fitted curve with its own. Sizes: {units}.",
    "delay": "What was not found waits on until it could be watched no longer (Kaplan and Meier).",
    "cost": "Visits at {visit} and litres lost before the alarm at {litre} each, on the history itself; each rule pays "
    "for the faults that it looks for.",
    "heat": "Size at which {power} are found, by faults put into each tank's own history: < and > stand for less and "
    "more than was tried.",
}
AXES: Final = {
    "rate": "alarms outside of known faults in 100 tank-months",
    "share": "share found [%]",
    "size": "size of the fault",
    "days": "days after the start",
    "cost": "cost",
}
RESULT_COLUMNS: Final = (
    "Rule", "Parameters", "To find", "Found", "By chance", "Right cause", "Alarms outside", "False alarms", "Delay",
    "Litres saved", "Cost", "Smallest found",
)  # fmt: skip
COMPARISON_COLUMNS: Final = ("First", "Second", "Figure", "First has", "Second has", "Difference")
DIVIDED_COLUMNS: Final = (
    "Said by",
    "Not by",
    "What",
    "Tank",
    "Day",
    "Cause",
    "Score",
    "Evidence",
    "Variance up to then",
)
REVIEW_COLUMNS: Final = ("Rule", "Tank", "Day", "Cause", "Score", "Evidence", "Say what it was with")
PROOF_COLUMNS: Final = ("What", "Is")
FIGURE_NAMES: Final = {
    "share_found": "share found", "right_share": "of it with the right cause", "false_per_100": "false alarms per 100 "
    "tank-months", "outside_per_100": "alarms outside per 100 tank-months", "saved_share": "share of litres saved",
    "cost_per_100": "cost of 100 tank-months",
}  # fmt: skip
WHAT: Final = {"found": "a fault, found", "false": "a false alarm", "unlabelled": "an alarm, nobody knows"}
POINT: Final = "operating point"
PER_100: Final = "per 100 tank-months"
DAYS: Final = "d"
NO_POWER: Final = "Put faults of several sizes in (--inject) to see what size each rule finds."
NO_REVIEW: Final = "No alarm was raised on time of which nothing is known."
NO_DIVIDED: Final = "The rules agree on everything."
CASE_NAME: Final = "faults put in"


def words() -> SimpleNamespace:
    """The report's words, with the backtest's own in their place."""
    own: dict[str, Any] = {name: value for name, value in globals().items() if name.isupper()}
    own |= {
        "NAV": {"index.html": TITLE},
        "NAV_LABEL": "This page",
        "FOOTER": "Made from a history by rules that saw each day no further than that day. Figures are of that "
        "history and of what is known about it: another fleet has other noise.",
    }
    return SimpleNamespace(**{**vars(report_text), **own})
