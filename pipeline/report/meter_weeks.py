"""Each meter's error week by week as a small picture: its interval, its calibrations, the tolerance as a band."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any, Final

import polars as pl

from pipeline.report import format as fmt
from pipeline.report import sound_text as words
from pipeline.report.figures import METER_TOLERANCE_PCT
from pipeline.report.summaries import METER_SCALE
from pipeline.report.tables import Tables

Row = dict[str, Any]

MOST_METERS: Final = 24
"""Meters that are drawn: four rows of six. No source."""
MOST_WEEKS: Final = 53
"""Weeks of a picture, its newest: a year. No source."""
CALIBRATIONS: Final = ("meter_calibrated", "meter_proved")
_HEIGHT: Final = 48.0


def meter_weeks(tables: Tables, meters: Sequence[Mapping[str, Any]]) -> list[Row]:
    """The first meters of a list, each with what its picture is drawn of and says."""
    estimates = tables["meter_estimates"].drop_nulls("error_pct")
    log = tables["events"].filter(pl.col("kind").is_in(CALIBRATIONS)).drop_nulls("ts")
    rows = []
    for meter in meters[:MOST_METERS]:
        own = estimates.filter((pl.col("meter_id") == meter["meter_id"]) & (pl.col("tank_id") == meter["tank_id"]))
        weeks = by_week(own)
        days = sorted(log.filter(meter_id=meter["meter_id"])["ts"].dt.date())
        rows.append(_picture(meter, weeks, days))
    return rows


def by_week(estimates: pl.DataFrame) -> pl.DataFrame:
    """The last estimate of each week of a meter, whose Monday is `week`; the newest weeks."""
    weekly = estimates.sort("day").group_by(pl.col("day").dt.truncate("1w").alias("week"), maintain_order=True)
    return weekly.agg(pl.col("error_pct", "error_low_pct", "error_high_pct").last()).tail(MOST_WEEKS)


def _picture(meter: Mapping[str, Any], weeks: pl.DataFrame, calibrated: Sequence[date]) -> Row:
    first, last = weeks["week"][0], weeks["week"][-1]
    whole = last - first + timedelta(days=7)

    def x(day: date) -> float:
        share: float = (day - first) / whole
        return round(100.0 * share, 1)

    # A week stands in the middle of its seven days.
    xs = [round(x(week) + 50.0 * (timedelta(days=7) / whole), 1) for week in weeks["week"]]
    top = _y(METER_TOLERANCE_PCT)
    shown = [day for day in calibrated if first <= day < first + whole]
    return {
        "meter_id": meter["meter_id"], "tank_id": meter["tank_id"], "text": meter["text"], "span": meter["span"],
        "band": (top, round(_y(-METER_TOLERANCE_PCT) - top, 1)), "zero": _y(0.0),
        "line": _path(xs, weeks["error_pct"].to_list()), "interval": _interval(xs, weeks),
        "calibrated": [x(day) for day in shown],
        "label": words.METER_WEEKS_LABEL.format(
            meter=meter["meter_id"], text=meter["text"], week=fmt.day(last),
            span=f" ({meter['span']})" if meter["span"] else "", weeks=fmt.count(weeks.height, "week", "weeks"),
            calibrated=words.METER_CALIBRATED.format(days=", ".join(map(fmt.day, shown))) if shown else "",
        ),
    }  # fmt: skip


def _y(error_pct: float) -> float:
    """How far down an error stands, cut off at the ends of the scale."""
    low, high = METER_SCALE
    return round(_HEIGHT * (high - min(max(error_pct, low), high)) / (high - low), 1)


def _path(xs: Sequence[float], errors: Sequence[float]) -> str:
    """A line through the points; a lone one is a short dash."""
    points = [f"{x} {_y(error)}" for x, error in zip(xs, errors, strict=True)]
    return f"M{'L'.join(points)}" + ("h3" if len(points) == 1 else "")


def _interval(xs: Sequence[float], weeks: pl.DataFrame) -> str:
    """The outline of the interval over the weeks that have one."""
    both = [
        (x, low, high)
        for x, low, high in zip(xs, weeks["error_low_pct"], weeks["error_high_pct"], strict=True)
        if low is not None and high is not None
    ]
    if len(both) < 2:
        return ""
    up = [f"{x} {_y(high)}" for x, _, high in both]
    down = [f"{x} {_y(low)}" for x, low, _ in reversed(both)]
    return f"M{'L'.join([*up, *down])}Z"
