"""A tank's history: a calendar of what happened on each day, and the entries of the site's log that are about it."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.report import format as fmt
from pipeline.report import history_text as words
from pipeline.report import text
from pipeline.report.case import Case
from pipeline.report.drawing import Chart, chart, plain
from pipeline.report.tables import Tables

Row = dict[str, Any]

MOST_DAYS: Final = 400
"""Days of a calendar, its newest: a year and a month, so that a month stands beside itself a year ago. No source."""
MOST_ENTRIES: Final = 60
"""Entries of the log that a page lists. No source."""
MOST_MARKS: Final = 200
"""Entries that its charts mark. No source."""
READINGS_DAYS: Final = 31
"""Span of which a desk gives every reading, at the most. No source. [d]"""
SERIES: Final = {"level_mm": ("y", "@blue", "mm"), "water_mm": ("y2", "@teal", "mm"), "temp_c": ("y3", "@rust", "°C")}
"""What a gauge reads, with its axis, colour and unit in the chart of readings."""
_NAMES: Final = {"level_mm": text.LEVEL, "water_mm": text.WATER, "temp_c": text.TEMPERATURE}


def log_of(tables: Tables, tank: Mapping[str, Any], tz: ZoneInfo) -> list[Row]:
    """Entries of the log about a tank, its meters or its whole site, the newest first, with words."""
    events = tables["events"].drop_nulls("ts")
    meters = tables["meter_feeds"].filter(pl.col("tank_id") == tank["tank_id"])["meter_id"].unique().to_list()
    is_own = pl.col("tank_id") == tank["tank_id"]
    is_meter = pl.col("tank_id").is_null() & pl.col("meter_id").is_in(meters)
    is_site = pl.col("tank_id").is_null() & pl.col("meter_id").is_null() & (pl.col("site_id") == tank["site_id"])
    found = events.filter((is_own | is_meter | is_site).fill_null(False)).sort("ts", descending=True)
    return [
        row | {
            "what": words.EVENTS.get(row["kind"], row["kind"]), "when": fmt.moment(row["ts"], tz),
            "at": row["ts"].astimezone(tz), "of": row["meter_id"] or row["tank_id"] or words.WHOLE_SITE,
        }
        for row in found.iter_rows(named=True)
    ]  # fmt: skip


def readings_chart() -> Chart:
    """A chart without points, which a desk fills with the readings of the time that is shown."""
    traces = [
        {"type": "scatter", "mode": "lines+markers", "name": _NAMES[name], "series": name, "x": [], "y": [],
         "yaxis": axis, "line": {"color": color, "width": 1}, "marker": {"size": 3, "color": color},
         "hovertemplate": "%{y:,.2f} " + unit}
        for name, (axis, color, unit) in SERIES.items()
    ]  # fmt: skip
    made = chart("readings", traces, text.AXES["mm"], height=420)
    made["layout"]["yaxis"]["domain"] = [0.46, 1.0]
    made["layout"]["yaxis2"] = {"title": {"text": text.AXES["mm"]}, "domain": [0.23, 0.4]}
    made["layout"]["yaxis3"] = {"title": {"text": text.AXES["c"]}, "domain": [0.0, 0.17]}
    return made


def marks(log: Sequence[Row]) -> Row | None:
    """The newest entries as a trace that each chart shows at its foot; None where there is none."""
    if not log:
        return None
    shown = log[:MOST_MARKS][::-1]
    return {
        "name": words.LOG, "x": [f"{r['at']:%Y-%m-%d %H:%M}" for r in shown],
        "text": [_mark_words(r) for r in shown],
        "marker": {"symbol": [words.SYMBOLS.get(r["kind"], "x") for r in shown], "size": 9, "color": "@moss",
                   "line": {"color": "@paper", "width": 1}},
    }  # fmt: skip


def _mark_words(row: Row) -> str:
    of = f", {row['of']}" if row["meter_id"] else ""
    note = f" ({row['note']})" if row["note"] else ""
    return plain(words.MARK_HOVER.format(when=row["when"], what=row["what"], of=of, note=note))


def calendar(
    days: pl.DataFrame, cases: Sequence[tuple[str, Case]], log: Sequence[Row], tz: ZoneInfo
) -> tuple[list[Row], int]:
    """Months, the newest first, each with its weeks of seven cells, and how many days the newest of them hold.

    A cell is None outside the data, and else has `day`, and in `marks` what happened on it, in words.
    """
    if days.is_empty():
        return [], 0
    own = {r["trading_day"]: r for r in days.tail(MOST_DAYS).iter_rows(named=True)}
    first, last = min(own), max(own)
    entries: dict[date, bool] = {row["at"].date(): True for row in log}
    spans = [(letter, *_span(case, last, tz)) for letter, case in cases]
    months: dict[date, list[list[Row | None]]] = defaultdict(list)
    day = first
    while day <= last:
        letters = [letter for letter, start, end in spans if start <= day <= end]
        weeks = months[day.replace(day=1)]
        if not weeks or day.weekday() == 0:
            weeks.append([None] * 7)
        weeks[-1][day.weekday()] = {"day": day, **_happened(own.get(day, {}), letters, day in entries)}
        day += timedelta(days=1)
    return [{"name": fmt.month(m), "weeks": weeks} for m, weeks in sorted(months.items(), reverse=True)], len(own)


def _span(case: Case, last: date, tz: ZoneInfo) -> tuple[date, date]:
    """The days of a case on the site's clock; one that goes on lasts to the last day of data."""
    start, end = case.row["ts_start"], case.row["ts_end"]
    began = last if start is None else start.astimezone(tz).date()
    return began, last if end is None else end.astimezone(tz).date()


def _happened(day: Mapping[str, Any], letters: Sequence[str], has_entry: bool) -> Row:
    is_odd = bool(day.get("is_anomalous"))
    told = [
        " ".join(letters),
        words.DROP if (day.get("deliveries_l") or 0.0) > 0 else "",
        words.ODD if is_odd else "",
        words.LOG_MARK if has_entry else "",
    ]
    return {"marks": ", ".join(filter(None, told)), "is_odd": is_odd, "is_case": bool(letters)}
