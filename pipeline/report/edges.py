"""Odd points that would flatten a chart: the y range is that of all others, and they are marked at its edge."""

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Any, Final

from pipeline.report import format as fmt
from pipeline.report import text
from pipeline.report.drawing import Chart

TAIL: Final = 0.02
"""Share of the points at either end that do not say how wide the bulk is. No source."""
REACH: Final = 1.5
"""Times the bulk's width up to which a point beside it still widens a chart: the bulk keeps a quarter of the height at
the least, 1 / (1 + 2 × 1.5). No source."""
FEWEST: Final = 10
"""Points from which some can be odd among them. No source."""
LEAST_WIDTH: Final = {"l": 10.0, "°C": 2.0, "mm": 5.0}
"""Width of a bulk below which it counts as so wide: within it nothing flattens a chart that is read by eye. No source.
[l, °C, mm]"""
_UNITS: Final = {("surroundings", "y"): "°C", ("surroundings", "y2"): "mm"}
_LEFT_ALONE: Final = frozenset({"meters"})
# Overlays with a range of their own, one for each axis: a mark on them stays at the edge, however far one zooms in.
_OVERLAYS: Final = {"y": "y8", "y2": "y9"}
_AT: Final = 0.015


def bulk_range(values: Sequence[float], least_width: float) -> tuple[float, float]:
    """Between which values a point widens the chart; beyond them it is odd. Infinite where the points are few.

    Examples
    --------
    >>> bulk_range([0.0, 1.0] * 50 + [9000.0], 0.1)
    (-1.5, 2.5)
    """
    if len(values) < FEWEST:
        return -math.inf, math.inf
    ordered = sorted(values)
    tail = math.ceil(TAIL * len(ordered))
    low, high = ordered[tail], ordered[-1 - tail]
    reach = REACH * max(high - low, least_width)
    return low - reach, high + reach


def mark_edges(chart: Chart) -> None:
    """Keep a chart's odd points from its range, as `bounds` by axis, and mark each at the edge with what it is."""
    if chart["key"] in _LEFT_ALONE:
        return
    for axis, points in _by_axis(chart).items():
        unit = _UNITS.get((chart["key"], axis), "l")
        low, high = bulk_range([y for _, y in points], LEAST_WIDTH[unit])
        odd = [(x, y) for x, y in points if not low <= y <= high]
        if odd:
            chart.setdefault("bounds", {})[axis] = [low, high]
            chart["traces"].append(_marks(odd, high, unit, _OVERLAYS[axis]))
            chart["layout"][f"yaxis{_OVERLAYS[axis][1:]}"] = {
                "overlaying": axis, "range": [0, 1], "visible": False, "title": {},
            }  # fmt: skip


def _by_axis(chart: Chart) -> dict[str, list[tuple[str, float]]]:
    """Points of the lines and marks of each axis; of bars their sums above and below nought."""
    points: dict[str, list[tuple[str, float]]] = defaultdict(list)
    sums: dict[tuple[str, bool], dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for trace in chart["traces"]:
        axis = trace.get("yaxis", "y")
        known = [(x, y) for x, y in zip(trace["x"], trace["y"], strict=True) if y is not None]
        if trace["type"] != "bar":
            points[axis] += known
            continue
        for x, y in known:
            sums[axis, y < 0][x] += y
    for (axis, _), by_x in sums.items():
        points[axis] += by_x.items()
    return {axis: sorted(set(own)) for axis, own in points.items()}


def _marks(odd: Sequence[tuple[str, float]], high: float, unit: str, overlay: str) -> dict[str, Any]:
    is_up = [y > high for _, y in odd]
    return {
        "type": "scatter", "mode": "markers", "name": text.BEYOND_CHART, "x": [x for x, _ in odd], "yaxis": overlay,
        "y": [1 - _AT if up else _AT for up in is_up],
        "text": [text.BEYOND_CHART_HOVER.format(value=fmt.quantity(y, unit, 1, signed=True)) for _, y in odd],
        "hovertemplate": "%{text}", "cliponaxis": False,
        "marker": {"symbol": ["triangle-up-open" if up else "triangle-down-open" for up in is_up], "size": 11,
                   "color": "@rust", "line": {"width": 1.6, "color": "@rust"}},
    }  # fmt: skip
