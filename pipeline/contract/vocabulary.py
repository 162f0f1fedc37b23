"""The closed lists of words that the contract knows, each a tuple in the contract's own order."""

from typing import Final

from pipeline.contract.causes import RECORDS

CAUSES: Final = tuple(cause.name for cause in RECORDS)
"""Why litres went missing or came from nowhere."""

CAUSES_WITHOUT_LITRES: Final = tuple(cause.name for cause in RECORDS if not cause.has_litres)
"""Causes whose litres are null: they do not move variance by an amount of their own."""

CAUSES_WITH_METER: Final = tuple(cause.name for cause in RECORDS if cause.has_meter)
"""Causes that name a meter."""

CAUSES_WITH_DELIVERY: Final = tuple(cause.name for cause in RECORDS if cause.has_delivery)
"""Causes that name a delivery."""

CAUSES_WITH_RATE: Final = tuple(cause.name for cause in RECORDS if cause.has_rate)
"""Causes that give a rate."""

PARTS: Final = (
    *CAUSES,
    "thermal",
    "vapour",
    "meter_tolerance",
    "chart_tolerance",
    "ticket_tolerance",
    "residual",
)
"""What a day's variance is split into."""

PRODUCTS: Final = (
    "gasoline_e0",
    "gasoline_e5",
    "gasoline_e10",
    "gasoline_e85",
    "diesel_b0",
    "diesel_b7",
    "diesel_b20",
    "kerosene",
    "heating_oil",
)
"""What a tank holds."""

ETHANOL_PRODUCTS: Final = ("gasoline_e5", "gasoline_e10", "gasoline_e85")
"""Products that hold ethanol, so that water can split them."""

SHAPES: Final = ("horizontal_cylinder", "vertical_cylinder")
"""How a tank's shell stands."""

END_SHAPES: Final = ("flat", "hemispherical", "elliptical_2_1", "torispherical", "spherical_cap")
"""How a tank's ends are shaped."""

QUALITIES: Final = ("good", "uncertain", "bad")
"""What the gauge says of its own reading: the three severities of OPC UA, best first."""

SALE_KINDS: Final = ("sale", "test_return")
"""Whether what a meter gave left the site or was poured back."""

EVENT_KINDS: Final = (
    "meter_calibrated",
    "probe_replaced",
    "chart_replaced",
    "water_removed",
    "tank_out_of_service",
    "tank_in_service",
    "tightness_test_passed",
    "tightness_test_failed",
    "power_loss",
    "alarm",
    "stock_measured",
    "drop_metered",
    "meter_proved",
)
"""What a site writes into its log."""

LITRES_TOLD: Final = {"stock_measured": 1, "drop_metered": 1, "meter_proved": 2}
"""How many figures of litres the note of an entry must have, each with an `l` behind it: what was in the tank; what a
drop's meter counted; what a meter showed, and then what the proving can held."""

REFUSED_CHART_ROWS: Final = {
    "chart_rises": "rows of the chart that fall behind the others were refused",
    "chart_smooth": "rows of the chart that their neighbours do not bear out were refused",
    "same_key_other_content": "rows of the chart that come twice with other litres were refused",
    "volume_l_within_tank": "rows of the chart that hold more than the tank were refused",
    "volume_l_missing": "rows of the chart without litres were refused",
    "volume_l_plausible": "rows of the chart with litres that no tank holds were refused",
    "volume_l_not_negative": "rows of the chart with less than no litres were refused",
}
"""By which rules rows of a chart are refused that tell their level, and what that says of the chart."""

LABEL_VERDICTS: Final = ("confirmed", "ruled_out")
"""What was found out afterwards."""

SAYING_KINDS: Final = ("taken", "note", "file", "closed", "reopened")
"""What somebody says of a case: in hand, a remark, a picture or paper, what it came to, that it is open after all."""

URGENCIES: Final = ("act_now", "today", "this_week", "watch")
"""How soon somebody must act, soonest first."""

STATES: Final = ("current", "past", "closed")
"""Where a case stands: on the worklist, over, closed by somebody."""

VERDICTS: Final = ("pass", "inconclusive", "fail")
"""What a month's statement says of a tank's tightness."""

DATA_TROUBLES: Final = (
    "stale",
    "no_sales",
    "gaps",
    "stuck",
    "clock_off",
    "clock_drifts",
    "unit_slip",
    "temperature_unit",
    "tag_map",
    "above_tank",
    "denser",
    "no_chart",
)
"""What ails data and is no loss."""
