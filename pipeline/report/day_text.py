"""All wording of the pages of sites and of a site's days."""

from typing import Final

SITES: Final = "Sites"
SITES_NOTE: Final = "Each leads to its tanks, cases, deliveries, money and data, and to its days."
SITE_COLUMNS: Final = ("Site", "Tanks", "Stale", "Current cases", "Month", "Sales", "Variance", "Shrink, of sales", "")
FILTERS: Final = {"site": "Site"}
LINE_OF_SITES: Final = "{sites}, {tanks}; {stale} without a reading of late."
DAYS: Final = "Sales against the gauge"
DAYS_LINK: Final = "Sales against the gauge, any days"
BACK: Final = "All sites"
TO_SITE: Final = "Back to {site}"
FACTS: Final = {
    "zone": "Times are those of", "opens": "Trading day opens", "currency": "Currency", "tanks": "Tanks",
    "hoses": "Hoses", "cases": "Current cases",
}  # fmt: skip
TANKS: Final = "Tanks"
TANK_COLUMNS: Final = (
    "Tank", "Product", "Stock, when read", "Room left", "Throughput", "Variance", "of throughput", "Cases",
    "Latest statement",
)  # fmt: skip
CASES: Final = "Cases, open and past"
CASE_COLUMNS: Final = ("What", "Where", "Litres, 95 % interval", "Probability", "Since", "Where it stands")
NO_CASES: Final = "No case at this site."
DELIVERIES: Final = "Deliveries in {month}"
DELIVERY_NOTE: Final = (
    "The newest first; all of them, with each difference line by line, are on the page of deliveries."
)
DELIVERY_COLUMNS: Final = ("When", "Tank", "Ticketed", "Found", "Difference, 95 % interval", "Brought by", "Case")
DELIVERIES_CUT: Final = "The newest {shown} of {all}."
DELIVERIES_LINK: Final = "All deliveries of this site"
NO_DELIVERIES: Final = "No delivery in the last month of data."
HAULIERS: Final = "Hauliers of the month"
HAULIER_COLUMNS: Final = ("Haulier", "Drops and tickets", "Ticketed", "Difference, sum", "Claims open")
NO_HAULIER: Final = "not named"
MONEY: Final = "Money by month"
HEALTH: Final = "Data of this site"
NO_TROUBLES: Final = "Nothing to mend stands out in the last fourteen days of data."
LEFT: Final = "What left beyond sales"

DAYS_NOTE: Final = (
    "Trading days of the site, summed over the span that you pick. Opening is the first day's, closing the last day's; "
    "variance is closing − (opening + deliveries − sales) of each day, and a day without one counts with its sales. "
    "Hoses are as the till booked them, on the till's clock: where that is off the gauge's, a day's hoses and its tank "
    "differ by the sales about the day's opening, and joined tanks share their pool's sales out by capacity."
)
FROM: Final = "From"
TO: Final = "To"
SPANS: Final = {"1": "Last day", "7": "Last 7", "31": "Last 31", "all": "All"}
SPANS_LABEL: Final = "Span of days"
DAY_COLUMNS: Final = (
    "Tank", "Opening", "Deliveries", "Sales", "Closing", "Variance", "of sales", "Days with a variance",
)  # fmt: skip
ALL: Final = "All tanks"
HOSES: Final = "Each hose"
HOSE_COLUMNS: Final = ("Hose", "Tank", "Sold", "of its tank's sales")
NO_HOSES: Final = "No sale of a hose is known."
DAYS_CUT: Final = "The newest {shown} of {all} days are here."
LINE: Final = "{first} to {last}: {sales} sold, variance {variance}, {pct} of sales."
NONE: Final = "There is no trading day yet."
NO_SPAN: Final = "No trading day lies in this span: the first day must not be after the last."
