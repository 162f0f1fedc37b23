"""Charts over the whole fleet: variance by tank and day, and variance against throughput."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipeline.report import format as fmt
from pipeline.report import text
from pipeline.report.drawing import Chart, chart, plain
from pipeline.report.tables import Tables

MAX_TANKS = 120
MAX_CELLS = 30_000
_ROW_PX = 16
_LOOKS = (("@blue", "circle"), ("@rust", "square"), ("@teal", "diamond"), ("@plum", "triangle-up"), ("@ochre", "cross"))
_NAMED = 4
# 1.4826 makes a median absolute deviation the standard deviation of a normal spread; below a litre nothing is news.
_MAD_TO_SD = 1.4826
_LEAST_SPREAD_L = 1.0
_Z_ENDS = 6.0


def heat_map(
    tables: Tables, tanks: Sequence[dict[str, Any]], *, max_tanks: int = MAX_TANKS, max_cells: int = MAX_CELLS
) -> tuple[Chart | None, list[str]]:
    """Variance by tank and day, in litres and against each tank's own spread; with a note on what was left out.

    Days are joined, and the tanks that strayed least left out, where a page would carry too many cells.
    """
    days = tables["tank_days"].drop_nulls("variance_l")
    if days.is_empty() or not tanks:
        return None, []
    dates, litres = _grid(days, [t["tank_id"] for t in tanks])
    shown = min(len(tanks), max_tanks)
    width = -(-len(dates) * shown // max_cells)
    dates, litres = dates[::width], _joined(litres, width)
    spread = _spreads(litres)
    notes = [text.HEAT_BUCKET.format(n=width)] if width > 1 else []
    if shown < len(tanks):
        notes.append(text.HEAT_CUT.format(shown=shown, all=fmt.number(len(tanks))))
        furthest = np.nan_to_num(np.abs(spread), nan=0.0).max(axis=1)
        kept = np.sort(np.argsort(-furthest, kind="stable")[:shown])
        tanks, litres, spread = [tanks[i] for i in kept], litres[kept], spread[kept]
    return _heat_chart(dates, litres, spread, tanks), notes


def _grid(days: pl.DataFrame, tank_ids: list[str]) -> tuple[list[date], np.ndarray]:
    """All days from the first to the last, and variance by tank and day; NaN where there is none."""
    dates = days.select(pl.date_range(pl.col("trading_day").min(), pl.col("trading_day").max())).to_series().to_list()
    row = {t: i for i, t in enumerate(tank_ids)}
    known = days.filter(pl.col("tank_id").is_in(tank_ids))
    grid = np.full((len(tank_ids), len(dates)), np.nan)
    at = known["tank_id"].replace_strict(row, return_dtype=pl.Int64).to_numpy()
    grid[at, (known["trading_day"] - dates[0]).dt.total_days().to_numpy()] = known["variance_l"].to_numpy()
    return dates, grid


def _joined(grid: np.ndarray, width: int) -> np.ndarray:
    """Sums over spans of `width` days; NaN where no day of a span is known."""
    tanks, n = grid.shape
    padded = np.full((tanks, -(-n // width) * width), np.nan)
    padded[:, :n] = grid
    spans = padded.reshape(tanks, -1, width)
    return np.where(np.isnan(spans).all(axis=2), np.nan, np.nansum(spans, axis=2))


def _spreads(litres: np.ndarray) -> np.ndarray:
    """`litres` of each tank (row) from its median, in its own robust standard deviations."""
    out = np.full_like(litres, np.nan)
    for i, row in enumerate(litres):
        known = row[~np.isnan(row)]
        if known.size:
            middle = np.median(known)
            sd = max(_MAD_TO_SD * float(np.median(np.abs(known - middle))), _LEAST_SPREAD_L)
            out[i] = (row - middle) / sd
    return out


def _heat_chart(dates: list[date], litres: np.ndarray, spread: np.ndarray, tanks: Sequence[dict[str, Any]]) -> Chart:
    end = max(float(np.nanpercentile(np.abs(litres), 98)), 1.0)
    # Rows by number: two tanks may not share a row, whatever they are called.
    rows = list(range(len(tanks)))
    names = [plain(t["tank_id"]) for t in tanks]
    look = {
        "type": "heatmap", "x": [d.isoformat() for d in dates], "y": rows, "xgap": 1, "ygap": 1, "hoverongaps": False,
        "colorscale": [[0, "@loss"], [0.5, "@mid"], [1, "@gain"]],
    }  # fmt: skip
    traces = [
        look | {"z": _rounded(spread, 1), "zmin": -_Z_ENDS, "zmax": _Z_ENDS, "visible": True,
                "hovertemplate": "%{y}, %{x|%d %b}: %{z:+.1f} × its spread<extra></extra>",
                "colorbar": {"title": {"text": text.AXES["z"]}}},
        look | {"z": _rounded(litres, 0), "zmin": -end, "zmax": end, "visible": False,
                "hovertemplate": "%{y}, %{x|%d %b}: %{z:+,.0f} l<extra></extra>",
                "colorbar": {"title": {"text": text.AXES["l"]}}},
    ]  # fmt: skip
    made = chart("heat", traces, "", height=_ROW_PX * len(tanks) + 110)
    made["layout"]["yaxis"] = {
        "tickvals": rows, "ticktext": names, "autorange": "reversed", "showgrid": False, "zeroline": False,
        "automargin": True,
    }  # fmt: skip
    made["links"] = [t["href"] for t in tanks]
    return made


def _rounded(grid: np.ndarray, digits: int) -> list[list[float | None]]:
    return [[None if np.isnan(v) else round(float(v), digits) for v in row] for row in grid]


def scatter(tanks: Sequence[dict[str, Any]]) -> Chart | None:
    """Variance in per cent of throughput against throughput, a mark a tank; the furthest from zero by name."""
    known = [t for t in tanks if t["pct"] is not None]
    if not known:
        return None
    named = {t["tank_id"] for t in sorted(known, key=lambda t: -abs(t["pct"]))[:_NAMED]}
    traces: list[dict[str, Any]] = []
    for i, product in enumerate(sorted({t["product_label"] for t in known})):
        own = [t for t in known if t["product_label"] == product]
        color, symbol = _LOOKS[i % len(_LOOKS)]
        traces.append(
            {"type": "scatter", "mode": "markers+text", "name": plain(product),
             "x": [round(t["throughput_l"]) for t in own], "y": [round(t["pct"], 3) for t in own],
             "text": [plain(t["tank_id"]) if t["tank_id"] in named else "" for t in own],
             "textposition": ["top center" if t["pct"] > 0 else "bottom center" for t in own],
             "customdata": [plain(t["tank_id"]) for t in own], "links": [t["href"] for t in own],
             "hovertemplate": "%{customdata}: %{y:+.2f} % of %{x:,.0f} l<extra></extra>",
             "marker": {"size": 9, "color": color, "symbol": symbol, "line": {"color": "@paper", "width": 1}}}
        )  # fmt: skip
    made = chart("scatter", traces, text.AXES["share"], height=380)
    made["layout"]["xaxis"] = {"title": {"text": text.AXES["throughput"]}, "zeroline": False}
    made["layout"]["hovermode"] = "closest"
    return made
