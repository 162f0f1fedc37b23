"""Pages about tanks' charts: a list of the fleet's by what they cost, and a page a tank."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.estimate.chart_columns import TOLERANCE_PCT
from pipeline.report import chart_words as words
from pipeline.report import format as fmt
from pipeline.report.drawing import Chart, chart, plain
from pipeline.report.links import page_names
from pipeline.report.records import chart_records
from pipeline.report.rendering import as_json, environment
from pipeline.report.text import PRODUCTS

Row = dict[str, Any]
Frames = Mapping[str, pl.DataFrame]

MOST_ROWS: Final = 400
"""Rows of a table of levels or stretches that a page shows."""
Z_95: Final = 1.96
_FILL_STEPS: Final = 60
_BY_TANK: Final = ("figures", "levels", "stretches", "visits", "fills")


def render_charts(frames: Frames, as_of: date, style_hashes: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Every page as (path below the charts' folder, HTML).

    Parameters
    ----------
    frames : as `pipeline.scoring.charts.chart_frames` gives them, with the run's `sites`, `tanks` and `other_charts`
    as_of : date
    style_hashes : sequence of str
        As `put_assets` gives them.
    """
    env = environment(style_hashes)
    env.globals["t"] = words.words()
    names = page_names(frames["charts"]["tank_id"])
    homes = {row["tank_id"]: row for row in frames["tanks"].iter_rows(named=True)}
    zones = {row["site_id"]: fmt.zone(row["timezone"]) for row in frames["sites"].iter_rows(named=True)}
    rows = [_listed(row, homes[row["tank_id"]], names) for row in frames["charts"].iter_rows(named=True)]
    others = frames["other_charts"]["tank_id"].to_list()
    common: Row = {"as_of": as_of, "root": "", "charts": None, "other_charts": others}
    yield "index.html", env.get_template("charts.html").render(common | {"page": "index.html"} | _index(rows))
    template = env.get_template("chart.html")
    for row in rows:
        own = {name: frame.filter(tank_id=row["tank_id"]) for name, frame in frames.items() if name in _BY_TANK}
        tz = zones[homes[row["tank_id"]]["site_id"]]
        yield row["href"], template.render(common | {"root": "../", "page": "", "tz": tz} | _tank(row, own))


def _index(rows: Sequence[Row]) -> Row:
    judged = [row for row in rows if row["verdict"] != "untold"]
    worth = sum(row["verdict"] == "new_table" for row in rows)
    line = words.LINE.format(
        judged=fmt.count(len(judged), "chart", "charts"), worth=words.WORTH[min(worth, 2)].format(n=worth)
    )
    return {
        "headline": line if judged else words.NOTHING,
        "rows": rows,
        "verdicts": [words.VERDICT[kind] for kind in words.VERDICT if any(row["verdict"] == kind for row in rows)],
        "records": as_json(chart_records(rows)),
    }


def _listed(row: Row, home: Row, names: Mapping[str, str]) -> Row:
    """A row of the list: the frame's figures with their words."""
    tolerance = f"{TOLERANCE_PCT:g}{fmt.THIN}%"
    said = {
        "href": names[row["tank_id"]],
        "product_label": PRODUCTS.get(home["product"], home["product"]),
        "verdict_text": words.VERDICT[row["verdict"]],
        "means": row["reason"] or words.MEANS[row["verdict"]].format(tolerance=tolerance),
        "off_text": "", "between_text": "", "stray_text": "",
    }  # fmt: skip
    if row["off_l"] is None:
        return row | said
    said["off_text"] = fmt.estimate(*_interval(row["off_l"], row["off_sd_l"]), "l", signed=True)
    said["between_text"] = _levels_words(row["off_low_mm"], row["off_high_mm"])
    said["stray_text"] = words.STRAY_SHORT.format(
        before=fmt.figures(row["stray_between_drops_l"]), after=fmt.figures(row["stray_between_drops_corrected_l"])
    )
    return row | said


def _interval(value: float, sd: float) -> tuple[float, float, float]:
    return value, value - Z_95 * sd, value + Z_95 * sd


def _levels_words(low_mm: float, high_mm: float) -> str:
    return words.SEEN.format(low=fmt.number(low_mm), high=fmt.quantity(high_mm, "mm"))


def _tank(row: Row, own: Frames) -> Row:
    tank_id = row["tank_id"]
    common: Row = {"row": row, "headline": _headline(row), "charts": None, "chart_keys": [], "facts": [], "levels": [],
              "figures": [], "stretches": [], "commands": []}  # fmt: skip
    if row["verdict"] == "untold":
        return common
    drawn = apart_figure(own["levels"], own["visits"], own["fills"])
    file = Path(row["href"]).stem
    return common | {
        "charts": as_json({"linked": False, "charts": [drawn]}),
        "chart_keys": [drawn["key"]],
        "facts": _facts(row),
        "figures": [_figure(one) for one in own["figures"].iter_rows(named=True)],
        "stretches": own["stretches"].tail(MOST_ROWS).to_dicts(),
        "levels": [_level(one) for one in own["levels"].iter_rows(named=True)][:MOST_ROWS],
        "commands": [line.format(tank=tank_id, file=file) for line in words.TRY_COMMAND],
    }


