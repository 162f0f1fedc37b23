"""All wording of the page of a span between two instants, and of shifts."""

from typing import Final

TITLE: Final = "Sales against the gauge, shift by shift"
LINK: Final = "Between any two instants, and by shifts"
TO_DAYS: Final = "Whole trading days of {site}"
FORM: Final = "Between two instants"
FROM: Final = "From"
TO: Final = "To"
HOURS: Final = "Shifts begin at"
HOURS_HINT: Final = "06:00 14:00 22:00"
SHOW: Final = "Show"
ELSEWHERE: Final = (
    "Spans between any two instants, for shifts, are worked out by the desk when they are asked for: "
    "tankdrift desk OUT."
)
ZONE: Final = "Instants are on the clock of {zone}."
NO_ZONE: Final = "The site names no time zone that is known: instants are UTC."
PICKS: Final = "Shifts of {day}"
SHIFT: Final = "{start} to {end}"
WHOLE_DAY: Final = "Trading day"
EARLIER: Final = "A day earlier"
LATER: Final = "A day later"
LINE: Final = "{span}: {sales} sold, variance {variance}, {pct} of sales."
WHOLE: Final = "These are whole trading days: tanks are as their day sheets have them, and begin and end with the days."
SETTLED: Final = (
    "Each tank from its settled reading nearest to the start to that nearest to the end, about one each half hour; "
    "after a drop the surface is waited for. What its row really spans is in it, so that shifts next to each other "
    "add up."
)
CUT: Final = "The data of this site are of {span}: what lies beyond is left out."
TWICE: Final = {
    "from": "{at} is there twice on that day, as clocks go back; the span begins with the first.",
    "to": "{at} is there twice on that day, as clocks go back; the span ends with the second.",
}
COLUMNS: Final = (
    "Tank", "From settled reading to settled reading", "At the start", "Delivered", "Sold", "At the end", "Variance",
    "of sales",
)  # fmt: skip
NOTHING: Final = "no settled reading"
NO_READINGS: Final = "no settled reading ever"
ALL: Final = "All tanks"
TANKS: Final = "Tanks"
TANKS_NOTE: Final = (
    "Variance is the stock at the end − (at the start + delivered − sold). Joined tanks share their pool's out by "
    "capacity, and what is delivered is what tickets say."
)
HOSES: Final = "Each hose, as the till booked it"
HOSES_NOTE: Final = (
    "Of the lake's own rows of sales, between its tank's two instants but on the till's clock; a sale under way at "
    "either is shared out by time, and tests that were poured back are no sales."
)
HOSE_COLUMNS: Final = ("Hose", "Tank", "Sales", "Sold", "of its tank's sales")
NO_LAKE: Final = "Sales by hose come of the lake: tankdrift desk OUT --lake LAKE shows them."
TOO_LONG: Final = (
    "Sales by hose are read from the lake for {most} days at most; the page of whole trading days has them of any."
)
NO_HOSES: Final = "No hose draws on these tanks."

NOT_AN_INSTANT: Final = "{name}: expected an instant, such as 2026-05-01T06:00"
NOT_THERE: Final = "{name}: {at} is not there in {zone}: clocks go forward over it"
NOT_HOURS: Final = "shifts: expected two or three different hours, such as 06:00 14:00 22:00"
BACKWARDS: Final = "from, to: expected a span that ends after it begins"
NO_DATA: Final = "There is no settled reading of this site."
BEYOND: Final = "No data of this site lie in this span: they are of {span}."
