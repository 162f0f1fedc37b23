"""Alarms against what is known: which say the same thing again, which found something, which were false."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl

PLACE = ("site_id", "tank_id", "cause", "meter_id", "delivery_id")


def episodes(alarms: pl.DataFrame, *, mute_days: int) -> pl.DataFrame:
    """The alarms that somebody is woken by: after one, the same place and cause is mute for `mute_days`.

    Each has, beside the alarm's columns, `episode` (a number that is the same from run to run), `days` on which the
    rule said so before the mute ended, and `peak`, the highest score of these.
    """
    rows = alarms.sort(*PLACE, "day", nulls_last=True)
    starts: list[int] = []
    place: tuple[object, ...] | None = None
    opened = date.min
    for number, row in enumerate(rows.select(*PLACE, "day").iter_rows()):
        if row[:-1] != place or row[-1] >= opened + timedelta(days=mute_days):
            place, opened = row[:-1], row[-1]
            starts.append(number)
    at = pl.Series("_start", [number in set(starts) for number in range(rows.height)], dtype=pl.Boolean)
    grouped = rows.with_columns(at.cum_sum().alias("_episode"))
    merged = grouped.group_by("_episode", maintain_order=True).agg(
        pl.col(rows.columns).first(), pl.len().cast(pl.Int64).alias("days"), pl.col("score").max().alias("peak")
    )
    ordered = merged.drop("_episode").sort("day", *PLACE, nulls_last=True)
    return ordered.with_row_index("episode").with_columns(pl.col("episode").cast(pl.Int64))


def judged(
    alarms: pl.DataFrame, known: pl.DataFrame, days: pl.DataFrame, causes: Sequence[str], *, grace_days: int
) -> pl.DataFrame:
    """The episodes with what became of them.

    Adds `verdict`: `found` something of the rule's `causes` (all, where none), `other` when the fault was another,
    `false` on time known to be sound, `unlabelled` where nobody knows, `unwatched` where the tank has no such day;
    `label_id` of what it found, and `is_right` where that has the alarm's own cause. Of several labels the one of the
    alarm's cause counts, then one in scope, then the latest.

    Parameters
    ----------
    alarms : as `episodes` gives them
    known : as `truths` gives them
    days : as `standing` gives them
    """
    hits = _hits(alarms, known, days, causes, grace_days=grace_days)
    placed = _at_tanks(alarms, days).join(days, on=["tank_id", "day"], how="left")
    ground = placed.group_by("episode").agg(
        pl.col("is_sound").drop_nulls().all(), pl.col("is_sound").count().alias("_n")
    )
    out = alarms.join(hits, on="episode", how="left").join(ground, on="episode", how="left")
    return out.with_columns(verdict=_verdict()).drop("in_scope", "is_sound", "_n").sort("episode")


def _hits(
    alarms: pl.DataFrame, known: pl.DataFrame, days: pl.DataFrame, causes: Sequence[str], *, grace_days: int
) -> pl.DataFrame:
    """The label that each episode hit, where it did: `episode`, `label_id`, `is_right`, `in_scope`."""
    return (
        _at_tanks(alarms, days)
        .join(
            known.select(
                "tank_id", "label_id", pl.col("cause").alias("true_cause"), "first_day", "last_day", "ts_start"
            ),
            on="tank_id",
        )
        .filter(
            (pl.col("day") >= pl.col("first_day"))
            & (pl.col("day") <= pl.col("last_day").dt.offset_by(f"{grace_days}d"))
        )
        .with_columns(
            is_right=pl.col("true_cause") == pl.col("cause"),
            in_scope=pl.col("true_cause").is_in(list(causes)) if causes else pl.lit(True),
        )
        .sort("is_right", "in_scope", "ts_start", "label_id", descending=[True, True, True, False])
        .unique("episode", keep="first", maintain_order=True)
        .select("episode", "label_id", "is_right", "in_scope")
    )


def _verdict() -> pl.Expr:
    """What became of an alarm, by the label that it hit and by what is known of its tanks' day."""
    return (
        pl.when("in_scope")
        .then(pl.lit("found"))
        .when(pl.col("label_id").is_not_null())
        .then(pl.lit("other"))
        .when(pl.col("_n").fill_null(0) == 0)
        .then(pl.lit("unwatched"))
        .when("is_sound")
        .then(pl.lit("false"))
        .otherwise(pl.lit("unlabelled"))
    )


def _at_tanks(alarms: pl.DataFrame, days: pl.DataFrame) -> pl.DataFrame:
    """Each alarm at the tank that it names, or at all of its site: `episode`, `cause`, `day`, `tank_id`."""
    short = alarms.select("episode", "cause", "day", "tank_id", "site_id")
    own = short.filter(pl.col("tank_id").is_not_null()).drop("site_id")
    homes = days.select("tank_id", "site_id").unique().sort("tank_id")
    whole = short.filter(pl.col("tank_id").is_null()).drop("tank_id").join(homes, on="site_id")
    return pl.concat([own, whole.select(own.columns)])


def found(known: pl.DataFrame, alarms: pl.DataFrame, causes: Sequence[str]) -> pl.DataFrame:
    """What there was to find, one row a label of the rule's causes, and how it went.

    Adds `is_found`, `found_on`, `delay_days` (to the end of the alarm's day; null where it was not found),
    `watched_days` (from its start to the end of its last day), `score`, `is_right`, and of the litres lost `before_l`
    until the alarm and `saved_l` after it, in proportion to time.

    Parameters
    ----------
    known : as `truths` gives them
    alarms : as `judged` gives them
    """
    mine = known.filter(pl.col("cause").is_in(list(causes))) if causes else known
    mine = mine.filter(pl.col("tank_id") == pl.col("owner"))
    found_s, watched_s = (
        (_end_of_day(day) - pl.col("ts_start")).dt.total_seconds() for day in ("found_on", "last_day")
    )
    length = (pl.col("until") - pl.col("ts_start")).dt.total_seconds().clip(lower_bound=1)
    share = (found_s / length).clip(0.0, 1.0).fill_null(1.0)
    return (
        mine.join(_first_alarms(alarms), on="label_id", how="left")
        .with_columns(
            is_found=pl.col("found_on").is_not_null(),
            is_right=pl.col("is_right").fill_null(False),
            delay_days=found_s / 86_400.0,
            watched_days=watched_s / 86_400.0,
            before_l=pl.col("lost_l") * share,
            saved_l=pl.col("lost_l") * (1.0 - share),
        )
        .sort("ts_start", "label_id")
    )


def _first_alarms(alarms: pl.DataFrame) -> pl.DataFrame:
    """The first alarm of each label that was found: `label_id`, `found_on`, `score`, `is_right` of any, `episode`."""
    return (
        alarms.filter(pl.col("verdict") == "found")
        .sort("day", "episode")
        .group_by("label_id", maintain_order=True)
        .agg(
            pl.col("day").first().alias("found_on"),
            pl.col("score").first(),
            pl.col("is_right").any().alias("is_right"),
            pl.col("episode").first(),
        )
    )


def _end_of_day(day: str) -> pl.Expr:
    """The instant at which a column's UTC day ends."""
    return pl.col(day).dt.offset_by("1d").cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
