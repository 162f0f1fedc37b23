"""What the snapshot's views give: the tables joined as who asks them would have to, under names that stay.

Each is `queries/views/` of the same name, in the schema `views` of the snapshot. A column is added at the end; none is
renamed, changed in meaning or taken away.
"""

from collections.abc import Mapping
from typing import Final

import dataframely as dy

from pipeline.contract.columns import column


class SiteView(dy.Schema):
    """One row is a site with its month so far and its worklist."""

    site_id = column("site_id", key=True)
    site = column("site")
    timezone = column("timezone")
    currency = column("currency", nullable=True)
    latitude = column("latitude", nullable=True)
    longitude = column("longitude", nullable=True)
    data_to = column("data_to")
    tanks = column("tanks")
    silent_tanks = column("silent_tanks")
    last_reading_ts = column("last_reading_ts", nullable=True)
    month = column("month", nullable=True)
    month_sales_l = column("month_sales_l", nullable=True)
    month_variance_l = column("month_variance_l", nullable=True)
    open_cases = column("open_cases")
    urgent_cases = column("urgent_cases")


class TankView(dy.Schema):
    """One row is a tank as it stands: what is in it, what ails its data, its month so far and its worklist."""

    tank_id = column("tank_id", key=True)
    site_id = column("site_id")
    site = column("site")
    product = column("product")
    manifold_id = column("manifold_id", nullable=True)
    capacity_l = column("capacity_l")
    safe_fill_l = column("safe_fill_l")
    data_to = column("data_to")
    last_reading_ts = column("last_reading_ts", nullable=True)
    last_reading_on = column("last_reading_on", nullable=True)
    level_mm = column("level_mm", nullable=True)
    water_mm = column("water_mm", nullable=True)
    temp_c = column("temp_c", nullable=True)
    stock_on = column("stock_on", nullable=True)
    stock_l = column("stock_l", nullable=True)
    ullage_l = column("ullage_l", nullable=True)
    price = column("price", nullable=True)
    currency = column("currency", nullable=True)
    month = column("month", nullable=True)
    month_sales_l = column("month_sales_l", nullable=True)
    month_variance_l = column("month_variance_l", nullable=True)
    troubles = column("troubles", nullable=True)
    open_cases = column("open_cases")


class DayView(dy.Schema):
    """One row is a tank's trading day: its book, its variance, and that variance's parts side by side.

    The parts add up to the variance; a part that had no share of the day is nought.
    """

    tank_id = column("tank_id", key=True)
    trading_day = column("trading_day", key=True)
    site_id = column("site_id")
    site = column("site")
    product = column("product")
    month = column("month")
    opening_stock_l = column("opening_stock_l", nullable=True)
    deliveries_l = column("deliveries_l", nullable=True)
    sales_l = column("sales_l", nullable=True)
    book_stock_l = column("book_stock_l", nullable=True)
    closing_stock_l = column("closing_stock_l", nullable=True)
    variance_l = column("variance_l", nullable=True)
    is_anomalous = column("is_anomalous")
    tank_leak_l = column("parts.tank_leak_l", nullable=True)
    line_leak_l = column("parts.line_leak_l", nullable=True)
    bulk_theft_l = column("parts.bulk_theft_l", nullable=True)
    slow_theft_l = column("parts.slow_theft_l", nullable=True)
    meter_drift_l = column("parts.meter_drift_l", nullable=True)
    missing_sales_l = column("parts.missing_sales_l", nullable=True)
    chart_error_l = column("parts.chart_error_l", nullable=True)
    wrong_feed_l = column("parts.wrong_feed_l", nullable=True)
    short_delivery_l = column("parts.short_delivery_l", nullable=True)
    over_delivery_l = column("parts.over_delivery_l", nullable=True)
    missing_ticket_l = column("parts.missing_ticket_l", nullable=True)
    wrong_product_l = column("parts.wrong_product_l", nullable=True)
    water_ingress_l = column("parts.water_ingress_l", nullable=True)
    phase_separation_l = column("parts.phase_separation_l", nullable=True)
    probe_fault_l = column("parts.probe_fault_l", nullable=True)
    clock_skew_l = column("parts.clock_skew_l", nullable=True)
    unexplained_l = column("parts.unexplained_l", nullable=True)
    thermal_l = column("parts.thermal_l", nullable=True)
    vapour_l = column("parts.vapour_l", nullable=True)
    meter_tolerance_l = column("parts.meter_tolerance_l", nullable=True)
    chart_tolerance_l = column("parts.chart_tolerance_l", nullable=True)
    ticket_tolerance_l = column("parts.ticket_tolerance_l", nullable=True)
    residual_l = column("parts.residual_l", nullable=True)


