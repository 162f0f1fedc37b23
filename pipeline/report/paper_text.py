"""All wording of papers: the case file, the delivery claim, the month's statement."""

from typing import Final

LINK: Final = "Paper to print"
SITE_LINK: Final = "Month's statement"
CASE: Final = "Case file"
CLAIM: Final = "Delivery claim"
STATEMENT: Final = "Month's statement"
OF_TANK: Final = "{tank}, {product}, {site}"
FACTS: Final = {
    "site": "Site", "tank": "Tank", "product": "Product", "month": "Month", "when": "Delivered", "tickets": "Tickets",
    "haulier": "Haulier", "vehicle": "Vehicle", "terminal": "Terminal", "case": "Case", "size": "Tank holds",
}  # fmt: skip
BALANCE: Final = "The difference"
BALANCE_COLUMNS: Final = ("Line", "Litres")
TICKETED: Final = "Ticketed"
FOUND: Final = "Found in the tank: rise of the gauge stock with what was sold meanwhile"
DIFFERENCE: Final = "Found less ticketed"
SPAN: Final = "95 % interval: {span}"
WORTH: Final = "At the latest selling price: {money}"
TANKS: Final = "The month by tank"
TANK_COLUMNS: Final = (
    "Tank",
    "Statement",
    "Leak, l/h",
    "Could have shown, l/h",
    "Sales, l",
    "Variance, l",
    "Allowance, l",
)
TOTAL: Final = "All"
GAPS: Final = "Gaps in the data"
GAP_COLUMNS: Final = (
    "Tank",
    "Days of the month with readings",
    "Days with a variance",
    "Hours without readings",
    "Bad",
)
NO_GAPS: Final = "Nothing is known of the gauges' readings."
METHOD: Final = "Method"
METHODS: Final = {
    "case": (
        "Everything that could move a tank's stock is weighed against everything else in one balance of gauge, meters "
        "and tickets. The probability is how likely the case is real and of this cause; litres have a 95 % interval, "
        "and a case speaks of litres and times and says nothing about any person."
    ),
    "claim": (
        "Found is the rise of the gauge stock over the drop with what the meters sold meanwhile, litres as ticketed. "
        "The lines are what temperature, the tank's chart and its meters make of it by the run's balance over all "
        "readings; the interval holds what a sound ticket, hoses and waves may be out by. One ticket is good to "
        "about 0.15 %."
    ),
    "statement": (
        "The leak is estimated with its 95 % interval from all readings of the month, sales and deliveries balanced, "
        "temperature, chart and meters taken into account. A month that could not have shown a leak of the limit is "
        "inconclusive, never a pass. This is no release detection and no certificate."
    ),
}  # fmt: skip
MADE: Final = "Data to {day}; tankdrift {version}."
OTHER_CHART: Final = "Judged by a chart that is not the lake's: {tanks}."
SIGNED: Final = ("Name", "Function", "Date and place", "Signature")
