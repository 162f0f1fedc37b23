"""From a tank's frames to its charts: raw Plotly traces and layouts as dicts, colours as tokens that the page resolves.

A colour is written ``@name`` and looked up in the page's style sheet, so one chart serves light, dark and print.
Text that comes from a lake passes `plain`: Plotly reads a little HTML in labels, and a lake must not write any.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contract.causes import RECORDS
from pipeline.report import format as fmt
from pipeline.report import text
from pipeline.report.case_figures import mark_safe_fill, shade
from pipeline.report.drawing import Chart, chart, plain, thinned
from pipeline.report.edges import mark_edges
from pipeline.report.tables import Tables

# Colour and hatching of a part, so that neither is needed to tell it from its neighbours.
PART_LOOKS: Mapping[str, tuple[str, str]] = {cause.name: cause.look for cause in RECORDS} | {
    "thermal": ("@sky", ""), "vapour": ("@sky", "/"),
    "meter_tolerance": ("@sand", ""), "chart_tolerance": ("@sand", "/"), "ticket_tolerance": ("@sand", "x"),
    "residual": ("@slate", "."),
}  # fmt: skip
METER_TOLERANCE_PCT = 0.5
_METER_LOOKS = (
    ("@blue", "solid"), ("@rust", "dash"), ("@teal", "dot"), ("@plum", "dashdot"), ("@ochre", "longdash"),
    ("@ink", "solid"),
)  # fmt: skip
_DAY_MS = 86_400_000
_GAP_HOURS = 6


def tank_charts(
    tables: Tables, tank: Mapping[str, Any], windows: Sequence[Mapping[str, Any]], *, tz: ZoneInfo, points: int
) -> list[Chart]:
    """The charts of a tank that there is data for, top to bottom, with the spans of its cases shaded.

    Parameters
    ----------
    tables : Tables
        All of the run.
    tank : mapping
        A row of `tanks`.
    windows : sequence of mapping
        `letter`, `label`, `start` and `end` (site time, as Plotly writes it) of each case.
    tz : ZoneInfo
        The site's.
    points : int
        How many points a line may have.
    """
    tank_id = str(tank["tank_id"])
    ledger = _local(tables.of_tank("ledger", tank_id), tz)
    days = tables.of_tank("tank_days", tank_id).with_columns(x=pl.col("trading_day").dt.strftime("%Y-%m-%d 12:00"))
    parts = tables.of_tank("variance_parts", tank_id)
    made = [
        _stock(
            ledger, _local(tables.of_tank("drops", tank_id), tz), _local(tables.of_tank("draws", tank_id), tz), points
        ),
        _cumulative(days),
        _parts(parts, days),
        _sales(days),
        _surroundings(ledger, points),
        _residual(ledger, points // 2),
        _meters(tables.of_tank("meter_estimates", tank_id)),
    ]
    charts = [c for c in made if c is not None]
    span = _span(ledger, days)
    for one in charts:
        mark_edges(one)
        shade(one, windows, span, with_labels=one["key"] == "cumulative")
        if one["key"] == "stock" and tank["safe_fill_l"]:
            mark_safe_fill(one, float(tank["safe_fill_l"]))
    return charts


def _local(frame: pl.DataFrame, tz: ZoneInfo) -> pl.DataFrame:
    """Adds `x`, the end of each row on the site's clock."""
    end = pl.col("ts_end").dt.convert_time_zone(tz.key).dt.strftime("%Y-%m-%d %H:%M")
    return frame.with_columns(x=end)


def _span(ledger: pl.DataFrame, days: pl.DataFrame) -> timedelta:
    """How long a time a tank's charts show."""
    seen = [*ledger["x"].head(1), *ledger["x"].tail(1), *days["x"].head(1), *days["x"].tail(1)]
    at = [datetime.fromisoformat(x) for x in seen]
    return max(at) - min(at) if at else timedelta()


