"""All wording of the report: labels, sentences and cautions, in plain words and sentence case.

Theft is never said of anyone: an unrecorded draw is a gap between two measurements. Whatever concerns safety or the law
points to local code and to the people it licenses.
"""

from typing import Final

from pipeline.contract.causes import RECORDS
from pipeline.report.prose import READING as READING
from pipeline.report.statement_text import BEYOND_ALLOWANCE as BEYOND_ALLOWANCE
from pipeline.report.statement_text import GAIN_SEEN as GAIN_SEEN
from pipeline.report.statement_text import LEAK_REACHES as LEAK_REACHES
from pipeline.report.statement_text import LEAK_SEEN as LEAK_SEEN
from pipeline.report.statement_text import NO_STATEMENTS as NO_STATEMENTS
from pipeline.report.statement_text import STATEMENT_CASE as STATEMENT_CASE
from pipeline.report.statement_text import STATEMENT_CAUTION as STATEMENT_CAUTION
from pipeline.report.statement_text import STATEMENT_COLUMNS as STATEMENT_COLUMNS
from pipeline.report.statement_text import STATEMENT_FILTERS as STATEMENT_FILTERS
from pipeline.report.statement_text import STATEMENT_LIMITS as STATEMENT_LIMITS
from pipeline.report.statement_text import STATEMENTS as STATEMENTS
from pipeline.report.statement_text import STATEMENTS_NOTE as STATEMENTS_NOTE
from pipeline.report.statement_text import VERDICT_BLIND as VERDICT_BLIND
from pipeline.report.statement_text import VERDICT_MEANS as VERDICT_MEANS
from pipeline.report.statement_text import VERDICT_PASS_PLAIN as VERDICT_PASS_PLAIN
from pipeline.report.statement_text import VERDICT_QUALIFIED as VERDICT_QUALIFIED
from pipeline.report.statement_text import VERDICTS as VERDICTS

TITLE: Final = "Where the litres went"
NAME: Final = "tankdrift"
SKIP: Final = "Skip to the content"
NAV: Final = {
    "index.html": "Worklist",
    "fleet.html": "Fleet",
    "meters.html": "Meters and hauliers",
    "sites.html": "Sites",
    "deliveries.html": "Deliveries",
    "beyond.html": "Beyond sales",
    "patterns.html": "Patterns",
    "money.html": "Money",
    "statements.html": "Statements",
    "data.html": "Data health",
    "reading.html": "How to read this",
}
NAV_LABEL: Final = "Pages of this report"
DATA_TO: Final = "Data to {day}"

CAUSES: Final = {cause.name: cause.title for cause in RECORDS}
# Short names, for marks inside charts and the legend of a day's parts.
PARTS: Final = {cause.name: cause.short for cause in RECORDS} | {
    "thermal": "Temperature",
    "vapour": "Vapour",
    "meter_tolerance": "Meters, within tolerance",
    "chart_tolerance": "Chart, within tolerance",
    "ticket_tolerance": "Tickets, within tolerance",
    "residual": "Left over",
}
PRODUCTS: Final = {
    "gasoline_e0": "Petrol E0", "gasoline_e5": "Petrol E5", "gasoline_e10": "Petrol E10", "gasoline_e85": "Ethanol E85",
    "diesel_b0": "Diesel B0", "diesel_b7": "Diesel B7", "diesel_b20": "Diesel B20", "kerosene": "Kerosene",
    "heating_oil": "Heating oil",
}  # fmt: skip
SHAPES: Final = {"horizontal_cylinder": "lying cylinder", "vertical_cylinder": "standing cylinder"}
END_SHAPES: Final = {
    "flat": "flat ends",
    "hemispherical": "hemispherical ends",
    "elliptical_2_1": "elliptical ends (2:1)",
    "torispherical": "torispherical ends",
    "spherical_cap": "spherical caps",
}
URGENCY: Final = {"act_now": "Act now", "today": "Today", "this_week": "This week", "watch": "Watch"}
URGENCY_MEANS: Final = {
    "act_now": "somebody must go and look before more is sold or filled",
    "today": "a call or a check within the day",
    "this_week": "plan it within the week",
    "watch": "nothing to do yet; it is being followed",
}

# -- Litres in words ----------------------------------------------------------------------------------
LOST: Final = "lost"
GAINED: Final = "gained"
LITRES_WORDS: Final = {"wrong_feed": "misbooked", "water_ingress": "of water in", "missing_ticket": "with no ticket"}
UNSURE_SIGN: Final = "or nothing"
NO_LITRES: Final = "not a matter of litres"
LITRES_UNKNOWN: Final = "litres not known"
STILL_ON: Final = "still going on"
LASTED: Final = "lasted {span}"

