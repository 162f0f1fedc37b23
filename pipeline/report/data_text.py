"""Wording of what is said of the data: troubles, rows refused, gauges, and how far cases are believed."""

from typing import Final

DATA: Final = "Data health"
TROUBLES: Final = "What to mend in the data"
TROUBLES_NOTE: Final = (
    "Seen in the last fourteen days of data. These look like losses or gains and are none; the figures of such a tank "
    "are not to be trusted until it is mended."
)
NO_TROUBLES: Final = "Nothing stands out in the last fourteen days of data."
TROUBLE_COLUMNS: Final = ("Tank", "Site", "What", "Since", "How much", "What it means")
TROUBLE_KINDS: Final = {
    "stale": "No data", "no_sales": "No sales", "gaps": "Gaps", "stuck": "Stuck", "clock_off": "Clock off",
    "clock_drifts": "Clock drifts",
    "unit_slip": "Unit slipped", "temperature_unit": "Temperature unit slipped", "tag_map": "Tag map does not fit",
    "above_tank": "Level above the tank", "denser": "Denser than usual", "no_chart": "No chart",
}  # fmt: skip
FLEET_WIDE: Final = "fleet"
TRUSTED: Final = "How many cases may be false"
TRUSTED_NOTE: Final = (
    "Decoys are what nothing can cause, such as litres that come at a usual hour, weighed just as the real causes are. "
    "The more of them a fleet shows, the less its cases of that cause are believed. A dash: the cause has no decoys."
)
NO_TRUSTED: Final = "There is no case."
TRUSTED_COLUMNS: Final = ("Cause", "Cases", "Of them false, expected", "Decoys as strong")

REFUSED: Final = "What was refused"
REFUSED_NOTE: Final = (
    "These rows broke a rule and were left out of every figure. Mend them at the source and run again."
)
REFUSED_COLUMNS: Final = ("Table", "Reason", "Rows", "Examples")
NOTHING_REFUSED: Final = "Nothing was refused."
GAUGES: Final = "Gauges, last seven days"
GAUGES_NOTE: Final = (
    "A gauge that sticks, gaps or hides small changes leaves its tank unwatched. No finding there is not a finding of "
    "'tight'."
)
GAUGE_COLUMNS: Final = (
    "Tank", "Site", "State", "Readings a day", "Bad", "Gaps, h a day", "Smallest step, mm", "Clocks",
)  # fmt: skip
GAUGE_STATES: Final = {
    "stuck": "Stuck", "gappy": "Gaps", "blind": "Hides small changes", "late": "Clock off", "bad": "Many bad readings",
    "silent": "No readings", "good": "Good",
}  # fmt: skip
NO_GAUGES: Final = "No gauge was looked at."
TANK_HEALTH: Final = "Data of this tank"


def clock_words(gauge_ahead_s: float | None) -> str:
    """Which clock is ahead, and by how much."""
    if gauge_ahead_s is None:
        return ""
    ahead = "gauge" if gauge_ahead_s > 0 else "till"
    return f"{ahead} ahead by {abs(gauge_ahead_s):.0f}\u202fs" if round(gauge_ahead_s) else "together"
