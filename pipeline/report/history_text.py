"""Wording of a tank's history: its calendar, and what the site wrote into its log."""

from typing import Final

CALENDAR: Final = "What happened, day by day"
CALENDAR_NOTE: Final = (
    "Trading days. Letters are the cases that were at work, as above; 'drop' is a delivery booked that day; 'odd' a "
    "day far from this tank's usual; 'log' an entry of the site's log, below. A day leads to its time in the charts."
)
CALENDAR_CUT: Final = "The last {shown} days of {all}."
WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
DROP: Final = "drop"
ODD: Final = "odd"
LOG_MARK: Final = "log"
LOG: Final = "From the site's log"
LOG_NOTE: Final = (
    "Of this tank, of the meters that draw on it, and of the whole site, the newest first. Times are the site's."
)
LOG_CUT: Final = "The last {shown} of {all} entries."
LOG_COLUMNS: Final = ("When", "What", "Of", "Note")
WHOLE_SITE: Final = "the site"
EVENTS: Final = {
    "meter_calibrated": "Meter calibrated",
    "probe_replaced": "Probe replaced",
    "chart_replaced": "Tank chart replaced",
    "water_removed": "Water removed",
    "tank_out_of_service": "Tank out of service",
    "tank_in_service": "Tank in service",
    "tightness_test_passed": "Tightness test passed",
    "tightness_test_failed": "Tightness test failed",
    "power_loss": "Power lost",
    "alarm": "Alarm",
    "stock_measured": "Stock measured",
    "drop_metered": "Drop metered",
    "meter_proved": "Meter proved",
}
"""What each kind of entry of the contract is called."""
SYMBOLS: Final = {
    "alarm": "triangle-up", "power_loss": "triangle-up", "probe_replaced": "square", "chart_replaced": "square",
    "meter_calibrated": "star", "meter_proved": "star", "stock_measured": "circle", "drop_metered": "circle",
    "tightness_test_passed": "diamond", "tightness_test_failed": "diamond",
}  # fmt: skip
"""Marks in charts by kind; all others are a cross."""
MARK_HOVER: Final = "{when}: {what}{of}{note}"

READINGS_TOLD: Final = "{readings} readings, {bad} of them left out as bad."
READINGS_WAIT: Final = "Zoom to {most} days or less to see them."
READINGS_ELSEWHERE: Final = (
    "Lines keep their highest and lowest points. Every single reading is shown by a desk that is told where the lake "
    "is: tankdrift desk OUT --lake LAKE."
)
