"""What a fleet's calibrated charts come to as tables, and whether each is worth a new one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, Protocol, TypeVar

import numpy as np
import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.estimate.chart import ChartCalibration, JudgeableChart
from pipeline.estimate.chart_closing import sold_l_per_month
from pipeline.estimate.chart_columns import TOLERANCE_PCT

Row = dict[str, Any]

SURE: Final = 0.9
LIKELY: Final = 0.5
"""A chart is worth a new table from the first of these probabilities of being wrong on, and may be wrong from the
second. Common practice, no source."""
LEAST_PCT: Final = 0.05
"""A chart that puts less of the sales into daily variance is not worth a table. No source. [%]"""
BINS: Final = 60
HOURS_A_DIP: Final = 0.5
"""Bars of the page that shows at which levels a tank stood, and the time that each dip stands for. [h]"""
_L_ROUND: Final = 2

_UTC: Final = pl.Datetime("us", "UTC")
CHARTS: Final = pl.Schema(
    {
        "tank_id": pl.String(), "verdict": pl.String(), "reason": pl.String(), "days": pl.Int64(),
        "low_mm": pl.Float64(), "high_mm": pl.Float64(), "wrong": pl.Float64(),
        "sold_l": pl.Float64(), "daily_l": pl.Float64(), "daily_pct": pl.Float64(),
        "off_low_mm": pl.Float64(), "off_high_mm": pl.Float64(), "off_l": pl.Float64(), "off_sd_l": pl.Float64(),
        "stray_l": pl.Float64(), "stray_corrected_l": pl.Float64(),
        "stray_between_drops_l": pl.Float64(), "stray_between_drops_corrected_l": pl.Float64(),
    }
)  # fmt: skip
"""One row is a tank: `verdict` and, where it is `untold`, the `reason`; the probability that the chart is
`wrong`, which is off by more than `TOLERANCE_PCT` of the tank between two levels seen; litres a month sold and put into
daily variance by the chart; the two levels between which it is off most, and by how much (litres that it lacks); how
far the cumulative variance strays by the site's chart and by the corrected one."""
FIGURES: Final = pl.Schema(
    {"tank_id": pl.String(), "name": pl.String(), "value": pl.Float64(), "low": pl.Float64(), "high": pl.Float64(),
     "is_told": pl.Boolean(), "note": pl.String()}
)  # fmt: skip
LEVELS: Final = pl.Schema(
    {"tank_id": pl.String(), "level_mm": pl.Float64(), "chart_l": pl.Float64(), "corrected_l": pl.Float64(),
     "sd_l": pl.Float64(), "is_visited": pl.Boolean(), "remainder_l": pl.Float64(), "remainder_sd_l": pl.Float64()}
)  # fmt: skip
STRETCHES: Final = pl.Schema(
    {"tank_id": pl.String(), "ts_start": _UTC, "ts_end": _UTC, "start_mm": pl.Float64(), "end_mm": pl.Float64(),
     "sold_l": pl.Float64(), "variance_l": pl.Float64(), "corrected_variance_l": pl.Float64()}
)  # fmt: skip
VISITS: Final = pl.Schema({"tank_id": pl.String(), "level_mm": pl.Float64(), "hours": pl.Float64()})
FILLS: Final = pl.Schema({"tank_id": pl.String(), "start_mm": pl.Float64(), "end_mm": pl.Float64()})
TABLE: Final = pl.Schema({**polars_schema(LAKE_TABLES["strapping"]), "volume_sd_l": pl.Float64()})
"""A corrected chart: the contract's `strapping` with the SD of each row's litres beside it."""


def chart_frames(
    charts: Sequence[JudgeableChart], found: Sequence[ChartCalibration], reasons: Mapping[str, str]
) -> dict[str, pl.DataFrame]:
    """What was found by name: `charts`, `figures`, `levels`, `stretches`, `visits`, `fills`, each as its schema says.

    Parameters
    ----------
    charts, found : sequences of the same length
        The charts that could be judged, and what each came to.
    reasons : mapping of tank_id to str
        Why others could not.
    """
    rows = [_chart_row(chart, one) for chart, one in zip(charts, found, strict=True)]
    rows += [{"tank_id": name, "verdict": "untold", "reason": why} for name, why in reasons.items()]
    ordered = pl.DataFrame(rows, schema=CHARTS).sort("tank_id")
    return {
        "charts": ordered.sort("daily_l", descending=True, nulls_last=True, maintain_order=True),
        "figures": _stacked(found, _figures, FIGURES),
        "levels": _stacked(found, _levels, LEVELS),
        "stretches": _stacked(found, _stretches, STRETCHES),
        "visits": _stacked(charts, _visits, VISITS),
        "fills": _stacked(charts, _fills, FILLS),
    }


