"""The steps of a backtest that take long, each leaving its work on disk: a world's tables, a trial's alarms.

A step that finds its work done already does nothing, so a backtest that was broken off goes on where it stopped.
"""

from __future__ import annotations

import logging
import shutil
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.backtest.asof import READABLE, Tables, as_of_tables
from pipeline.backtest.injection.lake import inject_lake
from pipeline.backtest.injection.run import REFUSED, Injected
from pipeline.backtest.replay import replay
from pipeline.backtest.study import BASE, Study, Trial, trial_id, world_digest
from pipeline.backtest.truth import SIZES, joined_labels
from pipeline.backtest.verdicts import labels_of_store
from pipeline.errors import ArgumentError
from pipeline.lake import read_labels
from pipeline.stages import Run, analyse_lake, load
from pipeline.store import open_store

_LOG = logging.getLogger("tankdrift.backtest")

WORK: Final = "work"
DONE: Final = "done"


def world_folder(study: Study, world: str, data: str) -> Path:
    """Where a world's work lies."""
    return study.folder / WORK / f"{world}-{world_digest(study, world, data)[:12]}"


def prepare(study: Study, world: str, data: str) -> Path:
    """The folder of a world, after making its tables as rules see them; `data` is the lake's digest.

    Raises
    ------
    LakeError
        If the lake is unusable.
    """
    folder = world_folder(study, world, data)
    if (folder / DONE).is_file():
        return folder
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    if world == BASE:
        made, sizes, refused = analysed(study.lake, study.out), pl.DataFrame(schema=SIZES), REFUSED.to_frame()
    else:
        _LOG.info("putting faults into %s", world)
        injected = _inject(study, world, folder / "lake")
        sizes, refused = injected.sizes, injected.left_out()
        made = analysed(folder / "lake", folder / "run")
        shutil.rmtree(folder / "run")
        _keep_labels_alone(folder / "lake")
    for name, frame in as_of_tables(made).items():
        frame.write_parquet(folder / f"{name}.parquet")
    sizes.write_parquet(folder / "sizes.parquet")
    refused.write_parquet(folder / "left_out.parquet")
    (folder / DONE).touch()
    return folder


def analysed(lake: Path, out: Path) -> Tables:
    """Tables of a lake and of the run over it that rules are shown, the run made where its store is not up to date."""
    run = Run(lake, out)
    out.mkdir(parents=True, exist_ok=True)
    load(run)
    analyse_lake(run)
    with open_store(out, read_only=True) as store:
        return {name: store.table(name) for name in READABLE}


def _inject(study: Study, world: str, place: Path) -> Injected:
    if study.faults is None:
        raise ValueError(f"study has no world {world}")
    seed = 10_000 * study.faults.seed + study.worlds.index(world)
    return inject_lake(study.lake, place, study.faults.wanted, seed=seed)


def _keep_labels_alone(lake: Path) -> None:
    for path in lake.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
        elif path.name != "labels.parquet":
            path.unlink()


def world_tables(folder: Path) -> Tables:
    """A world's tables as rules see them."""
    return {name: pl.read_parquet(folder / f"{name}.parquet") for name in READABLE}


def world_days(tables: Mapping[str, pl.DataFrame]) -> list[date]:
    """UTC days on which rules are asked: from the first that anything is known of to the last with readings.

    Raises
    ------
    ArgumentError
        If there is no such day.
    """
    firsts = pl.concat([tables[name]["day"].drop_nulls() for name in ("tank_days", "ledger", "health")])
    first, last = firsts.min(), tables["health"]["day"].max()
    if not isinstance(first, date) or not isinstance(last, date):
        raise ArgumentError("the lake holds too little to ask a rule about a single day")
    return pl.date_range(first, last, eager=True).to_list()


def world_labels(study: Study, folder: Path, world: str) -> pl.DataFrame:
    """What is known of a world: the lake's labels, verdicts given on cases, further files, and faults put in."""
    frames = [read_labels(study.lake) if world == BASE else pl.read_parquet(folder / "lake" / "labels.parquet")]
    frames.append(labels_of_store(study.out))
    for path in study.labels:
        try:
            frames.append(pl.read_parquet(path))
        except (OSError, pl.exceptions.PolarsError) as error:
            raise ArgumentError(f"{path}: labels cannot be read from it") from error
    return joined_labels(frames)


def alarms_path(folder: Path, trial: Trial) -> Path:
    """Where a trial's alarms in a world lie."""
    return folder / "alarms" / f"{trial_id(trial)}.parquet"


def ask(study: Study, world: str, trial: Trial, data: str) -> Path:
    """Where a trial's alarms in a world lie, after walking its rule through it.

    Raises
    ------
    RefusedRuleError
        If the rule sees tomorrow, or does not give what a rule gives.
    """
    folder = prepare(study, world, data)
    path = alarms_path(folder, trial)
    if path.is_file():
        return path
    tables = world_tables(folder)
    rule = trial.rule
    _LOG.info("asking %s in %s", trial_id(trial), world)
    alarms = replay(rule, trial.parameters, tables, world_days(tables))
    path.parent.mkdir(exist_ok=True)
    beside = path.with_suffix(".new")
    alarms.write_parquet(beside)
    beside.replace(path)
    return path
