"""What a run writes, table by table."""

from collections.abc import Mapping
from typing import Final

import dataframely as dy
import polars as pl

from pipeline.contract import rules
from pipeline.contract.columns import column
from pipeline.contract.vocabulary import CAUSES_WITHOUT_LITRES


class Cases(dy.Schema):
    """One row is a case: a cause, where, since when, how much, how sure, and who must do what."""

    case_id = column("case_id", key=True)
    cause = column("cause")
    site_id = column("site_id")
    tank_id = column("tank_id", nullable=True)
    meter_id = column("meter_id", nullable=True)
    delivery_id = column("delivery_id", nullable=True)
    raised_on = column("raised_on")
    ts_start = column("ts_start")
    ts_end = column("ts_end", nullable=True)
    litres = column("litres", nullable=True)
    litres_low = column("litres_low", nullable=True)
    litres_high = column("litres_high", nullable=True)
    rate_l_per_h = column("rate_l_per_h", nullable=True)
    meter_error_pct = column("meter_error_pct", nullable=True)
    probability = column("probability")
    urgency = column("urgency")
    action = column("action")
    summary = column("summary")

    @dy.rule()
    def ends_after_start(cls) -> pl.Expr:
        """See `rules.ends_after_start`."""
        return rules.ends_after_start()

    @dy.rule()
    def raised_after_start(cls) -> pl.Expr:
        """See `rules.raised_after_start`."""
        return rules.raised_after_start()

    @dy.rule()
    def litres_in_interval(cls) -> pl.Expr:
        """See `rules.interval_holds`."""
        return rules.interval_holds("litres_low", "litres", "litres_high")

    @dy.rule()
    def litres_only_where_meant(cls) -> pl.Expr:
        """See `rules.litres_only_where_meant`."""
        return rules.litres_only_where_meant(CAUSES_WITHOUT_LITRES)


class TankDays(dy.Schema):
    """One row is a tank's trading day; joined tanks share out what is their pool's."""

    tank_id = column("tank_id", key=True)
    trading_day = column("trading_day", key=True)
    opening_stock_l = column("opening_stock_l", nullable=True)
    deliveries_l = column("deliveries_l", nullable=True)
    sales_l = column("sales_l", nullable=True)
    book_stock_l = column("book_stock_l", nullable=True)
    closing_stock_l = column("closing_stock_l", nullable=True)
    variance_l = column("variance_l", nullable=True)
    water_mm = column("water_mm", nullable=True)
    temp_c = column("temp_c", nullable=True)
    physics_score = column("physics_score", nullable=True)
    forest_score = column("forest_score", nullable=True)
    is_anomalous = column("is_anomalous")


class VarianceParts(dy.Schema):
    """One row is a part of a tank-day's variance; a day's parts add up to its variance."""

    tank_id = column("tank_id", key=True)
    trading_day = column("trading_day", key=True)
    part = column("part", key=True)
    litres = column("litres")


class Statements(dy.Schema):
    """One row is a tank's calendar month of trading days, a part month included."""

    tank_id = column("tank_id", key=True)
    month = column("month", key=True)
    throughput_l = column("throughput_l", nullable=True)
    variance_l = column("variance_l", nullable=True)
    allowance_l = column("allowance_l", nullable=True)
    leak_rate_l_per_h = column("leak_rate_l_per_h", nullable=True)
    leak_rate_low = column("leak_rate_low", nullable=True)
    leak_rate_high = column("leak_rate_high", nullable=True)
    detectable_l_per_h = column("detectable_l_per_h", nullable=True)
    verdict = column("statements.verdict")
    reason = column("statements.reason", nullable=True)

    @dy.rule()
    def first_of_month(cls) -> pl.Expr:
        """See `rules.first_of_month`."""
        return rules.first_of_month()

    @dy.rule()
    def leak_rate_in_interval(cls) -> pl.Expr:
        """See `rules.interval_holds`."""
        return rules.interval_holds("leak_rate_low", "leak_rate_l_per_h", "leak_rate_high")


class Quarantine(dy.Schema):
    """One row is a row of the lake that was refused. It has no key: the same row may be refused twice."""

    table = column("table")
    row = column("row")
    reason = column("reason")


RUN_TABLES: Final[Mapping[str, type[dy.Schema]]] = {
    "cases": Cases,
    "tank_days": TankDays,
    "variance_parts": VarianceParts,
    "statements": Statements,
    "quarantine": Quarantine,
}
"""Every table that a run writes."""

PARQUET_TABLES: Final = ("cases", "tank_days", "variance_parts", "statements")
"""Those of them that a run leaves as Parquet too."""
