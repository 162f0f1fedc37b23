"""The contract's tables of a simulated fleet, from what was drawn and what happened."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.simulate.chart import strapping_rows, wrong_chart
from pipeline.simulate.demand import Sales
from pipeline.simulate.model import Fault, Fleet, Floats, Meter, Site, Tank, Window
from pipeline.simulate.tickets import Drop

EARLY = datetime(2015, 1, 1, tzinfo=UTC)
Row = dict[str, object]


def frame(table: str, rows: Sequence[Row]) -> pl.DataFrame:
    """Return rows as a frame of the contract's columns and types."""
    schema = polars_schema(LAKE_TABLES[table])
    return pl.DataFrame(list(rows), schema=schema, orient="row")


def instant(window: Window, at_s: float) -> datetime:
    """Return the instant that is `at_s` seconds from the window's start."""
    start = datetime(window.start.year, window.start.month, window.start.day, tzinfo=UTC)
    return start + timedelta(seconds=round(at_s))


def instants(window: Window, at_s: Floats) -> pl.Series:
    """Return the instants, to the second, that are `at_s` seconds from the window's start."""
    us = window.start_us + np.round(at_s).astype(np.int64) * 1_000_000
    return pl.Series(us).cast(pl.Datetime("us", "UTC"))


def site_rows(fleet: Fleet) -> list[Row]:
    """Rows of `sites`."""
    names = ("site_id", "name", "timezone", "trading_day_start", "currency", "latitude", "longitude")
    return [{name: getattr(site, name) for name in names} for site in fleet.sites]


def tank_rows(fleet: Fleet) -> list[Row]:
    """Rows of `tanks`."""
    own = (
        "tank_id", "product", "capacity_l", "safe_fill_l", "tilt_mm_per_m", "probe_position_mm", "buried",
        "wall_count", "manifold_id", "commissioned_on",
    )  # fmt: skip
    built = ("shape", "end_shape", "end_depth_mm", "diameter_mm", "length_mm")
    return [
        {name: getattr(tank, name) for name in own}
        | {name: getattr(tank.shape, name) for name in built}
        | {"site_id": fleet.sites[tank.site_index].site_id}
        for tank in fleet.tanks
    ]


def strapping_frame(tank: Tank, faults: list[Fault], window: Window) -> pl.DataFrame:
    """Return the tank's charts: the one that it came with, and one that replaced it in the window, if any."""
    levels, volumes = strapping_rows(tank, tank.chart_step_mm)
    charts = [(EARLY, volumes)]
    for fault in faults:
        if fault.cause == "chart_error" and int(fault.params["kind"]) >= 2:
            wrong = wrong_chart(levels, volumes, fault)
            if fault.params["replaced"] > 0.0:
                charts.append((instant(window, fault.start_s), wrong))
            else:
                charts = [(EARLY, wrong)]
    return pl.concat(
        [
            frame("strapping", []).vstack(
                pl.DataFrame(
                    {
                        "tank_id": pl.repeat(tank.tank_id, levels.size, eager=True),
                        "valid_from": pl.repeat(since, levels.size, eager=True).cast(pl.Datetime("us", "UTC")),
                        "level_mm": levels,
                        "volume_l": litres,
                    }
                )
            )
            for since, litres in charts
        ]
    )


def meter_rows(fleet: Fleet) -> list[Row]:
    """Rows of `meters`."""
    return [
        {
            "meter_id": meter.meter_id,
            "site_id": fleet.sites[meter.site_index].site_id,
            "dispenser": meter.dispenser,
            "hose": meter.hose,
        }
        for meter in fleet.meters
    ]


def feed_rows(meter: Meter, fleet: Fleet, faults: list[Fault]) -> list[Row]:
    """Rows of `meter_feeds` of one meter: what the books say, a wrong entry included."""
    spans: list[tuple[datetime, datetime | None, tuple[tuple[int, float], ...]]] = [(EARLY, None, meter.feeds)]
    for fault in faults:
        if fault.cause == "wrong_feed" and fault.meter_index == meter.index:
            spans = _misbooked(meter, fault, fleet.window)
    return [
        {
            "meter_id": meter.meter_id,
            "tank_id": fleet.tanks[tank].tank_id,
            "share": share,
            "valid_from": since,
            "valid_to": until,
        }
        for since, until, feeds in spans
        for tank, share in feeds
    ]


