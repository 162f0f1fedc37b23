"""A tank's page: its cases with what speaks for them, charts, days and gauges."""

import polars as pl

from pipeline.report import figures, history, worklist
from pipeline.report import format as fmt
from pipeline.report.case import Case
from pipeline.report.deliveries import DAY_SHEET_DAYS
from pipeline.report.fleet import Fleet, Row
from pipeline.report.records import day_records
from pipeline.report.rendering import as_json
from pipeline.report.statements import limits_of
from pipeline.report.weighed import weighed_of


def tank_page(fleet: Fleet, tank: Row, cases: list[Case], points: int) -> Row:
    """What the page of a tank shows, with its cases and lines of so many points."""
    tables, tank_id = fleet.tables, tank["tank_id"]
    tz = fmt.zone(tank["timezone"])
    named = worklist.lettered(cases)
    windows = [{"letter": k, "label": c.part} | c.window for k, c in named]
    charts = figures.tank_charts(tables, tank, windows, tz=tz, points=points)
    if charts:
        charts.append(history.readings_chart())
    days = tables.of_tank("tank_days", tank_id)
    sheet = _day_sheet(days, tables.of_tank("variance_parts", tank_id))
    log = history.log_of(tables, tank, tz)
    months, calendar_days = history.calendar(days, named, log, tz)
    return {
        "tank": tank,
        "cases": named,
        "evidence": weighed_of(fleet, cases),
        "charts": as_json({"linked": True, "charts": charts, "marks": history.marks(log)}) if charts else None,
        "chart_keys": [c["key"] for c in charts if c["key"] != "readings"],
        "readings_days": history.READINGS_DAYS,
        "months": months,
        "calendar_days": calendar_days,
        "log": log[: history.MOST_ENTRIES],
        "all_entries": len(log),
        "drawing": _drawing(tank),
        "tz": tz,
        "limits": limits_of(tables),
        "days": sheet,
        "records": as_json(day_records(tank_id, sheet)),
        "all_days": days.height,
        "statements": [r for r in fleet.statements if r["tank_id"] == tank_id],
        "gauges": [g for g in fleet.gauges if g["tank_id"] == tank_id],
        "joined": [
            t for t in fleet.tanks if tank["manifold_id"] and t["manifold_id"] == tank["manifold_id"] and t is not tank
        ],
        "neighbours": [t for t in fleet.tanks if t["site_id"] == tank["site_id"]],
    }


def _day_sheet(days: pl.DataFrame, parts: pl.DataFrame) -> list[Row]:
    """The last trading days, newest first, with what of each day's variance is explained."""
    left = (
        parts.filter(pl.col("part") == "residual").group_by("trading_day").agg(pl.col("litres").sum().alias("left_l"))
    )
    sheet = days.tail(DAY_SHEET_DAYS).join(left, on="trading_day", how="left").sort("trading_day", descending=True)
    with_more = sheet.with_columns(
        explained_l=pl.col("variance_l") - pl.col("left_l"),
        pct=pl.when(pl.col("sales_l") > 0).then(100 * pl.col("variance_l") / pl.col("sales_l")),
    )
    return with_more.to_dicts()


def _drawing(tank: Row) -> Row | None:
    """How full the tank stood at its last good reading, as shares of its height."""
    height = tank["length_mm"] if tank["shape"] == "vertical_cylinder" else tank["diameter_mm"]
    level, water = tank["level_mm"], tank["water_mm"]
    if level is None or not height:
        return None
    return {
        "is_standing": tank["shape"] == "vertical_cylinder", "level_mm": level, "water_mm": water, "height_mm": height,
        "level": min(max(level / height, 0.0), 1.0), "water": min(max((water or 0.0) / height, 0.0), 1.0),
    }  # fmt: skip
