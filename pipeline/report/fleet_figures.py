"""Charts over the whole fleet: variance by tank and day, and variance against throughput; and who is furthest off."""

import math
from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipeline.report import format as fmt
from pipeline.report import sound_text as words
from pipeline.report import text
from pipeline.report.baseline import Spread, usual_spread
from pipeline.report.drawing import Chart, chart, plain
from pipeline.report.fleet import Fleet
from pipeline.report.worklist import bar

MAX_TANKS = 100
MAX_CELLS = 30_000
_ROW_PX = 16
_LOOKS = (("@blue", "circle"), ("@rust", "square"), ("@teal", "diamond"), ("@plum", "triangle-up"), ("@ochre", "cross"))
_NAMED = 4
_Z_ENDS = 6.0
# Letters of a site's name beside the heat map: a phone has room for no more.
_SITE_LENGTH = 16
_MOST_FURTHEST = 12
Row = dict[str, Any]


def heat_map(
    fleet: Fleet, tanks: Sequence[Row], *, max_tanks: int = MAX_TANKS, max_cells: int = MAX_CELLS
) -> tuple[Chart | None, list[str]]:
    """Variance by tank and day, in litres and over each tank's usual spread, with notes on what that is and is cut.

    Days are joined, and the tanks that strayed least left out, where a page would carry too many cells.
    """
    days = fleet.tables["tank_days"].drop_nulls("variance_l")
    if days.is_empty() or not tanks:
        return None, []
    dates, litres = _grid(days, [t["tank_id"] for t in tanks])
    shown = min(len(tanks), max_tanks)
    width = -(-len(dates) * shown // max_cells)
    dates, litres = dates[::width], _joined(litres, width)
    usual = usual_spread(fleet.tables, fleet.cases)
    own = [usual[t["tank_id"]] for t in tanks]
    # Days' scatter adds up as its square: n days together scatter by √n as much.
    spread = litres / (np.array([one.litres for one in own]) * math.sqrt(width))[:, None]
    notes = [_spread_words(own)]
    notes += [text.HEAT_BUCKET.format(n=width)] if width > 1 else []
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


def _spread_words(usual: Sequence[Spread]) -> str:
    """Of how many tanks the scatter is their own, and of how many the fleet's."""
    others = sum(not one.is_own for one in usual)
    return words.HEAT_SPREAD_FLEET.format(n=fmt.count(others, "tank", "tanks")) if others else words.HEAT_SPREAD_OWN


def furthest(fleet: Fleet) -> list[Row]:
    """The tanks whose variance over all their days is furthest from sound, in times what so many days scatter by.

    With what of it is left over once all that is named is off; the furthest first, those beyond three times alone.
    """
    usual = usual_spread(fleet.tables, fleet.cases)
    days = fleet.tables["tank_days"].drop_nulls("variance_l").group_by("tank_id").len()
    known = dict(days.iter_rows())
    left = fleet.tables["variance_parts"].filter(part="residual").group_by("tank_id").agg(pl.col("litres").sum())
    left_l = dict(left.iter_rows())
    rows = []
    for tank in fleet.tanks:
        n = known.get(tank["tank_id"], 0)
        if n:
            spread = usual[tank["tank_id"]].litres
            times = tank["variance_l"] / (spread * math.sqrt(n))
            rows.append(tank | {"times": times, "spread_l": spread, "left_l": left_l.get(tank["tank_id"])})
    rows = sorted(
        (r for r in rows if abs(r["times"]) > words.FURTHEST_FROM), key=lambda r: (-abs(r["times"]), r["tank_id"])
    )
    shown = rows[:_MOST_FURTHEST]
    # By the square root: one that is far out would dwarf the others.
    roots = [math.copysign(math.sqrt(abs(r["times"])), r["times"]) for r in shown]
    most = max(map(abs, roots), default=1.0)
    return [
        r | {"bar": bar(root, min(root, 0.0), max(root, 0.0), (-most, most))}
        for r, root in zip(shown, roots, strict=True)
    ]


def _heat_chart(dates: list[date], litres: np.ndarray, spread: np.ndarray, tanks: Sequence[Row]) -> Chart:
    end = max(float(np.nanpercentile(np.abs(litres), 98)), 1.0)
    # Rows by number: two tanks may not share a row, whatever they are called.
    rows = list(range(len(tanks)))
    look = {
        "type": "heatmap", "x": [d.isoformat() for d in dates], "y": rows, "xgap": 1, "ygap": 1, "hoverongaps": False,
        "colorscale": [[0, "@loss"], [0.5, "@mid"], [1, "@gain"]],
    }  # fmt: skip
    traces = [
        look | {"z": _rounded(spread, 1), "zmin": -_Z_ENDS, "zmax": _Z_ENDS, "visible": True,
                "hovertemplate": "%{y}, %{x|%d %b}: %{z:+.1f} × its usual spread<extra></extra>",
                "colorbar": {"title": {"text": text.AXES["z"]}}},
        look | {"z": _rounded(litres, 0), "zmin": -end, "zmax": end, "visible": False,
                "hovertemplate": "%{y}, %{x|%d %b}: %{z:+,.0f} l<extra></extra>",
                "colorbar": {"title": {"text": text.AXES["l"]}}},
    ]  # fmt: skip
    made = chart("heat", traces, "", height=_ROW_PX * len(tanks) + 110)
    # A site's name stands at the first of its tanks, and a line above it.
    heads = [at for at in rows if not at or tanks[at]["site_id"] != tanks[at - 1]["site_id"]]
    names = [
        f"{plain(_short(tank['site']))}: {plain(tank['tank_id'])}" if at in heads else plain(tank["tank_id"])
        for at, tank in enumerate(tanks)
    ]
    made["layout"]["yaxis"] = {
        "tickvals": rows, "ticktext": names, "autorange": "reversed", "showgrid": False, "zeroline": False,
        "automargin": True,
    }  # fmt: skip
    lines = "".join(f"M0 {at - 0.5}H1" for at in heads[1:])
    made["layout"]["shapes"] = [
        {"type": "path", "xref": "paper", "path": lines, "line": {"color": "@slate", "width": 1}}
    ] if lines else []  # fmt: skip
    made["links"] = [t["href"] for t in tanks]
    made["sites"] = [(tanks[at]["site_id"], tanks[at]["site"]) for at in heads]
    return made


def _short(name: str) -> str:
    return name if len(name) <= _SITE_LENGTH else name[: _SITE_LENGTH - 1] + "…"


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
