"""The spans of a tank's cases, shaded behind its charts and named by letter, and the line up to which it is filled."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from pipeline.report import text
from pipeline.report.drawing import Chart, plain

_LABEL_PX, _LABEL_ROWS = 14, 6
# Of a chart's width, what a letter or a letter and a name takes up.
_LETTER_ROOM, _NAME_ROOM = 0.025, 0.2


def _label_rows(starts: Sequence[str], room: timedelta) -> list[int]:
    """A row for each label, rising from 0, so that those on one row begin at least `room` apart where rows suffice."""
    ends: list[datetime] = []
    rows = []
    for start in map(datetime.fromisoformat, starts):
        row = next((i for i, end in enumerate(ends) if end <= start), len(ends))
        row = min(row, _LABEL_ROWS - 1)
        ends[row : row + 1] = [start + room]
        rows.append(row)
    return rows


def shade(chart: Chart, windows: Sequence[Mapping[str, Any]], span: timedelta, *, with_labels: bool) -> None:
    """Marks the spans of the cases behind a chart's data; with their letters and names where there is room."""
    shapes = chart["layout"].setdefault("shapes", [])
    notes = chart["layout"].setdefault("annotations", [])
    in_time = sorted(windows, key=lambda w: (w["start"], w["letter"]))
    chart["windows"] = [[w["start"], w["end"]] for w in in_time]
    rows = _label_rows([w["start"] for w in in_time], span * (_NAME_ROOM if with_labels else _LETTER_ROOM))
    chart["top"] = 26 + _LABEL_PX * max(rows, default=0)
    for row, window in zip(rows, in_time, strict=True):
        shapes.append(
            {"type": "rect", "yref": "paper", "x0": window["start"], "x1": window["end"], "y0": 0, "y1": 1,
             "fillcolor": "@shade", "line": {"color": "@shade-edge", "width": 1, "dash": "dot"}, "layer": "below"}
        )  # fmt: skip
        label = f"{window['letter']} {window['label']}" if with_labels else window["letter"]
        notes.append(
            {"x": window["start"], "xref": "x", "y": 1, "yref": "paper", "yanchor": "bottom", "xanchor": "left",
             "text": plain(label), "showarrow": False, "yshift": _LABEL_PX * row,
             "font": {"size": 11, "color": "@ink"}}
        )  # fmt: skip


def mark_safe_fill(chart: Chart, safe_fill_l: float) -> None:
    """Draws the stock up to which the tank may be filled."""
    chart["layout"]["shapes"].append(
        {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": safe_fill_l, "y1": safe_fill_l,
         "line": {"color": "@slate", "width": 1, "dash": "dash"}}
    )  # fmt: skip
    chart["layout"]["annotations"].append(
        {"x": 1, "xref": "paper", "xanchor": "right", "y": safe_fill_l, "yanchor": "bottom", "text": text.SAFE_FILL,
         "showarrow": False, "font": {"size": 11, "color": "@slate"}}
    )  # fmt: skip
