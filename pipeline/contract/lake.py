"""What a lake holds, table by table."""

from collections.abc import Mapping
from typing import Final

import dataframely as dy
import polars as pl

from pipeline.contract import rules
from pipeline.contract.columns import column
from pipeline.contract.vocabulary import QUALITIES


class Sites(dy.Schema):
    """One row is a site."""

    site_id = column("site_id", key=True)
    name = column("sites.name")
    timezone = column("timezone")
    trading_day_start = column("trading_day_start")
    currency = column("currency", nullable=True)
    latitude = column("latitude", nullable=True)
    longitude = column("longitude", nullable=True)


class Tanks(dy.Schema):
    """One row is a tank, as its site describes it."""

    tank_id = column("tank_id", key=True)
    site_id = column("site_id")
    product = column("product")
    capacity_l = column("capacity_l")
    safe_fill_l = column("safe_fill_l")
    shape = column("shape")
    end_shape = column("end_shape")
    end_depth_mm = column("end_depth_mm", nullable=True)
    diameter_mm = column("diameter_mm")
    length_mm = column("length_mm")
    tilt_mm_per_m = column("tilt_mm_per_m", nullable=True)
    probe_position_mm = column("probe_position_mm", nullable=True)
    buried = column("buried")
    wall_count = column("wall_count")
    manifold_id = column("manifold_id", nullable=True)
    commissioned_on = column("commissioned_on", nullable=True)

    @dy.rule()
    def cap_depth_given(cls) -> pl.Expr:
        """See `rules.cap_depth_given`."""
        return rules.cap_depth_given()


class Strapping(dy.Schema):
    """One row is a level of a tank's chart, as the site uses it. Volume rises with level."""

    tank_id = column("tank_id", key=True)
    valid_from = column("valid_from", key=True)
    level_mm = column("strapping.level_mm", key=True)
    volume_l = column("strapping.volume_l")

    @dy.rule()
    def chart_rises(cls) -> pl.Expr:
        """See `rules.chart_rises`."""
        return rules.chart_rises()

    @dy.rule()
    def chart_smooth(cls) -> pl.Expr:
        """See `rules.chart_smooth`."""
        return rules.chart_smooth()


class Meters(dy.Schema):
    """One row is a meter."""

    meter_id = column("meter_id", key=True)
    site_id = column("site_id")
    dispenser = column("dispenser")
    hose = column("hose")


class MeterFeeds(dy.Schema):
    """One row is a tank that, as the site believes, feeds a meter for a while. A blending hose draws on two tanks."""

    meter_id = column("meter_id", key=True)
    tank_id = column("tank_id", key=True)
    share = column("share")
    valid_from = column("valid_from", key=True)
    valid_to = column("valid_to", nullable=True)

    @dy.rule()
    def valid_to_after_valid_from(cls) -> pl.Expr:
        """See `rules.valid_to_after_valid_from`."""
        return rules.valid_to_after_valid_from()


class Readings(dy.Schema):
    """One row is a reading of a tank's gauge; a value that is reported on exception holds until the next.

    Nothing is asked of the values: a gauge that fails reports nonsense, and says so in `quality` or does not.
    """

    tank_id = column("tank_id", key=True)
    ts = column("ts", key=True)
    level_mm = column("level_mm", nullable=True)
    water_mm = column("water_mm", nullable=True)
    temp_c = column("temp_c", nullable=True)
    density_kg_m3 = column("density_kg_m3", nullable=True)
    quality = column("quality")


class Sales(dy.Schema):
    """One row is a sale, or a meter's test, by the till's clock."""

    sale_id = column("sale_id", key=True)
    meter_id = column("meter_id")
    ts_start = column("ts_start")
    ts_end = column("ts_end")
    volume_l = column("volume_l")
    unit_price = column("unit_price", nullable=True)
    kind = column("sales.kind")

    @dy.rule()
    def ends_after_start(cls) -> pl.Expr:
        """See `rules.ends_after_start`."""
        return rules.ends_after_start()

    @dy.rule()
    def drawn_once(cls) -> pl.Expr:
        """See `rules.drawn_once`."""
        return rules.drawn_once()


