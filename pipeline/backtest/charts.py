"""From a backtest's tables to its charts: raw Plotly traces, colours as tokens that the page resolves."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.backtest import words
from pipeline.backtest.intervals import waiting_curve
from pipeline.backtest.metrics import waits
from pipeline.report import format as fmt
from pipeline.report.drawing import Chart, chart, plain

Look = tuple[str, str, str]

LOOKS: Final[tuple[Look, ...]] = (
    ("@blue", "circle", "solid"), ("@rust", "square", "dash"), ("@teal", "diamond", "dot"),
    ("@plum", "triangle-up", "dashdot"), ("@ochre", "cross", "longdash"), ("@moss", "x", "solid"),
    ("@rose", "star", "dash"), ("@slate", "pentagon", "dot"),
)  # fmt: skip
"""Colour, marker and dash of each rule in turn, so that colour is never alone."""
MOST_RULES: Final = 8
"""Rules that a chart of lines shows; more cannot be told apart."""
BESIDE: Final = 1.012
"""By this factor of size the points of one rule stand beside the next rule's, so that none hides another."""
LINEAR: Final = {"type": "linear", "hoverformat": ".3~f"}


def charts_of(frames: Mapping[str, pl.DataFrame], *, has_prices: bool) -> list[Chart]:
    """The page's charts that there is data for, in their order."""
    results = frames["results"]
    points = results.filter("is_operating_point").sort("share_found", descending=True, nulls_last=True)
    shown = points.head(MOST_RULES)
    looks = {rule: LOOKS[n % len(LOOKS)] for n, rule in enumerate(results["rule"].unique(maintain_order=True))}
    made = [
        _tradeoff(results, looks),
        _power(frames, shown, looks),
        _delay(frames, shown, looks),
        _cost(results) if has_prices else None,
        _power_map(frames["power_map"], points),
    ]
    return [one for one in made if one is not None]


def told(parameters: str) -> str:
    """Parameters as words: 'threshold 3, days 28'."""
    return ", ".join(f"{name} {value:g}" for name, value in json.loads(parameters).items())


def trial_names(results: pl.DataFrame) -> dict[str, str]:
    """What to call each trial: its rule, with those parameters by which it differs from the rule's other trials."""
    names = {}
    for rule in results["rule"].unique(maintain_order=True):
        rows = results.filter(pl.col("rule") == rule).select("trial_id", "parameters").rows()
        values = {trial: json.loads(parameters) for trial, parameters in rows}
        varied = [name for name in next(iter(values.values())) if len({one[name] for one in values.values()}) > 1]
        for trial, told_of in values.items():
            words_of = ", ".join(f"{name} {told_of[name]:g}" for name in varied)
            names[trial] = f"{rule}, {words_of}" if varied else rule
    return names


def _percent(values: Sequence[float | None]) -> list[float | None]:
    return [None if value is None else round(100.0 * value, 3) for value in values]


def _error(rows: pl.DataFrame, name: str, scale: float = 100.0) -> dict[str, Any]:
    up, down = rows[f"{name}_high"] - rows[name], rows[name] - rows[f"{name}_low"]
    bars = [[round(scale * max(value or 0.0, 0.0), 3) for value in side.to_list()] for side in (up, down)]
    return {"type": "data", "symmetric": False, "array": bars[0], "arrayminus": bars[1], "thickness": 1, "width": 3}


def _tradeoff(results: pl.DataFrame, looks: Mapping[str, Look]) -> Chart | None:
    known = results.drop_nulls(["share_found", "outside_per_100"])
    if not known.height:
        return None
    traces = []
    for rule in known["rule"].unique(maintain_order=True):
        rows = known.filter(pl.col("rule") == rule).sort("outside_per_100", "trial_id")
        colour, symbol, dash = looks[rule]
        sizes = [13 if point else 8 for point in rows["is_operating_point"]]
        traces.append(
            {
                "type": "scatter", "mode": "lines+markers", "name": plain(rule), "x": _rounded(rows["outside_per_100"]),
                "y": _percent(rows["share_found"].to_list()), "text": [plain(told(one)) for one in rows["parameters"]],
                "line": {"color": colour, "width": 1.5, "dash": dash},
                "marker": {"color": colour, "symbol": symbol, "size": sizes}, "error_y": _error(rows, "share_found"),
                "cliponaxis": False,
                "hovertemplate": "%{text}<br>%{y:.0f} % found, %{x:.1f} outside<extra>%{fullData.name}</extra>",
            }
        )  # fmt: skip
    axis = LINEAR | {"title": {"text": words.AXES["rate"]}, "rangemode": "tozero"}
    return chart("tradeoff", traces, words.AXES["share"], height=380, xaxis=axis)