def _line(frame: pl.DataFrame, column: str, points: int) -> tuple[list[str | None], list[float | None]]:
    """X and y of a thinned line, broken where the data has a gap."""
    kept = frame.filter(pl.col(column).is_not_null())
    gap = (kept["ts_end"] - kept["ts_end"].shift(1)).dt.total_hours().fill_null(0) > _GAP_HOURS
    at = thinned(kept[column].to_numpy(), points)
    runs = gap.cast(pl.Int32).cum_sum().gather(at).to_list()
    xs: list[str | None] = []
    ys: list[float | None] = []
    for i, (x, y) in enumerate(zip(kept["x"].gather(at), kept[column].gather(at).round(1), strict=True)):
        if i and runs[i] != runs[i - 1]:
            xs.append(x)
            ys.append(None)
        xs.append(x)
        ys.append(y)
    return xs, ys


def _stock(ledger: pl.DataFrame, drops: pl.DataFrame, draws: pl.DataFrame, points: int) -> Chart | None:
    if ledger["gauge_end_l"].null_count() == ledger.height:
        return None
    x, y = _line(ledger, "gauge_end_l", points)
    traces: list[dict[str, Any]] = [
        {"type": "scatter", "mode": "lines", "name": text.STOCK, "x": x, "y": y,
         "line": {"color": "@blue", "width": 1.4}, "hovertemplate": "%{y:,.0f} l"},
    ]  # fmt: skip
    for rows, name, symbol, color, words in (
        (drops, text.DROP, "triangle-up", "@teal", _drop_words),
        (draws, text.DRAW, "triangle-down", "@rust", _draw_words),
    ):
        if rows.is_empty():
            continue
        at = _on_the_line(rows, ledger)
        traces.append(
            {"type": "scatter", "mode": "markers", "name": name, "x": at["x"].to_list(),
             "y": at["gauge_end_l"].round(0).to_list(), "text": [words(r) for r in at.iter_rows(named=True)],
             "hovertemplate": "%{text}", "marker": {"symbol": symbol, "size": 10, "color": color,
                                                    "line": {"color": "@paper", "width": 1}}}
        )  # fmt: skip
    return chart("stock", traces, text.AXES["l"], height=300)


def _on_the_line(rows: pl.DataFrame, ledger: pl.DataFrame) -> pl.DataFrame:
    """Adds `gauge_end_l`: the first stock settled after each row, the last one before it where none is."""
    settled = ledger.select("ts_end", "gauge_end_l").drop_nulls().sort("ts_end")
    after = rows.sort("ts_end").join_asof(settled, on="ts_end", strategy="forward")
    both = after.join_asof(settled, on="ts_end", strategy="backward", suffix="_before")
    return both.with_columns(pl.coalesce("gauge_end_l", "gauge_end_l_before"))


def _drop_words(row: Mapping[str, Any]) -> str:
    ticket = ""
    if row["ticket_volume_l"] is not None:
        ticket = text.DROP_TICKET.format(
            ticket=fmt.quantity(row["ticket_volume_l"], "l"),
            mismatch=fmt.quantity(row["mismatch_l"], "l", signed=True),
            sd=fmt.quantity(row["mismatch_sd_l"], "l"),
        )
    return text.DROP_HOVER.format(
        id=plain(row["delivery_id"] or text.NO_ID), gain=fmt.quantity(row["gain_l"], "l"), ticket=ticket
    )


def _draw_words(row: Mapping[str, Any]) -> str:
    return text.DRAW_HOVER.format(
        litres=fmt.quantity(abs(row["litres"] or 0.0), "l"), sd=fmt.quantity(row["sd_l"], "l")
    )