def _headline(row: Row) -> str:
    if row["verdict"] == "untold":
        return words.UNTOLD.format(tank=row["tank_id"], reason=row["reason"])
    value, low, high = _interval(abs(row["off_l"]), row["off_sd_l"])
    litres = words.OFF_LITRES[int(row["off_l"] < 0)].format(
        size=fmt.quantity(round(value), "l"), span=fmt.interval(low, high, value)
    )
    return words.OFF.format(
        tank=row["tank_id"],
        verdict=row["verdict_text"].lower(),
        low=fmt.number(row["off_low_mm"]),
        high=fmt.quantity(row["off_high_mm"], "mm"),
        litres=litres,
    )


def _facts(row: Row) -> list[tuple[str, str]]:
    def stray(name: str, corrected: str) -> str:
        return words.STRAY.format(before=fmt.figures(row[name]), after=fmt.figures(row[corrected]))

    values = {
        "daily": words.PER_MONTH.format(
            litres=fmt.quantity(row["daily_l"], "l"), pct=fmt.quantity(row["daily_pct"], "%", 2)
        ),
        "wrong": fmt.probability(row["wrong"]),
        "seen": _levels_words(row["low_mm"], row["high_mm"]),
        "days": fmt.number(row["days"]),
        "between": stray("stray_between_drops_l", "stray_between_drops_corrected_l"),
        "all": stray("stray_l", "stray_corrected_l"),
    }
    return [(words.FACTS[key].format(tolerance=f"{TOLERANCE_PCT:g}{fmt.THIN}%"), text) for key, text in values.items()]


def _figure(row: Row) -> Row:
    name, unit = words.FIGURE_NAMES[row["name"]]
    return {
        "name": name,
        "value": fmt.estimate(row["value"], None, None, unit, signed=True),
        "span": fmt.interval(row["low"], row["high"], row["value"], signed=True),
        "is_told": row["is_told"],
        "note": row["note"],
    }


def _level(row: Row) -> Row:
    apart = row["corrected_l"] - row["chart_l"]
    return row | {"apart_l": apart, "span": fmt.interval(*_span(apart, row["sd_l"]), apart, signed=True)}


def _span(value: float, sd: float) -> tuple[float, float]:
    return value - Z_95 * sd, value + Z_95 * sd


def apart_figure(levels: pl.DataFrame, visits: pl.DataFrame, fills: pl.DataFrame) -> Chart:
    """Corrected chart less the site's by level with its band, above where levels have been and drops filled."""
    x = levels["level_mm"].to_list()
    apart = (levels["corrected_l"] - levels["chart_l"]).to_numpy()
    half = Z_95 * levels["sd_l"].to_numpy()
    been = np.where(levels["is_visited"].to_numpy(), apart, np.nan)
    line = {
        "type": "scatter",
        "x": x,
        "yaxis": "y2",
        "mode": "lines",
        "hovertemplate": "%{x:,.0f} mm: %{y:+,.1f} l<extra></extra>",
    }
    edge = line | {"line": {"width": 0}, "hoverinfo": "skip", "hovertemplate": None, "showlegend": False}
    traces: list[Row] = [
        edge | {"name": plain(words.SERIES["band"]), "y": _rounded(apart - half)},
        edge | {"name": plain(words.SERIES["band"]), "y": _rounded(apart + half), "fill": "tonexty",
                "fillcolor": "@band", "showlegend": True},
        line | {"name": words.SERIES["remainder"], "y": _rounded(levels["remainder_l"].to_numpy()),
                "line": {"color": "@ochre", "width": 1.3, "dash": "dot"}},
        line | {"name": words.SERIES["apart"], "y": _rounded(apart), "line": {"color": "@slate", "width": 1.2}},
        line | {"name": words.SERIES["rows"], "y": _rounded(been), "line": {"color": "@teal", "width": 2.4}},
        {"type": "bar", "name": words.SERIES["visits"], "x": visits["level_mm"].to_list(),
         "y": visits["hours"].to_list(), "marker": {"color": "@blue"},
         "hovertemplate": "%{x:,.0f} mm: %{y:,.0f} h<extra></extra>"},
        _filling(fills, x),
    ]  # fmt: skip
    made = chart("apart", traces, words.AXES["hours"], height=460)
    made["layout"]["yaxis"] |= {"domain": [0.0, 0.32], "rangemode": "tozero"}
    made["layout"]["yaxis2"] = {"title": {"text": words.AXES["litres"]}, "domain": [0.42, 1.0]}
    made["layout"]["yaxis3"] = {
        "title": {"text": words.AXES["drops"]}, "overlaying": "y", "side": "right", "showgrid": False,
        "rangemode": "tozero", "dtick": max(1, -(-max(traces[-1]["y"]) // 4)), "automargin": True,
    }  # fmt: skip
    made["layout"]["xaxis"] = {"type": "linear", "title": {"text": words.AXES["level"]}}
    return made


def _filling(fills: pl.DataFrame, levels_mm: Sequence[float]) -> Row:
    """How many drops filled through each level."""
    at = np.linspace(levels_mm[0], levels_mm[-1], _FILL_STEPS)
    low, high = fills["start_mm"].to_numpy()[:, None], fills["end_mm"].to_numpy()[:, None]
    count = ((low <= at) & (at < high)).sum(axis=0)
    return {
        "type": "scatter", "mode": "lines", "name": words.SERIES["fills"], "x": np.round(at, 1).tolist(),
        "y": count.tolist(), "yaxis": "y3", "line": {"color": "@rust", "width": 1.6, "shape": "hvh"},
        "hovertemplate": "%{x:,.0f} mm: %{y:,.0f}<extra></extra>",
    }  # fmt: skip


def _rounded(values: np.ndarray) -> list[float | None]:
    return [None if np.isnan(value) else round(float(value), 1) for value in values]
