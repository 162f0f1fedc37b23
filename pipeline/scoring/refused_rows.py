"""Rows of a chart that were refused while the rest goes on: a wrong chart at once, with the levels concerned."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

from pipeline.cases.finding import Evidence, Finding
from pipeline.contract.vocabulary import REFUSED_CHART_ROWS
from pipeline.estimate.evidence import LOG_PRIOR
from pipeline.estimate.naming import CHART
from pipeline.ledger.gauge import seconds
from pipeline.scoring.chart_null import ChartSeen

ROWS_LOG_ODDS: Final = 4.0
"""Log odds that a chart is wrong of which rows had to be refused. No source: a slip of the pen is none of the tank."""
_NAMED: Final = 6
_FIELDS: Final = pl.Struct(
    {"tank_id": pl.String, "valid_from": pl.Datetime("us", "UTC"), "level_mm": pl.Float64, "volume_l": pl.Float64}
)


def refused_chart_rows(quarantine: pl.DataFrame) -> pl.DataFrame:
    """The refused rows of charts that tell their tank and level: `tank_id`, `valid_from`, `level_mm` and `reason`."""
    rows = quarantine.filter(
        pl.col("table") == "strapping", pl.col("reason").str.contains("|".join(REFUSED_CHART_ROWS))
    )
    text = rows.with_columns(pl.col("row").str.json_decode(_FIELDS).alias("_row")).unnest("_row")
    told = text.select("tank_id", "valid_from", "level_mm", "reason").drop_nulls()
    return told.filter(pl.col("level_mm").is_finite()).sort("tank_id", "valid_from", "level_mm")


def with_refused_rows(
    findings: Sequence[Finding], charts: Sequence[ChartSeen], refused: pl.DataFrame, last_day: int
) -> list[Finding]:
    """The findings, and a wrong chart for each of `charts` of which rows were refused, in place of a later one.

    `refused` as `refused_chart_rows` gives it; none is raised after UTC day number `last_day`.
    """
    new = []
    for (tank_id,), rows in refused.group_by(["tank_id"], maintain_order=True):
        mine = sorted((one for one in charts if one.tank_id == tank_id and len(one.days)), key=lambda one: one.start_s)
        if not mine:
            continue
        starts = np.array([one.start_s for one in mine])
        which = np.maximum(np.searchsorted(starts, seconds(rows["valid_from"]), "right") - 1, 0)
        for place in np.unique(which).tolist():
            if mine[place].days[0] <= last_day:
                new.append(_finding(mine[place], rows.filter(pl.Series(which == place))))
    again = {(one.cause, one.unit_id, one.start_s) for one in new}
    return [*(one for one in findings if (one.cause, one.unit_id, one.start_s) not in again), *new]


def _finding(chart: ChartSeen, rows: pl.DataFrame) -> Finding:
    return Finding(
        cause=CHART.cause,
        site_id=chart.site_id,
        unit_id=chart.unit_id,
        tank_id=chart.tank_id,
        day=int(chart.days[0]),
        start_s=chart.start_s,
        end_s=None,
        log_odds=ROWS_LOG_ODDS,
        log_prior=LOG_PRIOR[CHART.cause],
        evidence=tuple(_evidence(rows, reason) for reason in REFUSED_CHART_ROWS if _of(rows, reason).height),
    )


def _of(rows: pl.DataFrame, reason: str) -> pl.DataFrame:
    return rows.filter(pl.col("reason").str.contains(reason, literal=True))


def _evidence(rows: pl.DataFrame, reason: str) -> Evidence:
    """How many rows of a chart broke one rule, and at which levels."""
    level = _of(rows, reason)["level_mm"].to_list()
    named = ", ".join(f"{one:,.0f}" for one in level[:_NAMED])
    more = f" and {len(level) - _NAMED} more up to {level[-1]:,.0f}" if len(level) > _NAMED else ""
    return Evidence("statistic", REFUSED_CHART_ROWS[reason], float(len(level)), "rows", note=f"at {named}{more} mm")
