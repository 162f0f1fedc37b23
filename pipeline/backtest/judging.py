"""A trial's alarms in every world of a study, against what is known there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.backtest.injection.run import MARK
from pipeline.backtest.match import episodes, found, judged
from pipeline.backtest.metrics import Judged
from pipeline.backtest.replay import KEY
from pipeline.backtest.study import BASE, Study, Trial
from pipeline.backtest.truth import standing, tank_days_of, truths
from pipeline.backtest.worlds import alarms_path, world_days, world_folder, world_labels, world_tables


@dataclass(frozen=True)
class World:
    """What is known of a history, or of a copy with faults in it.

    `known` and `days` are as `truths` and `standing` give them; in a copy `known` are the faults put in alone, and
    `left_out` those that no tank could hold.
    """

    name: str
    folder: str
    labels: pl.DataFrame
    known: pl.DataFrame
    days: pl.DataFrame
    tank_days: pl.DataFrame
    last_day: date
    left_out: pl.DataFrame


def world_of(study: Study, name: str, data: str) -> World:
    """What is known of a world that was prepared."""
    folder = world_folder(study, name, data)
    tables = world_tables(folder)
    last = world_days(tables)[-1]
    labels = world_labels(study, folder, name)
    known = truths(labels, tables, last, sizes=pl.read_parquet(folder / "sizes.parquet"))
    options = study.options
    days = tank_days_of(tables).filter(pl.col("day") <= last)
    stood = standing(days, known, labels, tables, grace_days=options.grace_days, complete=options.is_complete)
    if name != BASE:
        known = known.filter(pl.col("label_id").str.starts_with(MARK))
    left_out = pl.read_parquet(folder / "left_out.parquet").select(pl.lit(name).alias("world"), pl.all())
    return World(name, str(folder), labels, known, stood, tables["tank_days"], last, left_out)


def judge(study: Study, trial: Trial, worlds: Sequence[World], data: str) -> Judged:
    """A trial judged: alarms and tank-days of the history itself, and what was found in it and in its copies.

    In a copy, what the rule says of the history without the fault does not count as finding it.
    """
    causes, options = trial.rule.causes, study.options
    parts, alarms, usual = [], pl.DataFrame(), pl.DataFrame()
    for world in worlds:
        rows = pl.read_parquet(alarms_path(world_folder(study, world.name, data), trial))
        if world.name == BASE:
            usual = rows
        else:
            rows = rows.join(usual, on=list(KEY), how="anti", nulls_equal=True)
        raised = episodes(rows, mute_days=options.mute_days)
        seen = judged(raised, world.known, world.days, causes, grace_days=options.grace_days)
        if world.name == BASE:
            alarms = seen
        parts.append(
            found(world.known, seen, causes).with_columns(
                world=pl.lit(world.name), is_put_in=pl.lit(world.name != BASE)
            )
        )
    return Judged(alarms, pl.concat(parts), worlds[0].days)
