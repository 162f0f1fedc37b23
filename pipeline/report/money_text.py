"""All wording of the page of money."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from pipeline.report import format as fmt

TITLE: Final = "Money"
SHRINK: Final = "Shrink was {pct} of sales, {variance} of {sales} ({interval}). "
RISK: Final = "At risk in current cases: {litres}{money}."
NO_RISK: Final = "No current case has a loss."
OF_CHART: Final = "{litres} of chart taken out"
NO_INTERVAL: Final = "no interval"
NOTE: Final = (
    "Litres at the latest selling price of each tank or product, each currency by itself. Lost and gained are the "
    "months' variances of the tanks, those below nought and those above; named beside each is what the day sheets put "
    "down to a cause by name, tank by tank. At risk are the losses of current cases, in the month in which they "
    "began, as on the worklist. Recovered is what people said when they closed cases, in the month in which it was "
    "found out, and beside it the litres that were agreed on. A variance is a plain difference of measurements and has "
    "no interval; what is at risk has one. Days without a known variance count with their sales and no variance. Where "
    "a chart was replaced and the days before close better by the new one, what the old one put into their variance is "
    "taken out of it and stands below as chart: it was neither lost nor gained."
)
BY_MONTH: Final = "The fleet by month"
BY_SITE: Final = "By site and month"
TREND: Final = "Shrink by month"
TREND_NOTE: Final = "−variance ÷ sales of the whole fleet, in per cent, as the trade quotes it: above nought is loss."
FILTERS: Final = {"site": "Site", "month": "Month"}
COLUMNS: Final = (
    "Month", "Site", "Sales", "Variance", "Shrink, of sales", "Lost", "Lost, named", "Gained", "Gained, named",
    "At risk, 95 % interval", "Recovered",
)  # fmt: skip
ALL: Final = "All"
NONE: Final = "There is no trading day yet."
AXIS: Final = "Shrink, % of sales"


def line(total: Mapping[str, Any], months: Sequence[object]) -> str:
    """The sentence that a reader takes along."""
    if not months:
        return NONE
    risk = total["risk"]
    money = f", {risk.words}" if risk.words else ""
    at_risk = RISK.format(litres=total["risk_text"], money=money) if total["risk_span"] else NO_RISK
    if total["shrink_pct"] is None:
        return at_risk
    return SHRINK.format(
        pct=fmt.quantity(total["shrink_pct"], "%", 2, signed=True), interval=NO_INTERVAL,
        variance=fmt.quantity(-total["variance_l"], "l", signed=True), sales=fmt.quantity(total["sales_l"], "l"),
    ) + at_risk  # fmt: skip
