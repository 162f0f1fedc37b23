"""All wording of the page of deliveries."""

from typing import Final

TITLE: Final = "Deliveries"
NOTE: Final = (
    "Each drop against its tickets, the newest first. Found is the rise of the gauge stock with what was sold "
    "meanwhile; its difference from the tickets is taken apart into lines that add up to it."
)
LINES_NOTE: Final = (
    "Lines: what temperature, the tank's own chart and its meters make of the drop by the run's balance; settling: "
    "what lies between the drop's edges and the settled readings around it, with vapour and a shell that gives; and "
    "what is left, by which hauliers are compared. The difference's interval holds what a sound ticket, hoses and "
    "waves may be out by, that of what is left the doubt of chart and meters too. One ticket is good to about 0.15 %."
)
LINE: Final = "{drops}, {bare} without a ticket; {tickets} without a drop; {claims} with a claim open."
CALENDAR: Final = "Deliveries in {month}"
CALENDAR_NOTE: Final = "Drops and tickets by the day on the site's clock. A mark: a claim is open."
CALENDAR_CUT: Final = "The {shown} of {all} sites with the most deliveries."
CLAIM_MARK: Final = "claim open"
WINDOWS: Final = "Other days"
WINDOW: Final = "{first} to {last}"
LIST: Final = "Drops and tickets, {window}"
COLUMNS: Final = (
    "When", "Tank", "Ticket", "Ticketed", "Found", "Difference, 95 % interval", "Taken apart", "Brought by", "Case",
)  # fmt: skip
FILTERS: Final = {
    "site": "Site", "product": "Product", "haulier": "Haulier", "terminal": "Terminal", "claim": "Claim",
}  # fmt: skip
CLAIM_BY: Final = "by {day}"
CLAIMS: Final = {"open": "Claim open", "past": "Past", "closed": "Closed"}
LINES: Final = {
    "temperature": "Temperature", "chart": "Chart", "meters": "Meters", "settling": "Settling", "left": "Left",
}  # fmt: skip
NOT_APART: Final = "no settled readings on either side"
ROSE: Final = "gauge rose {rise}"
SOLD: Final = "sold meanwhile {sold}"
NO_TICKET: Final = "no ticket"
NO_DROP: Final = "no drop found"
NONE: Final = "No delivery was seen or ticketed."
