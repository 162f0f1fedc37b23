"""All wording of the page of what left beyond sales, and of the page of patterns."""

from typing import Final

TITLE: Final = "Beyond sales"
NOTE: Final = (
    "All that left a tank and no sale shows: sudden draws, cases of draws of which no single one stands here, and "
    "cases of missing sales. A draw at the time of a case of its tank stands with that case; do not add its litres to "
    "the case's. Times are those of the site. This is a gap between two measurements and says nothing about any person."
)
LINE: Final = "{draws} beyond sales, {litres} in all, {night} of them at night; {cases} of missing sales."
NONE: Final = "Nothing was seen to leave a tank beyond its sales."
NIGHT: Final = "night"
SORTS: Final = {
    "at_rest": "Draw at rest", "selling": "Draw while selling", "draw": "Draw", "bulk_theft": "Draw, by its case",
    "slow_theft": "Small draws", "missing_sales": "Missing sales",
}  # fmt: skip
COLUMNS: Final = ("When", "Tank", "What", "Left, 95 % interval", "Case")
FILTERS: Final = {"site": "Site", "product": "Product", "kind": "What", "night": "At night"}
NIGHTS: Final = {"yes": "At night", "no": "By day"}
LIST: Final = "What left, the newest first"
HOURS: Final = "Draws by weekday and hour"
HOURS_NOTE: Final = (
    "Litres of the draws by the hour of the site's clock in which each began. Cases without a single draw have no "
    "hour and are not in it. Draws are seen best while nothing is sold, so quiet hours show more of them."
)
CELL: Final = "{day}, {hour}:00, draws: {n}"
UNIT: Final = "litres"
HOUR: Final = "Hour of the day"
WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