def _rounded(values: pl.Series) -> list[float]:
    return [round(float(value), 4) for value in values]


def _power(frames: Mapping[str, pl.DataFrame], points: pl.DataFrame, looks: Mapping[str, Look]) -> Chart | None:
    traces: list[dict[str, Any]] = []
    for place, row in enumerate(points.iter_rows(named=True)):
        bins = frames["power"].filter(pl.col("trial_id") == row["trial_id"]).sort("size")
        curve = frames["curves"].filter(pl.col("trial_id") == row["trial_id"]).sort("size")
        if bins.height < 2 or not curve.height:
            continue
        colour, symbol, dash = looks[row["rule"]]
        name = plain(row["rule"])
        common = {"type": "scatter", "legendgroup": name, "name": name}
        line = {"color": colour, "width": 2, "dash": dash}
        for end in ("share_low", "share_high"):
            traces.append(common | {
                "mode": "lines", "x": _rounded(curve["size"]), "y": _percent(curve[end].to_list()), "hoverinfo": "skip",
                "line": {"color": colour, "width": 0.7}, "showlegend": False,
            })  # fmt: skip
        traces.append(common | {
            "mode": "lines", "x": _rounded(curve["size"]), "y": _percent(curve["share"].to_list()), "line": line,
        })  # fmt: skip
        traces.append(common | {
            "mode": "markers", "x": _rounded(bins["size"] * BESIDE ** (place - 0.5 * (points.height - 1))),
            "y": _percent(bins["share"].to_list()), "showlegend": False, "cliponaxis": False,
            "text": [
                f"{found} of {n} of size {fmt.figures(size)}"
                for found, n, size in bins.select("found", "truths", "size").iter_rows()
            ],
            "marker": {"color": colour, "symbol": symbol, "size": 8}, "error_y": _error(bins, "share"),
            "hovertemplate": "%{text}<extra>%{fullData.name}</extra>",
        })  # fmt: skip
    if not traces:
        return None
    tried = _spread(frames["power"].filter(pl.col("trial_id").is_in(points["trial_id"].implode()))["size"])
    axis = {"type": "log", "title": {"text": words.AXES["size"]}, "tickvals": tried,
            "ticktext": [fmt.figures(size) for size in tried]}  # fmt: skip
    return chart("power", traces, words.AXES["share"], height=380, xaxis=axis)


def _spread(sizes: pl.Series) -> list[float]:
    """Sizes that were tried, those left out that come within a fifth of the one before."""
    kept: list[float] = []
    for size in sorted(_rounded(sizes.drop_nulls().unique())):
        if not kept or size > 1.2 * kept[-1]:
            kept.append(size)
    return kept


def _delay(frames: Mapping[str, pl.DataFrame], points: pl.DataFrame, looks: Mapping[str, Look]) -> Chart | None:
    traces = []
    for row in points.iter_rows(named=True):
        truths = frames["truths"].filter(pl.col("trial_id") == row["trial_id"])
        wait, is_over, _ = waits(truths)
        if not len(wait) or not is_over.any():
            continue
        times, waiting = waiting_curve(wait, is_over)
        colour, _, dash = looks[row["rule"]]
        x = np.concatenate([[0.0], times, [max(float(wait.max()), float(times[-1]))]])
        y = np.concatenate([[0.0], 1.0 - waiting, [1.0 - waiting[-1]]])
        traces.append({
            "type": "scatter", "mode": "lines", "name": plain(row["rule"]), "x": np.round(x, 3).tolist(),
            "y": _percent(y.tolist()), "line": {"color": colour, "width": 2, "dash": dash, "shape": "hv"},
            "hovertemplate": "%{y:.0f} % within %{x:.1f} days<extra>%{fullData.name}</extra>",
        })  # fmt: skip
    if not traces:
        return None
    axis = LINEAR | {"title": {"text": words.AXES["days"]}, "rangemode": "tozero"}
    return chart("delay", traces, words.AXES["share"], height=340, xaxis=axis)