def corrected_tables(
    found: Sequence[ChartCalibration], valid_from: datetime, *, step_mm: int | None = None
) -> pl.DataFrame:
    """The corrected charts as `TABLE`, at the site's own levels and every `step_mm` between, from an instant on."""

    def table(one: ChartCalibration) -> Row:
        rows = one.correction.at(one.correction.table_levels_mm(step_mm))
        return {
            "valid_from": valid_from,
            "level_mm": rows.level_mm,
            "volume_l": np.round(rows.corrected_l, _L_ROUND),
            "volume_sd_l": np.round(rows.sd_l, _L_ROUND),
        }

    return _stacked(found, table, TABLE)


def verdict_of(wrong: float, daily_pct: float) -> str:
    """`new_table` where the chart is surely wrong and costs something, `may_be_wrong`, or `no_new_table`.

    Parameters
    ----------
    wrong : float
        Probability that the chart is wrong.
    daily_pct : float
        Share of the sales that it puts into daily variance. [%]
    """
    if wrong < LIKELY or daily_pct < LEAST_PCT:
        return "no_new_table"
    return "new_table" if wrong >= SURE else "may_be_wrong"


def _chart_row(chart: JudgeableChart, found: ChartCalibration) -> Row:
    closing, widest = found.closing, found.widest
    full_l = float(chart.model.nominal_l(np.array([chart.model.tank.depth_mm]))[0])
    wrong = widest.chance_beyond(TOLERANCE_PCT / 100.0 * full_l)
    sold_l = sold_l_per_month(chart.data)
    daily_pct = 100.0 * found.daily_l / sold_l if sold_l > 0.0 else 0.0
    return {
        "tank_id": found.tank_id,
        "verdict": verdict_of(wrong, daily_pct),
        "days": found.days,
        "low_mm": found.span_mm[0],
        "high_mm": found.span_mm[1],
        "wrong": wrong,
        "sold_l": sold_l,
        "daily_l": found.daily_l,
        "daily_pct": daily_pct,
        "off_low_mm": widest.low_mm,
        "off_high_mm": widest.high_mm,
        "off_l": widest.litres,
        "off_sd_l": widest.sd_l,
        "stray_l": closing.before_l,
        "stray_corrected_l": closing.after_l,
        "stray_between_drops_l": closing.between_drops_before_l,
        "stray_between_drops_corrected_l": closing.between_drops_after_l,
    }


def _figures(found: ChartCalibration) -> Row:
    return {
        "name": [one.name for one in found.estimates],
        "value": np.array([one.value for one in found.estimates]),
        "low": np.array([one.low for one in found.estimates]),
        "high": np.array([one.high for one in found.estimates]),
        "is_told": [one.is_identified for one in found.estimates],
        "note": [one.note for one in found.estimates],
    }


def _levels(found: ChartCalibration) -> Row:
    return dict(vars(found.corrected))


def _stretches(found: ChartCalibration) -> Row:
    several = found.stretches

    def instants(seconds: list[float]) -> pl.Series:
        return pl.Series([int(1e6 * at) for at in seconds], dtype=pl.Int64).cast(_UTC)

    return {
        "ts_start": instants([one.start_s for one in several]),
        "ts_end": instants([one.end_s for one in several]),
        "start_mm": [one.start_mm for one in several],
        "end_mm": [one.end_mm for one in several],
        "sold_l": [one.sold_l for one in several],
        "variance_l": [one.before_l for one in several],
        "corrected_variance_l": [one.after_l for one in several],
    }


def _visits(chart: JudgeableChart) -> Row:
    """Hours at rest by level, in equal bins over the tank's depth; bins without any are left out."""
    count, edges = np.histogram(chart.data.level_mm, BINS, (0.0, chart.model.tank.depth_mm))
    been = count > 0
    return {"level_mm": ((edges[1:] + edges[:-1]) / 2.0)[been], "hours": HOURS_A_DIP * count[been]}


def _fills(chart: JudgeableChart) -> Row:
    return {"start_mm": chart.filled_mm[:, 0], "end_mm": chart.filled_mm[:, 1]}


class _OfATank(Protocol):
    """Something of one tank."""

    @property
    def tank_id(self) -> str:
        """Whose."""
        ...


T = TypeVar("T", bound=_OfATank)


def _stacked(items: Sequence[T], row_of: Callable[[T], Row], schema: pl.Schema) -> pl.DataFrame:
    """The tanks' rows under each other, columns of one tank given as arrays or as a value for all."""
    frames = [schema.to_frame()]
    for one in items:
        columns = row_of(one)
        frame = pl.DataFrame({name: column for name, column in columns.items() if not isinstance(column, datetime)})
        alike: Row = {name: column for name, column in columns.items() if isinstance(column, datetime)}
        alike["tank_id"] = one.tank_id
        filled = frame.with_columns(pl.lit(value).alias(name) for name, value in alike.items())
        frames.append(filled.select(pl.col(name).cast(dtype) for name, dtype in schema.items()))
    return pl.concat(frames).with_columns(pl.selectors.float().fill_nan(None))
