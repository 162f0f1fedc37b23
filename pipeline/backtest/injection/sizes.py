"""What the size of an injected fault means, cause by cause."""

from collections.abc import Mapping
from typing import Final

SIZE_OF: Final[Mapping[str, tuple[str, str]]] = {
    "tank_leak": ("l/h", "with the tank half full"),
    "line_leak": ("l/h", "while a hose is open"),
    "bulk_theft": ("l", "drawn at once"),
    "slow_theft": ("l", "in a usual night"),
    "meter_drift": ("%", "that the meter records too much"),
    "missing_sales": ("%", "of a meter's sales in one shift"),
    "chart_error": ("%", "by which a new chart is too large"),
    "wrong_feed": ("%", "of a meter's sales (100)"),
    "short_delivery": ("l", "that a drop is short"),
    "over_delivery": ("l", "that a drop is over"),
    "missing_ticket": ("l", "at the least in the drop whose ticket is lost"),
    "wrong_product": ("kg/m³", "by which a drop's density is off"),
    "water_ingress": ("l/h", "of water that enters"),
    "phase_separation": ("l", "of water under the blend before it splits"),
    "probe_fault": ("mm", "by which the level jumps"),
    "clock_skew": ("s", "by which the till is set ahead"),
    "unexplained": ("l", "of a usual swing, either way"),
}
"""What the size of each cause means: its unit, and of what."""

SIZES_TOLD: Final = "Sizes: " + ", ".join(f"{cause} in {unit} {what}" for cause, (unit, what) in SIZE_OF.items()) + "."
"""The same in words."""
