"""A tank's readings between two instants, asked from the lake: as many points as a screen has room for."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.desk.lake_query import asked, files_between
from pipeline.errors import ArgumentError
from pipeline.report import format as fmt
from pipeline.report.history import READINGS_DAYS, SERIES

PATH: Final = "readings"
"""Where the desk answers them."""
WIDTHS: Final = (50, 4_000)
"""Columns of a screen that may be asked for: of a phone's chart, and of four large screens. No source."""
GAP: Final = timedelta(hours=6)
"""A line breaks where no reading is drawn for so long, as in the tank's other charts."""


@dataclass(frozen=True, slots=True)
class Span:
    """What is asked: a tank's readings from `start` to `end`, for a screen of `width` columns, in a site's time."""

    tank_id: str
    start: datetime
    end: datetime
    width: int
    tz: ZoneInfo


def span_of(request: Mapping[str, str], tanks: Mapping[str, Mapping[str, Any]]) -> Span:
    """What a request asks; instants without an offset are on the site's clock.

    Raises
    ------
    ArgumentError
        If it asks for nothing that can be answered.
    """
    tank = tanks.get(request.get("tank", ""))
    if tank is None:
        raise ArgumentError("tank: expected a tank of this desk")
    tz = fmt.zone(tank["timezone"])
    start, end = (_instant(request, name, tz) for name in ("from", "to"))
    if not timedelta() < end - start <= timedelta(days=READINGS_DAYS):
        raise ArgumentError(f"from, to: expected a span of more than nothing and at most {READINGS_DAYS} days")
    least, most = WIDTHS
    width = request.get("width", "")
    if not (width.isascii() and width.isdigit() and len(width) < 6 and least <= int(width) <= most):
        raise ArgumentError(f"width: expected a whole number from {least} to {most}")
    return Span(tank["tank_id"], start, end, int(width), tz)


def _instant(request: Mapping[str, str], name: str, tz: ZoneInfo) -> datetime:
    try:
        at = datetime.fromisoformat(request.get(name, ""))
        return (at.replace(tzinfo=tz) if at.tzinfo is None else at).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise ArgumentError(f"{name}: expected an instant, such as 2026-05-01T06:00") from error


def readings_of(lake: Path, span: Span) -> dict[str, Any]:
    """Points by quantity as a chart takes them, at most two a column of the screen, and how many readings there are.

    Raises
    ------
    LakeError
        If the lake cannot be read, or too many ask at once.
    """
    rows = _asked(lake, span)
    points = rows.drop_nulls("quantity").with_columns(
        x=pl.col("ts").dt.convert_time_zone(span.tz.key).dt.strftime("%Y-%m-%d %H:%M:%S"),
        is_gap=(pl.col("ts").diff().over("quantity") > GAP).fill_null(False),
    )
    return {
        "readings": rows["readings"].sum() // max(rows.height, 1), "bad": rows["bad"].sum() // max(rows.height, 1),
        "series": {name: _line(points.filter(quantity=name)) for name in SERIES},
    }  # fmt: skip


def _asked(lake: Path, span: Span) -> pl.DataFrame:
    files = files_between(lake, PATH, span.start, span.end)
    if not files:
        return _NOTHING.to_frame()
    parameters = {
        "files": files, "tank": span.tank_id, "start": span.start, "end": span.end, "width": span.width,
    }  # fmt: skip
    return asked("desk/readings_between", parameters, table=PATH)


_NOTHING: Final = pl.Schema(
    {"quantity": pl.String(), "ts": pl.Datetime("us", "UTC"), "reading": pl.Float64(), "readings": pl.Int64(),
     "bad": pl.Int64()}
)  # fmt: skip


def _line(points: pl.DataFrame) -> dict[str, list[Any]]:
    """X and y of a line that breaks at a gap."""
    xs: list[str] = []
    ys: list[float | None] = []
    for x, y, is_gap in points.select("x", "reading", "is_gap").iter_rows():
        if is_gap:
            xs.append(x)
            ys.append(None)
        xs.append(x)
        ys.append(round(y, 3))
    return {"x": xs, "y": ys}
