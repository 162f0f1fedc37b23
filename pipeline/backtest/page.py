"""The page of a backtest: written from its tables, opens from disk with no network."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, Final

import jinja2
import polars as pl

from pipeline.backtest import words
from pipeline.backtest.charts import charts_of, told, trial_names
from pipeline.backtest.metrics import MONTH_DAYS
from pipeline.backtest.study import Options, Study
from pipeline.report import format as fmt
from pipeline.report.rendering import as_json, environment
from pipeline.report.site import style_hashes
from pipeline.rights import make_beside

Row = dict[str, Any]
Frames = Mapping[str, pl.DataFrame]

PAGE: Final = "index.html"
ASSETS: Final = "assets"
_OWN_ASSETS: Final = ("report.css", "report.js", "charts.js")
_PLOTLY: Final = "plotly.min.js"
MOST_ROWS: Final = 400
SHOWN_DAYS: Final = 7
"""Rows of a table, and days of a row, that the page shows at the most."""


def write_page(frames: Frames, study: Study) -> Path:
    """Path of the page, after writing it and what it links to beside the backtest's tables.

    Parameters
    ----------
    frames : as `collected` gives them
    study : Study
    """
    new = make_beside(study.folder, ".assets-")
    try:
        own = resources.files("pipeline.report") / "assets"
        for name in _OWN_ASSETS:
            (new / name).write_bytes((own / name).read_bytes())
        plotly_js = (resources.files("plotly") / "package_data" / _PLOTLY).read_text(encoding="utf-8")
        (new / _PLOTLY).write_text(plotly_js, encoding="utf-8", newline="")
        html = rendered(frames, study, style_hashes(plotly_js))
        beside = study.folder / f".{PAGE}.new"
        beside.write_text(html, encoding="utf-8", newline="", errors="replace")
        shutil.rmtree(study.folder / ASSETS, ignore_errors=True)
        new.rename(study.folder / ASSETS)
        beside.replace(study.folder / PAGE)
    finally:
        shutil.rmtree(new, ignore_errors=True)
    return study.folder / PAGE


def rendered(frames: Frames, study: Study, hashes: Sequence[str]) -> str:
    """The page's HTML."""
    env = environment(hashes)
    loaders = [jinja2.PackageLoader("pipeline.backtest", "templates"), env.loader]
    env.loader = jinja2.ChoiceLoader([loader for loader in loaders if loader is not None])
    env.globals["t"] = words.words()
    charts = charts_of(frames, has_prices=study.options.measure.prices.are_known)
    results = frames["results"]
    context: Row = {
        "as_of": frames["evidence"]["day"].max(),
        "root": "",
        "page": PAGE,
        "charts": as_json({"linked": False, "charts": charts}) if charts else None,
        "chart_keys": [one["key"] for one in charts],
        "notes": _notes(frames, study.options),
        "has_unlabelled": bool((results["unlabelled"] > 0).any()),
        "results": [_result(row) for row in results.iter_rows(named=True)],
        "comparisons": _comparisons(frames),
        "divided": _divided(frames),
        "review": _review(frames),
        "proof": _proof(results),
    }
    return env.get_template("backtest.html").render(context | _lead(frames))


def _lead(frames: Frames) -> Row:
    results, truths = frames["results"], frames["truths"]
    points = results.filter("is_operating_point").sort(["found", "share_found"], descending=True, nulls_last=True)
    best = points.row(0, named=True)
    headline = words.LINES["none_known"]
    if truths.height:
        headline = words.LINES["none"]
    if best["found"]:
        rate = best["outside_per_100"]
        headline = words.LINES["best"].format(
            title=best["title"], share=fmt.probability(best["share_found"]), rate=fmt.figures(rate) if rate else "0"
        )
    owners = truths.select("world", "label_id").unique().height
    more = words.MORE.format(
        trials=fmt.count(results.height, "trial", "trials"),
        months=fmt.number(best["watched_days"] / MONTH_DAYS),
        tanks=fmt.count(frames["evidence"]["tank_id"].n_unique(), "tank", "tanks"),
        truths=fmt.count(owners, "fault", "faults"),
    )
    return {"headline": headline, "more": more}


def _notes(frames: Frames, options: Options) -> dict[str, str]:
    units = frames["results"]["size_unit"].drop_nulls().unique().sort().to_list()
    told_of = {
        "budget": f"{options.budget_per_100:g}", "units": ", ".join(units) or "unknown",
        "visit": f"{options.visit or 0:g}", "litre": f"{options.litre or 0:g}", "power": f"{100 * options.power:.0f} %",
    }  # fmt: skip
    return {key: note.format(**told_of) for key, note in words.CHART_NOTES.items()}


def _cell(text: str, span: str = "", sort: float | None = None) -> Row:
    return {"text": text, "span": span, "sort": "" if sort is None else round(sort, 6)}


