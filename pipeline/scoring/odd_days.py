"""The fleet's days through the isolation forest: scores for the day sheet, and the days that call for a look."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from pipeline.estimate.kept import Shelf
from pipeline.scoring.forest import ALARM_BUDGET, Period, forest_scores
from pipeline.scoring.physics import ANOMALOUS_AT

FEATURES: Final = (
    "residual_l",
    "idle_excess_l_per_h",
    "surprise_sum",
    "surprise_spread",
    "drop_mismatch_l",
    "meter_residual_pct",
    "water_change_mm",
    "density_change_kg_m3",
    "gap_hours",
    "bad_share",
    "scatter_mm",
    "clock_lag_s",
)
"""What the forest looks at, each standardised on the tank's own past and with what physics explained taken out."""


@dataclass(frozen=True)
class OddDay:
    """A unit's trading day that the forest finds odd and physics does not explain.

    `day` the UTC day number of its run, `start_s` to `end_s` the day; `p` its conformal p-value; `drivers` the features
    that make it odd, each with the drop in score without it and with its z, the highest first.
    """

    unit_id: str
    site_id: str
    trading_day: date
    day: int
    start_s: float
    end_s: float
    score: float
    p: float
    drivers: tuple[tuple[str, float, float], ...]


def unit_day_features(unit_days: pl.DataFrame, features: pl.DataFrame) -> pl.DataFrame:
    """`unit_days` with a column of z for each of `FEATURES`: of joined tanks and of several meters the farthest from 0.

    Reads of `unit_days`: unit_id, tank_id, trading_day; of `features`: tank_id, trading_day, name, z.
    """
    base = pl.col("name").str.split(":").list.first()
    far = (
        features.with_columns(name=base)
        .filter(pl.col("name").is_in(FEATURES) & pl.col("z").is_not_null())
        .join(unit_days.select("unit_id", "tank_id", "trading_day"), on=["tank_id", "trading_day"])
        .group_by("unit_id", "trading_day", "name")
        .agg(pl.col("z").sort_by(pl.col("z").abs(), "z").last())
    )
    wide = far.pivot(on="name", index=["unit_id", "trading_day"], values="z")
    missing = [pl.lit(None, pl.Float64).alias(name) for name in FEATURES if name not in wide.columns]
    units = unit_days.drop("tank_id").unique(["unit_id", "trading_day"], keep="first")
    joined = units.join(wide.with_columns(missing), on=["unit_id", "trading_day"], how="left")
    return joined.sort("run_day", "unit_id", "trading_day")


def with_forest(
    tank_days: pl.DataFrame, unit_days: pl.DataFrame, features: pl.DataFrame, periods: Shelf[Period] | None = None
) -> tuple[pl.DataFrame, list[OddDay]]:
    """The fleet's `tank_days` with forest_score and is_anomalous, and the odd days that physics leaves unexplained.

    Parameters
    ----------
    tank_days, features : the fleet's tables
    unit_days : frame
        A row a tank and trading day that is over: unit_id, site_id, tank_id, trading_day, run_day, start_s, end_s,
        physics_score.
    periods : Shelf, optional
        What was kept of periods that were scored before.
    """
    rows = unit_day_features(unit_days, features)
    explained = (rows["physics_score"].fill_null(0.0) >= ANOMALOUS_AT).to_numpy()
    scored = forest_scores(
        rows.select(FEATURES).to_numpy().astype(np.float64),
        rows["run_day"].to_numpy(),
        FEATURES,
        ordinary=~explained,
        periods=periods,
    )
    judged = rows.select("unit_id", "trading_day").with_columns(forest_score=scored.score, _p=scored.p)
    by_tank = judged.join(unit_days.select("unit_id", "tank_id", "trading_day"), on=["unit_id", "trading_day"])
    odd = (pl.col("physics_score") >= ANOMALOUS_AT) | (pl.col("_p") <= ALARM_BUDGET)
    sheet = (
        tank_days.drop("forest_score", "is_anomalous")
        .join(by_tank.drop("unit_id"), on=["tank_id", "trading_day"], how="left", maintain_order="left")
        .with_columns(pl.col("forest_score", "_p").fill_nan(None))
        .with_columns(is_anomalous=odd.fill_null(False))
        .drop("_p")
    )
    found = [
        _odd_day(row, scored.score[place], scored.p[place], scored.drivers[place])
        for place, row in enumerate(rows.iter_rows(named=True))
        if place in scored.drivers and not (row["physics_score"] or 0.0) >= ANOMALOUS_AT
    ]
    return sheet.select(tank_days.columns), found


def _odd_day(row: Mapping[str, object], score: float, p: float, drivers: tuple[tuple[str, float], ...]) -> OddDay:
    values = {name: float(str(row[name])) if row[name] is not None else 0.0 for name, _ in drivers}
    day = row["trading_day"]
    assert isinstance(day, date)
    return OddDay(
        unit_id=str(row["unit_id"]),
        site_id=str(row["site_id"]),
        trading_day=day,
        day=int(str(row["run_day"])),
        start_s=float(str(row["start_s"])),
        end_s=float(str(row["end_s"])),
        score=float(score),
        p=float(p),
        drivers=tuple((name, drop, values[name]) for name, drop in drivers),
    )
