"""What a backtest came to, in words for the terminal."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.backtest.charts import told
from pipeline.backtest.page import PAGE
from pipeline.backtest.study import Study

_HEAD = ("rule", "parameters", "found", "share (95 %)", "alarms outside / 100 tank-months", "delay", "cost / 100")


def as_text(study: Study) -> str:
    """A table of the trials, those at an operating point marked with a star, and where to look."""
    results = pl.read_parquet(study.folder / "results.parquet")
    rows = [_HEAD, *(_row(row) for row in results.iter_rows(named=True))]
    shown = rows if any(row[-1] for row in rows[1:]) else [row[:-1] for row in rows]
    widths = [max(len(row[column]) for row in shown) for column in range(len(shown[0]))]
    lines = ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in shown]
    left_out = pl.read_parquet(study.folder / "left_out.parquet")
    lines += [
        f"not put into {world}: {cause} of {size:g} {unit}: {why}"
        for world, cause, _, size, unit, why in left_out.iter_rows()
    ]
    return "\n".join([*lines, f"results: {study.folder / 'results.parquet'}", f"page: {study.folder / PAGE}"])


def _row(row: Mapping[str, Any]) -> tuple[str, ...]:
    mark = "*" if row["is_operating_point"] else " "
    return (
        f"{mark} {row['rule']}",
        told(row["parameters"]),
        f"{row['found']} of {row['truths']}",
        _with_interval(row, "share_found", scale=100.0, unit=" %"),
        _with_interval(row, "outside_per_100"),
        _with_interval(row, "delay_days", unit=" d"),
        _with_interval(row, "cost_per_100"),
    )


def _with_interval(row: Mapping[str, Any], name: str, *, scale: float = 1.0, unit: str = "") -> str:
    value, low, high = (row[name + end] for end in ("", "_low", "_high"))
    if value is None:
        return ""
    ends = f" ({scale * low:.3g} to {scale * high:.3g})" if low is not None and high is not None else ""
    return f"{scale * value:.3g}{unit}{ends}"