# -- Headline -----------------------------------------------------------------------------------------
NEED_TODAY: Final = ("Nothing needs anyone today.", "One thing needs someone today.", "{n} things need someone today.")
MISSING: Final = "{litres} missing at {sites}, the current losses added up."
MISSING_MONEY: Final = "At the latest selling prices that is {money}."
NO_LOSS: Final = "No loss is current."
EMPTY_WORKLIST: Final = (
    "No case is open. Nothing unusual was found in what the data can show; what it cannot show is on the statements "
    "and data health pages."
)
BLIND_SPOTS: Final = "What this cannot see"
BLIND_STATEMENTS: Final = "{n} of {all} tanks have no conclusive leak result in their latest month"
BLIND_GAUGES: Final = "{n} had a stuck or badly gapped gauge in the last week of data"
BLIND_REFUSED: Final = "{n} rows of data were refused"
BLIND_UNTESTED: Final = "{n} of {all} tanks have no leak statement"
BLIND_UNSEEN: Final = "{n} of {all} gauges were not looked at"
SIGHT_CLEAR: Final = "Every tank had a conclusive leak result, a live gauge and no refused data."

# -- Worklist -----------------------------------------------------------------------------------------
WORKLIST: Final = "Worklist"
WORKLIST_ORDER: Final = (
    "Most urgent first; within an urgency, the most at stake times how likely it is. Current is what still goes on, or "
    "ended or came to light in the last {days} days of data. A leak, water, a split blend or a wrong product stays "
    "until somebody closes it with a verdict, or the data shows the danger gone. Bars are on a square-root scale."
)
FIND: Final = "Find a tank, site, case, meter or ticket"
FIND_NONE: Final = "Nothing goes by that name."
FOUND_KINDS: Final = {"tank": "Tank", "site": "Site", "case": "Case", "meter": "Meter", "ticket": "Ticket"}
PART: Final = "{first} to {last}"
PART_NOTE: Final = "Here are {span} of {all}. Filters look through all of them."
PART_ALONE_NOTE: Final = "Here are {span} of {all}. The field at the top of the page finds any."
PARTS_READING: Final = "Looking through the whole list…"
PARTS_UNREAD: Final = "The list's other parts cannot be read: {told} of this part."
PARTS_LABEL: Final = "Other parts of the list"
STATES: Final = {"current": "Current", "past": "Past", "closed": "Closed", "all": "All"}
PAST: Final = "past"
NOT_CLOSED: Final = "nothing more seen, not closed"
GONE_TEST: Final = "gone: a tightness test was passed on {when}"
GONE_WATER: Final = "gone: water at {now} on {when}, {before} before it began"
POOL: Final = "one pool with {others}"
POOL_NOTE: Final = (
    "one pool: litres, sales and variance are the pool's, shared out by capacity; leak rates are the pool's"
)
COLUMNS: Final = {
    "urgency": "Urgency",
    "what": "What",
    "where": "Where",
    "litres": "Litres, 95 % interval",
    "money": "At stake",
    "probability": "Probability",
    "since": "Since",
    "action": "What to do",
}
FILTERS: Final = {"site": "Site", "product": "Product", "cause": "Cause", "urgency": "Urgency", "state": "State"}
ANY: Final = "All"
SEARCH: Final = "Search"
SEARCH_HINT: Final = "tank, meter, words"
SORT: Final = "Order"
SORTS: Final = {
    "rank": "Urgency, then stake",
    "litres": "Litres",
    "probability": "Probability",
    "since": "Newest first",
}
RESET: Final = "Clear filters"
SHOWN: Final = "{shown} of {all} shown"
SHOWN_ALL: Final = "All {all} shown"
NONE_SHOWN: Final = "Nothing matches these filters."
SAVE_TABLE: Final = "Save as CSV"
WITH_DELIVERY: Final = "delivery {delivery}"
WITH_METER: Final = "meter {meter}"
WHOLE_SITE: Final = "the whole site"

