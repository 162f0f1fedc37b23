"""Which case found which label, and which found none: same cause, same place, times that meet within two days.

A place is the tank, or any of those that a siphon joins to it; for `clock_skew` the site; where the label names a
meter, that too.
"""

from datetime import UTC, date, datetime, time, timedelta

import polars as pl

SLACK = timedelta(days=2)
SURE = 0.5
"""A case counts from this probability on."""


def true_labels(labels: pl.DataFrame) -> pl.DataFrame:
    """What was confirmed."""
    return labels.filter(pl.col("verdict") == "confirmed").sort("ts_start", "label_id")


def matched(cases: pl.DataFrame, labels: pl.DataFrame, tanks: pl.DataFrame, *, last_day: date) -> pl.DataFrame:
    """Every pair of a case and a confirmed label that it found: case_id, label_id and both rows' figures.

    Columns of the label end in `_true`.
    """
    end = datetime.combine(last_day + timedelta(days=1), time(), UTC)
    pool = tanks.select("tank_id", pool=pl.coalesce(pl.concat_str("site_id", pl.lit("/"), "manifold_id"), "tank_id"))
    here = _placed(cases, pool).with_columns(_until=pl.col("ts_end").fill_null(end))
    there = _placed(true_labels(labels), pool).with_columns(_until=pl.col("ts_end").fill_null(end))
    pairs = here.join(there, on=["cause", "place"], suffix="_true")
    begun = pl.col("ts_start") <= pl.col("_until_true") + SLACK
    lasts = pl.col("_until") >= pl.col("ts_start_true") - SLACK
    meter = pl.col("meter_id_true").is_null() | (pl.col("meter_id") == pl.col("meter_id_true")).fill_null(value=False)
    kept = pairs.filter(begun & lasts & meter)
    return kept.drop("_until", "_until_true", "pool", "pool_true").sort("label_id", "case_id")


def _placed(frame: pl.DataFrame, pool: pl.DataFrame) -> pl.DataFrame:
    """The rows with `place`: the pool of their tank, or their site where they name no tank."""
    known = frame.join(pool, on="tank_id", how="left", maintain_order="left")
    return known.with_columns(place=pl.coalesce("pool", "site_id"))


def found_labels(pairs: pl.DataFrame) -> pl.DataFrame:
    """The surest case of each label that one above `SURE` found."""
    sure = pairs.filter(pl.col("probability") > SURE)
    return sure.sort("label_id", "probability", "raised_on", descending=[False, True, False]).unique(
        "label_id", keep="first", maintain_order=True
    )


def false_cases(cases: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Cases above `SURE` that found no label under its own name."""
    right = pairs["case_id"].unique().to_list()
    return cases.filter((pl.col("probability") > SURE) & ~pl.col("case_id").is_in(right))
