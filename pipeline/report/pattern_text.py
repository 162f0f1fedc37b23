"""All wording of the page of patterns."""

from typing import Final

from pipeline.report.beyond_text import WEEKDAYS as WEEKDAYS

TITLE: Final = "Patterns"
NOTE: Final = (
    "Whether what went missing follows anything. Of deliveries: what is left of each drop once its tank's chart, "
    "meters and temperature are out, compared with other drops of the same tank. Of days: what the day sheets put down "
    "to draws, missing sales or nothing known, by weekday, and by each hose's share of its tank's sales. Of draws: the "
    "hour of the site's clock in which each began, against the hours in which its tank was at rest, or sold, as it did."
)
TEST: Final = (
    "The odds say how often chance alone makes some group as striking as this one. For deliveries and days that is "
    "a permutation test within each tank against the best of all groups of the kind; for hours an exact sum over "
    "the draws, times the hours. Both are then multiplied by the kinds that were looked at. Days and draws are "
    "taken to be independent of each other: one series of draws by one cause is one pattern, however many draws it "
    "has."
)
CAUTION: Final = (
    "A pattern is not a cause and nobody's guilt. A vehicle has a terminal, a route and tanks of its own; an hour "
    "has its traffic, its temperature and whoever happens to work then. Look at meters, tickets, locks and a dip by "
    "hand first, and let two people review the figures before anyone is asked."
)
CAUTION_TITLE: Final = "Before you act"
DIMENSIONS: Final = {
    "haulier": "Haulier", "vehicle": "Vehicle", "route": "Haulier and terminal", "terminal": "Terminal",
    "weekday": "Weekday", "hose": "Hose", "hour": "Hour of draws",
}  # fmt: skip
COLUMNS: Final = ("What", "Group", "Seen", "Lost with it beyond the usual", "Chance does as well", "In words")
FILTERS: Final = {"kind": "What"}
STANDS_OUT: Final = "stands out"
CHANCE: Final = "may well be chance"
OFTEN: Final = "every other time or more"
ONE_IN: Final = "one time in {n}"
FOUND: Final = "Beyond chance: {named}. Looked at: {groups} of {kinds} kinds."
NOTHING: Final = "Nothing stands out from chance. Looked at: {groups} of {kinds} kinds."
NONE: Final = "There is nothing yet in which a pattern could be looked for."
NOT_ASKED: Final = "Not asked, for the data tell too little or all of it is of one group: {kinds}."
LIST: Final = "What went missing, and what it goes with"