def _cost(results: pl.DataFrame) -> Chart | None:
    known = results.drop_nulls("cost_per_100").sort("cost_per_100", "trial_id")
    if not known.height:
        return None
    called = trial_names(results)
    names = [plain(called[trial]) for trial in known["trial_id"]]
    trace = {
        "type": "bar", "orientation": "h", "y": names, "x": _rounded(known["cost_per_100"]),
        "marker": {"color": "@sky"}, "error_x": _error(known, "cost_per_100", 1.0),
        "hovertemplate": "%{x:,.0f}<extra>%{y}</extra>",
    }  # fmt: skip
    axis = LINEAR | {"title": {"text": words.AXES["cost"]}, "rangemode": "tozero"}
    made = chart("cost", [trace], "", height=90 + 26 * len(names), xaxis=axis)
    made["layout"]["yaxis"] |= {"automargin": True, "autorange": "reversed", "showgrid": False}
    return made


def _power_map(power_map: pl.DataFrame, points: pl.DataFrame) -> Chart | None:
    if not power_map.height:
        return None
    names = dict(points.select("trial_id", "rule").iter_rows())
    units = dict(power_map.select("trial_id", "unit").iter_rows())
    trials = [trial for trial in names if trial in units]
    tanks = power_map["tank_id"].unique().sort().to_list()
    cell = {(row["trial_id"], row["tank_id"]): row for row in power_map.iter_rows(named=True)}
    grid = [[cell.get((trial, tank)) for trial in trials] for tank in tanks]
    shown = [[None if row is None else round(float(np.log10(_within(row)[0])), 4) for row in line] for line in grid]
    labels = [["" if row is None else plain(_within(row)[1]) for row in line] for line in grid]
    notes = [["" if row is None else _cell_words(row) for row in line] for line in grid]
    known = [value for line in shown for value in line if value is not None]
    ticks = np.linspace(min(known), max(known), 5) if len(set(known)) > 1 else np.array(known[:1])
    trace = {
        "type": "heatmap", "x": [plain(f"{names[trial]} [{units[trial]}]") for trial in trials],
        "y": [plain(tank) for tank in tanks], "z": shown, "text": labels, "texttemplate": "%{text}",
        "hovertext": notes, "xgap": 1, "ygap": 1, "colorscale": [[0, "@gain"], [0.5, "@mid"], [1, "@loss"]],
        "hovertemplate": "%{hovertext}<extra>%{y}</extra>",
        "colorbar": {
            "tickvals": [round(float(tick), 4) for tick in ticks],
            "ticktext": [fmt.figures(10.0**tick) for tick in ticks],
            "title": {"text": ", ".join(sorted(set(units.values())))},
        },
    }  # fmt: skip
    made = chart("heat", [trace], "", height=120 + 18 * len(tanks), xaxis={"type": "category", "side": "bottom"})
    made["layout"]["yaxis"] |= {"type": "category", "autorange": "reversed", "automargin": True, "showgrid": False}
    return made


def _within(row: Mapping[str, Any]) -> tuple[float, str]:
    """The size for a cell's colour and its words: beyond the sizes tried no more is said than that."""
    size, least, most = row["size_found"], row["least_tried"], row["most_tried"]
    if size < least:
        return least, f"< {fmt.figures(least)}"
    return (most, f"> {fmt.figures(most)}") if size > most else (size, fmt.figures(size))


def _cell_words(row: Mapping[str, Any]) -> str:
    size = " to ".join(fmt.figures(row[name]) for name in ("size_low", "size_high"))
    return plain(
        f"{fmt.figures(row['size_found'])} {row['unit']} ({size}); {row['found']} of {row['truths']} found, "
        f"{fmt.figures(row['least_tried'])} to {fmt.figures(row['most_tried'])} tried"
    )