def _cumulative(days: pl.DataFrame) -> Chart | None:
    if days["variance_l"].null_count() == days.height:
        return None
    total = days["variance_l"].fill_null(0.0).cum_sum().round(1)
    known = days["variance_l"].is_not_null()
    y = [v if k else None for v, k in zip(total, known, strict=True)]
    trace = {"type": "scatter", "mode": "lines+markers", "name": text.VARIANCE, "x": days["x"].to_list(), "y": y,
             "line": {"color": "@ink", "width": 1.6}, "marker": {"size": 4, "color": "@ink"},
             "hovertemplate": "%{y:+,.0f} l"}  # fmt: skip
    return chart("cumulative", [trace], text.AXES["l"], height=280)


def _parts(parts: pl.DataFrame, days: pl.DataFrame) -> Chart | None:
    named = parts.drop_nulls("litres").with_columns(x=pl.col("trading_day").dt.strftime("%Y-%m-%d 12:00"))
    if named.is_empty():
        return None
    found = set(named["part"].unique().to_list())
    order = [p for p in PART_LOOKS if p in found] + sorted(found - set(PART_LOOKS))
    traces: list[dict[str, Any]] = []
    for part in order:
        rows = named.filter(pl.col("part") == part)
        color, hatch = PART_LOOKS.get(part, ("@slate", "x"))
        traces.append(
            {"type": "bar", "name": plain(text.PARTS.get(part, part)), "x": rows["x"].to_list(),
             "y": rows["litres"].round(2).to_list(), "width": _DAY_MS * 0.86, "hovertemplate": "%{y:+,.1f} l",
             "marker": {"color": color, "line": {"width": 0},
                        "pattern": {"shape": hatch, "fgcolor": "@paper", "bgcolor": color, "size": 5,
                                    "solidity": 0.35}}}
        )  # fmt: skip
    known = days.drop_nulls("variance_l")
    traces.append(
        {"type": "scatter", "mode": "markers", "name": text.VARIANCE, "x": known["x"].to_list(),
         "y": known["variance_l"].round(2).to_list(), "hovertemplate": "%{y:+,.1f} l",
         "marker": {"symbol": "diamond", "size": 6, "color": "@paper", "line": {"color": "@ink", "width": 1.3}}}
    )  # fmt: skip
    return chart("parts", traces, text.AXES["l"], height=340, barmode="relative")


def _sales(days: pl.DataFrame) -> Chart | None:
    if days["sales_l"].null_count() == days.height:
        return None
    look = {"type": "bar", "width": _DAY_MS * 0.86, "hovertemplate": "%{y:,.0f} l", "x": days["x"].to_list()}
    dropped = [v or None for v in days["deliveries_l"].round(0)]
    traces = [
        look | {"name": text.SALES, "y": days["sales_l"].round(0).to_list(), "marker": {"color": "@blue"}},
        look | {"name": text.DROP, "y": dropped, "yaxis": "y2", "marker": {"color": "@teal"}},
    ]
    made = chart("sales", traces, text.AXES["l"], height=280)
    made["layout"]["yaxis"]["domain"] = [0.0, 0.56]
    made["layout"]["yaxis2"] = {"title": {"text": text.AXES["l"]}, "domain": [0.66, 1.0]}
    return made