# -- A tank's page ------------------------------------------------------------------------------------
CASES: Final = "Cases"
NO_CASES: Final = "No case on this tank."
FACTS: Final = {
    "site": "Site",
    "product": "Product",
    "stock": "Stock",
    "ullage": "Room left to safe fill",
    "water": "Water",
    "temperature": "Temperature",
    "at": "Read",
    "capacity": "Capacity",
    "safe_fill": "Safe fill",
    "shape": "Shape",
    "size": "Diameter and length",
    "walls": "Walls",
    "joined": "Joined with",
    "commissioned": "Commissioned",
    "timezone": "Times are those of",
}
BURIED: Final = ("above ground", "buried")
WALLS: Final = ("single wall", "double wall", "{n} walls")
STALE: Final = "stale: its gauge has told nothing good since"
LEVEL_NOW: Final = "Product at {level}, water at {water} of {diameter}"
ACTION: Final = "What to do"
CAUTION: Final = "Before you act"
PROBABLE: Final = "{p} that it is real and of this cause"
SHOW_WINDOW: Final = "Show this time in the charts"
TO_WORKLIST: Final = "Back to the worklist"
SITE_TANKS: Final = "Tanks at this site"
EVIDENCE_COLUMNS: Final = ("What was found", "Value", "When", "Note")
CASE_FACTS: Final = {
    "litres": "Litres", "money": "At stake", "rate": "Rate", "error": "Meter error", "since": "Since",
    "raised": "Raised on", "tanks": "Tanks", "meter": "Meter", "delivery": "Delivery", "id": "Case",
}  # fmt: skip
RATE_NOTE: Final = {"line_leak": "while a hose of this tank is open"}

CHARTS: Final = "Charts"
CHARTS_NOTE: Final = (
    "All charts share their time axis: drag or press a button to zoom, double-click to see all again. Shaded spans "
    "are the cases above, by letter. Times are the site's."
)
RANGES: Final = {"1": "Day", "7": "Week", "28": "4 weeks", "92": "3 months", "365": "Year", "all": "All"}
RANGE_LABEL: Final = "Time shown"
RANGE_STEPS: Final = {"-1": "Earlier", "1": "Later"}
RANGE_EDGES: Final = {"from": "From", "to": "to"}
CHART_TITLES: Final = {
    "stock": "Stock, with deliveries and unrecorded draws",
    "cumulative": "Variance, added up",
    "parts": "Variance of each day, split into what explains it",
    "sales": "Sales and deliveries of each day",
    "surroundings": "Water and temperature",
    "residual": "What the balance leaves unexplained between two readings",
    "meters": "Meter errors",
    "readings": "Readings, every one",
}
CHART_NOTES: Final = {
    "stock": "Gauge stock at the tank's own temperature.",
    "cumulative": "Gauge minus book, summed over trading days: falling is loss. A steady slope points to a leak or a "
    "meter, a step to a draw or a delivery.",
    "parts": "The parts of a day add up to its variance exactly, the diamonds. Hatching tells apart what colour may "
    "not. Left over is what no named part accounts for; the day sheet says more.",
    "sales": "Litres as metered; deliveries as ticketed.",
    "surroundings": "Height of the water bottom, and the product's mean temperature at the gauge.",
    "residual": "One dot for each span between two settled readings. Filled marks lie beyond three standard "
    "deviations of the measurement noise: a lone one now and then is chance, one far out is an event.",
    "meters": "Recorded ÷ true − 1. Above zero a meter records more than it gives, below zero it gives product "
    "away. The bar on the last point is its 95 % interval; the shaded span is ±0.5 %. At most six meters, those "
    "furthest from zero.",
    "readings": "What the gauge told, as the lake has it. Of readings that fall into one column of the screen the "
    "highest and the lowest are drawn. Those that the gauge itself calls bad are left out.",
}
NO_CHART: Final = "No data for this chart."
DAY_SHEET: Final = "Day sheet"
DAY_SHEET_NOTE: Final = "Trading days, newest first. Opening + deliveries − sales = book; variance = closing − book."
DAY_COLUMNS: Final = (
    "Trading day", "Opening", "Deliveries", "Sales", "Book", "Closing", "Variance", "of sales", "Explained",
    "Left over",
)  # fmt: skip
ODD_DAY: Final = "odd"
DAYS_CUT: Final = "The last {shown} of {all} trading days."
LITRES_UNIT_NOTE: Final = "All in litres."

# -- Fleet --------------------------------------------------------------------------------------------
FLEET: Final = "The fleet"
FLEET_LINE: Final = "{tanks} at {sites}, {throughput} sold in {days}."
HEAT: Final = "Variance by tank and day"
HEAT_NOTE: Final = (
    "One row a tank, site by site. The colour is a day's litres over the tank's usual spread, so that a quiet tank's "
    "change shows as much as a busy one's, or the litres themselves. The usual spread is by how much the variance "
    "scatters about nought on sound days: those that are not odd and on which no case is at work. Click a cell to open "
    "its tank."
)
HEAT_SITES: Final = "Each site on a page of its own"
HEAT_UNITS: Final = {"z": "Over its usual spread", "l": "In litres"}
HEAT_CUT: Final = "The {shown} tanks of {all} that strayed furthest."
HEAT_BUCKET: Final = "Each column is {n} days."
SCATTER: Final = "Variance against throughput"
SCATTER_NOTE: Final = (
    "One mark a tank, over all its days. Small sellers scatter more; a busy tank far from zero is news."
)
BY_CAUSE: Final = "Litres by cause"
BY_CAUSE_NOTE: Final = "Sums of the cases listed, each weighed by its probability."
BY_CAUSE_COLUMNS: Final = ("Cause", "Cases", "Lost", "Gained", "Share of what is lost")
TANKS: Final = "Tanks"
TANK_COLUMNS: Final = (
    "Tank", "Site", "Product", "Stock, when read", "Throughput", "Variance", "of throughput", "Cases",
    "Latest statement",
)  # fmt: skip

