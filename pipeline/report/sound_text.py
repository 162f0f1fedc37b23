"""Wording of what the fleet is measured against, of who is furthest from it, and of meters week by week."""

from typing import Final

HEAT_SPREAD_OWN: Final = "Each tank's spread is its own."
HEAT_SPREAD_FLEET: Final = "Of {n} with fewer than 14 sound days the spread is the middle one of all others."
HEAT_SITES: Final = "Sites, from the top"
LEFT_OVER: Final = (
    "Left over is what a day's variance is once every named part is off: the gauge's noise, sales that are booked a "
    "little early or late, and whatever no known cause accounts for. In a sound tank it swings about nought and adds "
    "up to little; where it keeps its sign for days, something is missing from the explanation."
)
FURTHEST: Final = "Tanks furthest from sound"
FURTHEST_FROM: Final = 3.0
"""Times its usual spread beyond which a tank is listed. Three standard deviations, common practice, no source."""
FURTHEST_NOTE: Final = (
    "Variance over all days, in times what so many days scatter by at that tank (the usual spread of a day, above, "
    "times the root of the days); those beyond three times. Bars are on a square-root "
    "scale."
)
NO_FURTHEST: Final = "No tank's variance is beyond three times its usual spread."
FURTHEST_COLUMNS: Final = (
    "Tank",
    "Site",
    "Variance",
    "Usual spread of a day",
    "Times its spread",
    "",
    "Of it left over",
)
METER_WEEKS: Final = "Errors week by week"
METER_WEEKS_NOTE: Final = (
    "The {shown} furthest from zero. Each point is what all days up to the end of that week say, the band about it the "
    "95 % interval; dashes are calibrations and provings from the site's log. The wide band is ±0.5 % as above; no "
    "other tolerance is set. From {low} % at the foot to {high} % at the top."
)
METER_WEEKS_LABEL: Final = "{meter}: {text} % in the week from {week}{span}; {weeks}{calibrated}"
METER_CALIBRATED: Final = ", calibrated or proved {days}"