class MeterTotals(dy.Schema):
    """One row is a meter's totaliser at an instant of the till's clock."""

    meter_id = column("meter_id", key=True)
    ts = column("ts", key=True)
    total_l = column("total_l")


class Deliveries(dy.Schema):
    """One row is a delivery's ticket for one tank."""

    delivery_id = column("delivery_id", key=True)
    tank_id = column("tank_id")
    ts_ticket = column("ts_ticket")
    ticket_volume_l = column("ticket_volume_l")
    ticket_temp_c = column("ticket_temp_c", nullable=True)
    ticket_density_15_kg_m3 = column("ticket_density_15_kg_m3", nullable=True)
    carrier = column("carrier", nullable=True)
    vehicle = column("vehicle", nullable=True)
    terminal = column("terminal", nullable=True)


class Events(dy.Schema):
    """One row is an entry in a site's log."""

    event_id = column("event_id", key=True)
    ts = column("ts")
    site_id = column("site_id")
    tank_id = column("tank_id", nullable=True)
    meter_id = column("meter_id", nullable=True)
    kind = column("events.kind")
    note = column("events.note", nullable=True)

    @dy.rule()
    def litres_in_note(cls) -> pl.Expr:
        """See `rules.litres_in_note`."""
        return rules.litres_in_note()


class Labels(dy.Schema):
    """One row is what was found out afterwards, for backtests alone: no detection may read it."""

    label_id = column("label_id", key=True)
    cause = column("cause")
    verdict = column("labels.verdict")
    site_id = column("site_id")
    tank_id = column("tank_id", nullable=True)
    meter_id = column("meter_id", nullable=True)
    delivery_id = column("delivery_id", nullable=True)
    ts_start = column("ts_start")
    ts_end = column("ts_end", nullable=True)
    litres = column("litres", nullable=True)
    learned_on = column("learned_on", nullable=True)

    @dy.rule()
    def ends_after_start(cls) -> pl.Expr:
        """See `rules.ends_after_start`."""
        return rules.ends_after_start()


LAKE_TABLES: Final[Mapping[str, type[dy.Schema]]] = {
    "sites": Sites,
    "tanks": Tanks,
    "strapping": Strapping,
    "meters": Meters,
    "meter_feeds": MeterFeeds,
    "readings": Readings,
    "sales": Sales,
    "meter_totals": MeterTotals,
    "deliveries": Deliveries,
    "events": Events,
    "labels": Labels,
}
"""Every table of a lake, in the order in which they lean on each other."""

BY_DAY: Final = ("readings", "sales", "meter_totals")
"""Tables that are a folder of UTC days; every other is one file."""

TIME_COLUMNS: Final[Mapping[str, str]] = {
    "strapping": "valid_from",
    "meter_feeds": "valid_from",
    "readings": "ts",
    "sales": "ts_end",
    "meter_totals": "ts",
    "deliveries": "ts_ticket",
    "events": "ts",
}
"""The instant at which a row became known; a run that stops at a day sees no row after it."""

HAPPENED: Final = ("readings", "sales", "meter_totals", "deliveries", "events")
"""Tables whose rows speak of what has happened; a chart or a feed may be told of before it holds."""

OPTIONAL_TABLES: Final = ("meter_totals", "events", "labels")
"""Tables that a lake may leave out: a fleet may read no totaliser, keep no log, know no outcome.

Deliveries may be empty and not absent: without their tickets every drop would look unticketed.
"""

REFERENCES: Final[Mapping[str, tuple[str, ...]]] = {
    "tanks": ("site_id",),
    "strapping": ("tank_id",),
    "meters": ("site_id",),
    "meter_feeds": ("meter_id", "tank_id"),
    "readings": ("tank_id",),
    "sales": ("meter_id",),
    "meter_totals": ("meter_id",),
    "deliveries": ("tank_id",),
    "events": ("site_id", "tank_id", "meter_id"),
}
"""Columns that name a row of `sites`, `tanks` or `meters`; what names none is refused."""

KEPT_FIRST: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {"readings": ("quality", QUALITIES)}
"""Of rows with one key and unlike content, the one whose word stands first here is kept."""

GROUP_RULES: Final = ("chart_rises", "chart_smooth", "drawn_once")
"""Rules about rows together; each holds for what the rules before it have left."""
