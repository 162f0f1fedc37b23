"""All wording of the pages about tanks' charts. What it does not say is as in the report."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, Final

from pipeline.report import text as report_text

TITLE: Final = "Tank charts"
VERDICT: Final = {
    "new_table": "Worth a new table",
    "may_be_wrong": "May be wrong",
    "no_new_table": "No new table",
    "untold": "Cannot be told",
}
MEANS: Final = {
    "new_table": "Off by more than {tolerance} of the tank, as good as sure. Try the corrected chart before you pay "
    "for a calibration.",
    "may_be_wrong": "More days, or a survey of the probe's zero and of the tilt, will tell.",
    "no_new_table": "What the chart is off by is within {tolerance} of the tank, or makes next to no variance.",
    "untold": "Cannot be told from this data.",
}
LINE: Final = "{judged} judged by what was sold and dropped, {worth}."
WORTH: Final = ("none is worth a new table", "{n} is worth a new table", "{n} are worth a new table")
MORE: Final = (
    "Litres a month are what the chart puts into the daily variance: each day's, without its sign, added up over a "
    "month. They come back with the next drop, so they are no loss, and hide what is one."
)
NOTHING: Final = "No chart could be judged."
COLUMNS: Final = (
    "Tank", "Verdict", "Litres a month", "% of sales", "Wrong", "Off by most", "Between", "Strays between drops",
    "Days",
)  # fmt: skip
STRAY: Final = "{before} l by the site's, {after} l by the corrected chart"
STRAY_SHORT: Final = "{before} → {after} l"
TO_LIST: Final = "All charts"
OFF: Final = "{tank}: {verdict}. Between {low} and {high} the site's chart gives {litres}."
OFF_LITRES: Final = ("{size} too few ({span})", "{size} too many ({span})")
UNTOLD: Final = "{tank}: cannot be told, {reason}."
FACTS: Final = {
    "daily": "Into daily variance",
    "wrong": "Off by more than {tolerance} of the tank",
    "seen": "Levels seen",
    "days": "Days of data",
    "between": "Cumulative variance strays between drops",
    "all": "The same over all days",
}
PER_MONTH: Final = "{litres} a month, {pct} of sales"
SEEN: Final = "{low} to {high}"
CHART_TITLES: Final = {"apart": "Corrected chart less the site's, by level"}
CHART_NOTES: Final = {
    "apart": "The band holds 95 %. Below: hours at rest at each level, and how many drops filled through it. Where "
    "no level has been, the line rests on the tank's shape and on what walls usually do.",
}
SERIES: Final = {
    "band": "95 %", "apart": "Corrected less site's", "rows": "At the site's levels", "remainder": "Smooth remainder",
    "visits": "Hours at rest", "fills": "Drops filling through",
}  # fmt: skip
AXES: Final = {"level": "level [mm]", "litres": "litres", "hours": "hours", "drops": "drops"}
FIGURES_TITLE: Final = "What trading says of it"
FIGURES_NOTE: Final = (
    "Each with its 95 % interval. What the data leave as open as it was before cannot be told from it."
)
FIGURE_COLUMNS: Final = ("Figure", "Value", "95 %", "Told", "How far")
FIGURE_NAMES: Final = {
    "tilt_mm_per_m": ("Tilt along the axis", "mm/m"),
    "roll_deg": ("Roll about the axis", "°"),
    "offset_mm": ("Probe reads too high by", "mm"),
    "datum_mm": ("Tilt and offset together, at mid-length", "mm"),
    "scale_pct": ("Tank gives more than the chart says by", "%"),
    "remainder_l": ("Largest smooth remainder", "l"),
    "stock_l": ("Chart lacks, where least sure", "l"),
}
TOLD: Final = ("cannot be told from this data", "told")
STRETCHES_TITLE: Final = "Stretch by stretch between drops"
STRETCHES_NOTE: Final = (
    "What came up as variance from one drop to the next, by the site's chart and by the corrected one."
)
STRETCH_COLUMNS: Final = ("From", "To", "Level", "Sold", "By the site's", "By the corrected")
LEVELS_TITLE: Final = "The chart, level by level"
LEVELS_NOTE: Final = "At the site's own levels, with 95 %."
LEVEL_COLUMNS: Final = ("Level", "Site's", "Corrected", "Difference", "95 %", "Remainder")
TRY: Final = "Try it before anybody pays for a calibration"
TRY_NOTE: Final = (
    "Run the lake by the corrected chart, into another folder, and see which cases are left. A chart changes litres "
    "and no safe fill: have a new one put in force by those who answer for it."
)
TRY_COMMAND: Final = (
    "tankdrift chart OUT --tank {tank} --parquet TABLES",
    "tankdrift run LAKE --out OUT2 --with-charts TABLES/{file}.parquet",
)


def words() -> SimpleNamespace:
    """The report's words, with the charts' own in their place."""
    own: dict[str, Any] = {name: value for name, value in globals().items() if name.isupper()}
    own |= {
        "NAV": {"index.html": TITLE},
        "NAV_LABEL": "These pages",
        "FOOTER": "A chart is corrected from gauge, meter and ticket data, with the intervals given. This is no legal "
        "calibration of a tank, and does not replace one where it is required.",
    }
    return SimpleNamespace(**{**vars(report_text), **own})