def _share(row: Mapping[str, Any], name: str) -> Row:
    value, low, high = (row[name + end] for end in ("", "_low", "_high"))
    if value is None:
        return _cell(fmt.UNKNOWN)
    span = f"{100 * low:.0f} to {100 * high:.0f}" if low is not None and high is not None else ""
    return _cell(f"{100 * value:.0f}{fmt.THIN}%", span, value)


def _number(row: Mapping[str, Any], name: str, unit: str = "") -> Row:
    value, low, high = (row[name + end] for end in ("", "_low", "_high"))
    if value is None:
        return _cell(fmt.UNKNOWN)
    text = "0" if value == 0.0 else fmt.figures(value)
    ends = [
        bound if bound == bound and abs(bound) != float("inf") else None for bound in (low, high) if bound is not None
    ]
    span = " to ".join(fmt.figures(end) if end else "0" if end == 0.0 else "never" for end in ends)
    return _cell(f"{text}{fmt.THIN}{unit}" if unit else text, span if len(ends) == 2 else "", value)


def _result(row: Mapping[str, Any]) -> Row:
    chance = row["chance_share"]
    size = _number(row, "size_found", row["size_unit"] or "")
    cells = [
        _cell(fmt.number(row["truths"]), sort=row["truths"]),
        _share(row, "share_found"),
        _cell(fmt.UNKNOWN if chance is None else f"{100 * chance:.0f}{fmt.THIN}%", sort=chance),
        _share(row, "right_share"),
        _number(row, "outside_per_100"),
        _number(row, "false_per_100"),
        _number(row, "delay_days", words.DAYS),
        _share(row, "saved_share"),
        _number(row, "cost_per_100"),
        size,
    ]
    return {
        "trial_id": row["trial_id"], "rule": row["rule"], "title": row["title"], "parameters": told(row["parameters"]),
        "is_point": row["is_operating_point"], "cells": cells,
    }  # fmt: skip


def _comparisons(frames: Frames) -> list[Row]:
    names = trial_names(frames["results"])
    rows = []
    for row in frames["comparisons"].iter_rows(named=True):
        is_share = row["figure"].endswith("share") or row["figure"].startswith("share")
        first, second, difference, low, high = (
            None if row[name] is None else row[name] * (100.0 if is_share else 1.0)
            for name in ("first", "second", "difference", "low", "high")
        )
        span = f"{fmt.figures(low) if low else 0} to {fmt.figures(high) if high else 0}" if low is not None else ""
        unit = f"{fmt.THIN}%" if is_share else ""
        cells = [_plain(first, unit), _plain(second, unit), _plain(difference, unit) | {"span": span}]
        rows.append(
            {
                "first_name": names[row["first_id"]], "second_name": names[row["second_id"]],
                "figure": words.FIGURE_NAMES[row["figure"]], "cells": cells,
            }
        )  # fmt: skip
    return rows[:MOST_ROWS]


def _plain(value: float | None, unit: str) -> Row:
    return _cell(fmt.UNKNOWN if value is None else f"{fmt.figures(value) if value else 0}{unit}", sort=value)


def _divided(frames: Frames) -> list[Row]:
    names = trial_names(frames["results"])
    rows = []
    for row in frames["divided"].head(MOST_ROWS).iter_rows(named=True):
        other = row["second_id"] if row["said_by"] == row["first_id"] else row["first_id"]
        note = row["note"] or ""
        if row["label_id"]:
            size = f", {fmt.figures(row['size'])} {row['unit']}" if row["size"] else ""
            note = f"{row['label_id']}{size}"
        in_history = row["world"] in (None, "base")
        rows.append(
            row | {
                "by": names[row["said_by"]], "not_by": names[other], "what": words.WHAT[row["verdict"]], "note": note,
                "variance": _variance(frames["evidence"], row) if in_history else words.CASE_NAME,
            }
        )  # fmt: skip
    return rows


def _variance(days: pl.DataFrame, row: Mapping[str, Any]) -> str:
    """The last days' variance that was known when an alarm was raised, in litres, oldest first."""
    seen = days.filter((pl.col("tank_id") == row["tank_id"]) & (pl.col("day") <= row["day"])).sort("trading_day")
    return ", ".join(fmt.number(value, signed=True) for value in seen["variance_l"].tail(SHOWN_DAYS)) + " l"


def _review(frames: Frames) -> list[Row]:
    names = trial_names(frames["results"])
    rows = []
    for row in frames["review"].head(MOST_ROWS).iter_rows(named=True):
        where = f"--tank {row['tank_id']} --start {row['day']} --cause {row['cause']}" if row["tank_id"] else ""
        command = f"tankdrift label OUT {where} --verdict ruled_out" if where else ""
        rows.append(row | {"rule": names[row["trial_id"]], "command": command})
    return rows


def _proof(results: pl.DataFrame) -> list[tuple[str, str]]:
    row = results.row(0, named=True)
    names = ("configuration", "code_version", "code_digest", "data_digest", "labels_digest")
    rules = results.select("rule", "rule_digest").unique(maintain_order=True).rows()
    return [(name, row[name]) for name in names] + [(f"rule {rule}", digest) for rule, digest in rules]