def _misbooked(
    meter: Meter, fault: Fault, window: Window
) -> list[tuple[datetime, datetime | None, tuple[tuple[int, float], ...]]]:
    """Spans of the books' belief about a meter with a wrong feed; they stay the same where the pipes changed."""
    booked = ((int(fault.params["booked"]), 1.0),)
    if booked == meter.feeds:
        return [(EARLY, None, meter.feeds)]
    start = EARLY if fault.start_s <= 0.0 else instant(window, fault.start_s)
    end = None if fault.end_s is None else instant(window, fault.end_s)
    before = [] if start == EARLY else [(EARLY, start, meter.feeds)]
    after = [] if end is None else [(end, None, meter.feeds)]
    return [*before, (start, end, booked), *after]


def sales_frame(site: Site, sales: Sales, meters: list[Meter], window: Window, shift_s: Floats) -> pl.DataFrame:
    """Return the rows of `sales`, by the till's clock, which is `shift_s` ahead."""
    ids = pl.Series([meter.meter_id for meter in meters])
    first = meters[0].index if meters else 0
    table = pl.DataFrame(
        {
            "meter_id": ids[(sales.meter - first).tolist()] if sales.meter.size else pl.Series([], dtype=pl.String),
            "ts_start": instants(window, sales.start_s + shift_s),
            "ts_end": instants(window, sales.end_s + shift_s),
            "volume_l": sales.recorded_l,
            "unit_price": pl.Series(sales.price).fill_nan(None),
            "kind": pl.Series(np.where(sales.is_test, "test_return", "sale"), dtype=pl.String),
        }
    )
    table = inside(table, "ts_end", window).sort("ts_end", "meter_id", maintain_order=True)
    number = pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(7)
    return table.select(pl.concat_str(pl.lit(f"{site.site_id}-"), number).alias("sale_id"), pl.all())


def inside(table: pl.DataFrame, column: str, window: Window) -> pl.DataFrame:
    """Return the rows whose instant lies in the window: a clock that is wrong may put some beyond it."""
    start, end = instant(window, 0.0), instant(window, window.seconds)
    return table.filter((pl.col(column) >= start) & (pl.col(column) < end))


def totals_frame(meter: Meter, at_s: Floats, total_l: Floats, window: Window, shift_s: Floats) -> pl.DataFrame:
    """Return the rows of `meter_totals` of one meter, by the till's clock."""
    table = pl.DataFrame(
        {
            "meter_id": pl.repeat(meter.meter_id, at_s.size, eager=True),
            "ts": instants(window, at_s + shift_s),
            "total_l": total_l,
        }
    )
    return inside(table, "ts", window)


def delivery_rows(site: Site, drops: list[Drop], fleet: Fleet) -> list[Row]:
    """Rows of `deliveries` of a site in the order of their tickets; gives each drop its `delivery_id`."""
    ticketed = sorted((drop for drop in drops if drop.has_ticket), key=lambda drop: (drop.ts_ticket_s, drop.tank_index))
    rows: list[Row] = []
    for number, drop in enumerate(ticketed, start=1):
        drop.delivery_id = f"{site.site_id}-D{number:04d}"
        if drop.fault is not None and drop.fault.cause != "missing_ticket":
            drop.fault.delivery_id = drop.delivery_id
        rows.append(
            {
                "delivery_id": drop.delivery_id,
                "tank_id": fleet.tanks[drop.tank_index].tank_id,
                "ts_ticket": instant(fleet.window, drop.ts_ticket_s),
                "ticket_volume_l": drop.ticket_volume_l,
                "ticket_temp_c": drop.ticket_temp_c,
                "ticket_density_15_kg_m3": drop.ticket_density_15_kg_m3,
                "carrier": drop.carrier,
                "vehicle": drop.vehicle,
                "terminal": drop.terminal,
            }
        )
    return rows
