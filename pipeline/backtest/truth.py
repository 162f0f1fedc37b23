"""What is known to have been so: labels spread over the tanks that they concern, and every tank-day's standing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.errors import ArgumentError

Tables = Mapping[str, pl.DataFrame]

RATES: Final = ("tank_leak", "line_leak")
"""Causes whose size is a rate: litres over the hours that the label lasts. [l/h]"""
SIZES: Final = {
    "label_id": pl.String(), "size": pl.Float64(), "unit": pl.String(),
}  # fmt: skip
"""Columns of a table that says how large a fault was made."""


def joined_labels(frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Labels from several places under each other, in the contract's columns; of a label named twice the last.

    Raises
    ------
    ArgumentError
        If a frame lacks a column of the contract's labels.
    """
    schema = polars_schema(LAKE_TABLES["labels"])
    parts = [schema.to_frame()]
    for frame in frames:
        missing = [name for name in schema if name not in frame.columns]
        if missing:
            raise ArgumentError(f"labels have no column {missing[0]}")
        parts.append(frame.select(pl.col(name).cast(dtype) for name, dtype in schema.items()))
    return pl.concat(parts).unique("label_id", keep="last", maintain_order=True).sort("ts_start", "label_id")


def truths(labels: pl.DataFrame, tables: Tables, last_day: date, *, sizes: pl.DataFrame | None = None) -> pl.DataFrame:
    """What each confirmed label came to, one row a label and tank that it concerns.

    A label of a site concerns all its tanks, one of a joined tank its whole pool. `owner` is the first of a label's
    tanks; `size` with its `unit` is as made where `sizes` tells, a rate for leaks, litres else, null where it has none.

    Parameters
    ----------
    labels : the contract's labels
    tables : with `tanks`
    last_day : the last UTC day of data; what lasts on lasts until its end
    sizes : optional, columns `SIZES`
    """
    end = pl.col("ts_end").fill_null(_end_of(last_day))
    hours = (end - pl.col("ts_start")).dt.total_seconds() / 3600.0
    litres = pl.col("litres").abs()
    known = (
        labels.filter((pl.col("verdict") == "confirmed") & (pl.col("ts_start").dt.date() <= last_day))
        .with_columns(
            first_day=pl.col("ts_start").dt.date(),
            until=end,
            last_day=pl.min_horizontal(end.dt.date(), pl.lit(last_day)),
            lost_l=(-pl.col("litres")).clip(lower_bound=0.0).fill_null(0.0),
            _rate=pl.col("cause").is_in(RATES),
            _own=pl.when(pl.col("cause").is_in(RATES)).then(litres / hours).otherwise(litres),
        )
        .join(sizes if sizes is not None else pl.DataFrame(schema=SIZES), on="label_id", how="left")
        .with_columns(
            unit=pl.coalesce("unit", pl.when("_rate").then(pl.lit("l/h")).otherwise(pl.lit("l"))),
            size=pl.coalesce("size", "_own"),
        )
    )
    return _on_tanks(known, tables).drop("_rate", "_own")


def _end_of(day: date) -> pl.Expr:
    return pl.lit(day + timedelta(days=1)).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")


def _on_tanks(labels: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    """Labels with `tank_id` each of the tanks that they concern, and `owner` the first of these."""
    pool = pl.coalesce(
        pl.concat_str([pl.lit("m:"), "site_id", "manifold_id"]), pl.concat_str([pl.lit("t:"), "tank_id"])
    )
    tanks = tables["tanks"].select("site_id", "tank_id", pool.alias("_pool"))
    named = labels.join(tanks.select("tank_id", "_pool"), on="tank_id", how="left")
    of_pool = (
        named.filter(pl.col("_pool").is_not_null()).drop("tank_id").join(tanks.select("_pool", "tank_id"), on="_pool")
    )
    of_site = (
        named.filter(pl.col("_pool").is_null()).drop("tank_id").join(tanks.select("site_id", "tank_id"), on="site_id")
    )
    columns = labels.columns
    both = pl.concat([of_pool.select(columns), of_site.select(columns)])
    return both.with_columns(owner=pl.col("tank_id").min().over("label_id")).sort("ts_start", "label_id", "tank_id")


def tank_days_of(tables: Tables) -> pl.DataFrame:
    """Every tank and UTC day on which it is watched, first known day to last: `site_id`, `tank_id`, `day`."""
    spans = (
        tables["tank_days"]
        .drop_nulls("day")
        .group_by("tank_id")
        .agg(pl.date_ranges(pl.col("day").min(), pl.col("day").max()).alias("day"))
    )
    homes = tables["tanks"].select("site_id", "tank_id")
    return homes.join(spans.explode("day"), on="tank_id").sort("tank_id", "day")


def standing(
    days: pl.DataFrame, known: pl.DataFrame, labels: pl.DataFrame, tables: Tables, *, grace_days: int, complete: bool
) -> pl.DataFrame:
    """`days` with `is_faulty` (within a confirmed label and `grace_days` after) and `is_sound` (known to have been so).

    Sound is what lies within a label that was ruled out; with `complete`, all that is not faulty. What is neither is
    unlabelled: nobody knows.

    Parameters
    ----------
    days : as `tank_days_of` gives them
    known : as `truths` gives them
    labels : the contract's
    """
    faulty = _covered(
        known.select("tank_id", "first_day", pl.col("last_day").dt.offset_by(f"{grace_days}d").alias("last_day"))
    )
    cleared = labels.filter(pl.col("verdict") == "ruled_out").with_columns(
        first_day=pl.col("ts_start").dt.date(), last_day=pl.coalesce("ts_end", "ts_start").dt.date()
    )
    sound = _covered(_on_tanks(cleared, tables).select("tank_id", "first_day", "last_day"))
    out = days.join(faulty.with_columns(is_faulty=True), on=["tank_id", "day"], how="left").join(
        sound.with_columns(is_sound=True), on=["tank_id", "day"], how="left"
    )
    is_faulty, is_sound = pl.col("is_faulty").fill_null(False), pl.col("is_sound").fill_null(False)
    return out.with_columns(is_faulty=is_faulty, is_sound=(is_sound | pl.lit(complete)) & ~is_faulty).sort(
        "tank_id", "day"
    )


def _covered(spans: pl.DataFrame) -> pl.DataFrame:
    if not spans.height:
        return pl.DataFrame(schema={"tank_id": pl.String, "day": pl.Date})
    days = spans.with_columns(day=pl.date_ranges("first_day", "last_day"))
    return days.explode("day").select("tank_id", "day").drop_nulls().unique()