class CaseView(dy.Schema):
    """One row is a case with where it stands and what people said of it until the run was published."""

    case_id = column("case_id", key=True)
    site_id = column("site_id")
    site = column("site")
    tank_id = column("tank_id", nullable=True)
    product = column("product", nullable=True)
    meter_id = column("meter_id", nullable=True)
    delivery_id = column("delivery_id", nullable=True)
    cause = column("cause")
    urgency = column("urgency")
    probability = column("probability")
    state = column("state")
    raised_on = column("raised_on")
    age_days = column("age_days")
    ts_start = column("ts_start")
    ts_end = column("ts_end", nullable=True)
    litres = column("litres", nullable=True)
    litres_low = column("litres_low", nullable=True)
    litres_high = column("litres_high", nullable=True)
    rate_l_per_h = column("rate_l_per_h", nullable=True)
    meter_error_pct = column("meter_error_pct", nullable=True)
    stake = column("stake", nullable=True)
    currency = column("currency", nullable=True)
    owner = column("owner", nullable=True)
    due_on = column("due_on", nullable=True)
    is_back = column("is_back")
    verdict = column("labels.verdict", nullable=True)
    closed_cause = column("closed_cause", nullable=True)
    closed_by = column("closed_by", nullable=True)
    closed_at = column("closed_at", nullable=True)
    agreed_l = column("agreed_l", nullable=True)
    recovered = column("recovered", nullable=True)
    notes = column("notes")
    last_note = column("last_note", nullable=True)
    last_said_at = column("last_said_at", nullable=True)
    summary = column("summary")
    action = column("action")


class LitresByCauseView(dy.Schema):
    """One row is a part of a tank's variance in a month of trading days."""

    tank_id = column("tank_id", key=True)
    month = column("month", key=True)
    part = column("part", key=True)
    is_named = column("is_named")
    site_id = column("site_id")
    site = column("site")
    product = column("product")
    lost_l = column("lost_l")
    gained_l = column("gained_l")


class MeterView(dy.Schema):
    """One row is a meter and a tank that it draws on, with the last estimate of its error by that tank's balance."""

    meter_id = column("meter_id", key=True)
    tank_id = column("tank_id", key=True)
    site_id = column("site_id")
    site = column("site")
    product = column("product", nullable=True)
    dispenser = column("dispenser")
    hose = column("hose")
    is_feeding = column("is_feeding")
    estimated_on = column("estimated_on", nullable=True)
    sold_l = column("sold_l", nullable=True)
    error_pct = column("error_pct", nullable=True)
    error_low_pct = column("error_low_pct", nullable=True)
    error_high_pct = column("error_high_pct", nullable=True)
    open_cases = column("open_cases")


class DeliveryView(dy.Schema):
    """One row is a drop with its tickets, or a ticket of which no drop was seen; a drop's ticket is the main one."""

    drop_id = column("drop_id", nullable=True)
    delivery_id = column("delivery_id", nullable=True)
    site_id = column("site_id")
    site = column("site")
    tank_id = column("tank_id")
    product = column("product")
    dropped_on = column("dropped_on")
    ts_start = column("ts_start")
    ts_end = column("ts_end")
    tickets = column("tickets")
    carrier = column("carrier", nullable=True)
    vehicle = column("vehicle", nullable=True)
    terminal = column("terminal", nullable=True)
    ticket_volume_l = column("ticket_volume_l", nullable=True)
    gain_l = column("gain_l", nullable=True)
    sold_during_l = column("sold_during_l", nullable=True)
    mismatch_l = column("mismatch_l", nullable=True)
    mismatch_sd_l = column("mismatch_sd_l", nullable=True)
    temperature_l = column("temperature_l", nullable=True)
    chart_l = column("chart_l", nullable=True)
    meters_l = column("meters_l", nullable=True)
    left_l = column("left_l", nullable=True)
    left_sd_l = column("left_sd_l", nullable=True)
    chart_sd_l = column("chart_sd_l", nullable=True)


class StatementView(dy.Schema):
    """One row is a tank's month: its statement, how many days it stands on, and what its variance is worth."""

    tank_id = column("tank_id", key=True)
    month = column("month", key=True)
    site_id = column("site_id")
    site = column("site")
    product = column("product")
    days = column("days")
    throughput_l = column("throughput_l", nullable=True)
    variance_l = column("variance_l", nullable=True)
    variance_pct = column("variance_pct", nullable=True)
    variance_worth = column("variance_worth", nullable=True)
    currency = column("currency", nullable=True)
    allowance_l = column("allowance_l", nullable=True)
    is_beyond_allowance = column("is_beyond_allowance", nullable=True)
    leak_rate_l_per_h = column("leak_rate_l_per_h", nullable=True)
    leak_rate_low = column("leak_rate_low", nullable=True)
    leak_rate_high = column("leak_rate_high", nullable=True)
    detectable_l_per_h = column("detectable_l_per_h", nullable=True)
    verdict = column("statements.verdict")
    reason = column("statements.reason", nullable=True)


VIEWS: Final[Mapping[str, type[dy.Schema]]] = {
    "sites": SiteView,
    "tanks": TankView,
    "days": DayView,
    "cases": CaseView,
    "litres_by_cause": LitresByCauseView,
    "meters": MeterView,
    "deliveries": DeliveryView,
    "statements": StatementView,
}
"""Every view by its name in the schema `views`."""