# -- Meters and hauliers ------------------------------------------------------------------------------
METERS: Final = "Meters"
METERS_NOTE: Final = (
    "Latest estimate of recorded ÷ true − 1 with its 95 % interval. The shaded span is ±0.5 %, what class 0.5 "
    "measuring systems may be out by (OIML R 117); what binds you is local law. An estimate is a reason to test, "
    "not a test."
)
METER_COLUMNS: Final = ("Meter", "Site", "Tank", "Sold", "Error, 95 % interval", "", "In words", "As of")
METER_VERDICTS: Final = {
    "within": "within tolerance",
    "short": "records more than it gives: short to the customer",
    "gives": "gives more than it records",
    "short_maybe": "may be short to the customer",
    "gives_maybe": "may give product away",
    "likely": "likely within tolerance",
    "wide": "cannot tell yet",
}
NO_METERS: Final = "No meter could be estimated."
HAULIERS: Final = "Hauliers"
HAULIER_NOTE: Final = (
    "Dropped minus ticketed, drop by drop, after what each tank's own chart and meters make of it is taken out. The "
    "interval holds what a tank's chart leaves in doubt, for all its drops at once. A loading meter is itself good to "
    "about 0.15 % of a drop: one drop proves little, many from one haulier at many tanks tell."
)
HAULIER_COLUMNS: Final = (
    "Haulier",
    "Drops compared",
    "at tanks",
    "Ticketed",
    "Mean difference a drop, 95 % interval",
    "of ticketed",
    "Sum",
)
NO_HAULIER: Final = "not named"

# -- Footer -------------------------------------------------------------------------------------------
FOOTER: Final = (
    "Figures are estimates from gauge, meter and ticket data, with the intervals given. This report does not replace "
    "required release detection, a tightness test, a legal meter test or the judgement of the people on site."
)
WHAT_IF: Final = "What if: by other charts"
WHAT_IF_LINE: Final = "By the other charts {gone} cases go, {stays} stay and {new} are new."
WHAT_IF_NOTE: Final = (
    "The same lake was run by the charts of a file for the tanks below, as if they had always been theirs. Daily "
    "variance is each day's without its sign, added up over a month: what a wrong chart puts into it goes with the "
    "chart, what was lost stays. Nothing here changes the run that this desk is of."
)
WHAT_IF_COLUMNS: Final = ("Tank", "Daily variance a month, as it is", "By the other chart", "Cases")
BECOMES: Final = {"gone": "Goes:", "stays": "Stays:", "new": "New:"}
NO_CASES_EITHER_WAY: Final = "None, either way."
WHAT_IF_LINK: Final = "What would become of cases and variance by other charts for {tanks}"
OTHER_CHARTS: Final = (
    "What if: {tanks} went by another chart than the lake's, as if it had always been theirs. This is no report of "
    "what stands in the books."
)
OTHER_CASES: Final = "Cases tied to no tank"

# -- Inside charts ------------------------------------------------------------------------------------
STOCK: Final = "Stock"
DROP: Final = "Delivery"
DRAW: Final = "Unrecorded draw"
SAFE_FILL: Final = "safe fill"
SALES: Final = "Sales"
LEVEL: Final = "Level"
WATER: Final = "Water"
TEMPERATURE: Final = "Temperature"
VARIANCE: Final = "Variance"
BEYOND: Final = "Beyond 3 SD"
WITHIN: Final = "Within noise"
AXES: Final = {"l": "litres", "mm": "mm", "c": "°C", "pct": "%", "z": "times its usual spread",
               "throughput": "Throughput, l", "share": "Variance, % of throughput"}  # fmt: skip
DROP_HOVER: Final = "{id}: {gain} dropped{ticket}"
DROP_TICKET: Final = ", {ticket} ticketed, {mismatch} apart (SD {sd})"
NO_ID: Final = "no ticket"
DRAW_HOVER: Final = "{litres} drawn (SD {sd})"
TIMES_NOISE: Final = "{k} times its noise"
BEYOND_CHART: Final = "Beyond the chart"
BEYOND_CHART_HOVER: Final = "{value}, beyond what is drawn"
