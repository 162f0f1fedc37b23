"""A tank's readings between two instants, asked from the lake: as many points as a screen has room for."""

import glob
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import BoundedSemaphore
from typing import Any, Final
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.errors import ArgumentError, LakeError
from pipeline.lake import find_parts
from pipeline.report import format as fmt
from pipeline.report.history import READINGS_DAYS, SERIES
from pipeline.resources import query_text

PATH: Final = "readings"
"""Where the desk answers them."""
WIDTHS: Final = (50, 4_000)
"""Columns of a screen that may be asked for: of a phone's chart, and of four large screens. No source."""
GAP: Final = timedelta(hours=6)
"""A line breaks where no reading is drawn for so long, as in the tank's other charts."""
MOST_AT_ONCE: Final = 2
"""So many are answered at once, each with files of the lake in memory; no source."""
_MEMORY: Final = "1GB"
_WAIT_S: Final = 10.0
_DAY: Final = timedelta(days=1)
_asking = BoundedSemaphore(MOST_AT_ONCE)


@dataclass(frozen=True, slots=True)
class Span:
    """What is asked: a tank's readings from `start` to `end`, for a screen of `width` columns, in a site's time."""

    tank_id: str
    start: datetime
    end: datetime
    width: int
    tz: ZoneInfo


def span_of(asked: Mapping[str, str], tanks: Mapping[str, Mapping[str, Any]]) -> Span:
    """What a request asks; instants without an offset are on the site's clock.

    Raises
    ------
    ArgumentError
        If it asks for nothing that can be answered.
    """
    tank = tanks.get(asked.get("tank", ""))
    if tank is None:
        raise ArgumentError("tank: expected a tank of this desk")
    tz = fmt.zone(tank["timezone"])
    start, end = (_instant(asked, name, tz) for name in ("from", "to"))
    if not timedelta() < end - start <= timedelta(days=READINGS_DAYS):
        raise ArgumentError(f"from, to: expected a span of more than nothing and at most {READINGS_DAYS} days")
    least, most = WIDTHS
    width = asked.get("width", "")
    if not (width.isascii() and width.isdigit() and len(width) < 6 and least <= int(width) <= most):
        raise ArgumentError(f"width: expected a whole number from {least} to {most}")
    return Span(tank["tank_id"], start, end, int(width), tz)


def _instant(asked: Mapping[str, str], name: str, tz: ZoneInfo) -> datetime:
    try:
        at = datetime.fromisoformat(asked.get(name, ""))
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
    if not _asking.acquire(timeout=_WAIT_S):
        raise LakeError("others are asking for readings just now; try again in a moment")
    try:
        rows = _asked(lake, span)
    finally:
        _asking.release()
    points = rows.drop_nulls("quantity").with_columns(
        x=pl.col("ts").dt.convert_time_zone(span.tz.key).dt.strftime("%Y-%m-%d %H:%M:%S"),
        is_gap=(pl.col("ts").diff().over("quantity") > GAP).fill_null(False),
    )
    return {
        "readings": rows["readings"].sum() // max(rows.height, 1), "bad": rows["bad"].sum() // max(rows.height, 1),
        "series": {name: _line(points.filter(quantity=name)) for name in SERIES},
    }  # fmt: skip


def _asked(lake: Path, span: Span) -> pl.DataFrame:
    first, last = span.start.date() - _DAY, span.end.date() + _DAY
    parts = [p for p in find_parts(lake, tables=[PATH]) if p.day is None or first <= p.day <= last]
    # Names are taken as they are: what would be a pattern in them is none.
    files = [glob.escape(str(path)) for part in parts for path in part.files]
    if not files:
        return _NOTHING.to_frame()
    parameters = {
        "files": files, "tank": span.tank_id, "start": span.start, "end": span.end, "width": span.width,
    }  # fmt: skip
    try:
        with duckdb.connect(config={"threads": 1, "memory_limit": _MEMORY}) as connection:
            connection.execute("set TimeZone = 'UTC'")
            found: pl.DataFrame = connection.sql(query_text("desk/readings_between"), params=parameters).pl()
            return found
    except duckdb.Error as error:
        raise LakeError(f"the lake's readings cannot be read: {error}") from error


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