def _surroundings(ledger: pl.DataFrame, points: int) -> Chart | None:
    traces: list[dict[str, Any]] = []
    for column, name, axis, color, unit in (
        ("temp_end_c", text.TEMPERATURE, "y", "@rust", "°C"),
        ("water_end_mm", text.WATER, "y2", "@blue", "mm"),
    ):
        if ledger[column].null_count() < ledger.height:
            x, y = _line(ledger, column, points // 2)
            traces.append(
                {"type": "scatter", "mode": "lines", "name": name, "x": x, "y": y, "yaxis": axis,
                 "line": {"color": color, "width": 1.3}, "hovertemplate": "%{y:,.1f} " + unit}
            )  # fmt: skip
    if not traces:
        return None
    made = chart("surroundings", traces, text.AXES["c"], height=280)
    made["layout"]["yaxis"]["domain"] = [0.0, 0.46]
    made["layout"]["yaxis2"] = {"title": {"text": text.AXES["mm"]}, "domain": [0.56, 1.0]}
    return made


def _residual(ledger: pl.DataFrame, points: int) -> Chart | None:
    rows = ledger.drop_nulls("residual_l")
    if rows.is_empty():
        return None
    ratio = (pl.col("residual_l") / pl.col("noise_sd_l")).abs().fill_nan(None).fill_null(0.0)
    rows = rows[thinned(rows["residual_l"].to_numpy(), points)].with_columns(ratio=ratio)
    inside, outside = rows.filter(pl.col("ratio") <= 3), rows.filter(pl.col("ratio") > 3)
    look = {"type": "scatter", "mode": "markers", "hovertemplate": "%{y:+,.1f} l"}
    traces = [
        look | {"name": text.WITHIN, "x": inside["x"].to_list(), "y": inside["residual_l"].round(1).to_list(),
                "marker": {"size": 3, "color": "@slate", "opacity": 0.45}},
        look | {"name": text.BEYOND, "x": outside["x"].to_list(), "y": outside["residual_l"].round(1).to_list(),
                "text": [text.TIMES_NOISE.format(k=fmt.number(k, 1)) for k in outside["ratio"]],
                "hovertemplate": "%{y:+,.1f} l, %{text}",
                "marker": {"size": 7, "color": "@rust", "symbol": "diamond", "line": {"color": "@paper", "width": 1}}},
    ]  # fmt: skip
    return chart("residual", traces, text.AXES["l"], height=250)


def _meters(estimates: pl.DataFrame) -> Chart | None:
    rows = estimates.drop_nulls("error_pct").with_columns(x=pl.col("day").dt.strftime("%Y-%m-%d 12:00"))
    if rows.is_empty():
        return None
    traces: list[dict[str, Any]] = []
    for i, ((meter_id,), own) in enumerate(_furthest(rows).group_by(["meter_id"], maintain_order=True)):
        color, dash = _METER_LOOKS[i % len(_METER_LOOKS)]
        last = own.row(-1, named=True)
        up, down = ((abs((last[c] if last[c] is not None else last["error_pct"]) - last["error_pct"]))
                    for c in ("error_high_pct", "error_low_pct"))  # fmt: skip
        traces += [
            {"type": "scatter", "mode": "lines", "name": plain(meter_id), "x": own["x"].to_list(),
             "y": own["error_pct"].round(3).to_list(), "line": {"color": color, "dash": dash, "width": 1.6},
             "hovertemplate": "%{y:+.2f} %"},
            {"type": "scatter", "mode": "markers", "showlegend": False, "hoverinfo": "skip", "x": [last["x"]],
             "y": [round(last["error_pct"], 3)], "marker": {"color": color, "size": 6},
             "error_y": {"type": "data", "symmetric": False, "array": [round(up, 3)], "arrayminus": [round(down, 3)],
                         "color": color, "thickness": 1.4, "width": 3}},
        ]  # fmt: skip
    made = chart("meters", traces, text.AXES["pct"], height=300)
    made["layout"]["shapes"] = [
        {"type": "rect", "xref": "paper", "x0": 0, "x1": 1, "y0": -METER_TOLERANCE_PCT, "y1": METER_TOLERANCE_PCT,
         "fillcolor": "@band", "line": {"width": 0}, "layer": "below"}
    ]  # fmt: skip
    return made


def _furthest(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of the few meters whose latest estimate is furthest from zero: more lines than these nobody tells apart."""
    latest = rows.group_by("meter_id", maintain_order=True).agg(pl.col("error_pct").last().abs())
    few = latest.sort("error_pct", descending=True, maintain_order=True).head(len(_METER_LOOKS))["meter_id"]
    return rows.filter(pl.col("meter_id").is_in(few.to_list()))
