"""The whole of a backtest, step by step; the plain twin of the Prefect flow."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.backtest.page import write_page
from pipeline.backtest.results import collected
from pipeline.backtest.study import Study, lake_digest
from pipeline.backtest.worlds import ask, prepare
from pipeline.run_folder import held
from pipeline.stages import Run, require_places

_LOG = logging.getLogger("tankdrift.backtest")

TABLES: Final = (
    "results", "alarms", "truths", "power", "curves", "comparisons", "divided", "power_map", "review",
    "left_out",
)  # fmt: skip
"""Tables that a backtest leaves as Parquet."""


def run_backtest(study: Study, *, workers: int = 1) -> Mapping[str, pl.DataFrame]:
    """Tables of a backtest, after making its worlds, asking its rules and writing what it came to.

    The number of workers changes how long it takes and nothing else.

    Raises
    ------
    TankdriftError
        If the lake or a rule cannot be used, or another run is at work in the folder.
    """
    require_places(Run(study.lake, study.out))
    with held(study.out), ThreadPoolExecutor(workers) as pool:
        data = begun(study)
        for _ in pool.map(lambda world: prepare(study, world, data), study.worlds):
            pass
        asked = [(world, trial) for world in study.worlds for trial in study.trials]
        for _ in pool.map(lambda one: ask(study, one[0], one[1], data), asked):
            pass
        return finished(study, data)


def begun(study: Study) -> str:
    """Hash of the lake's data, after making the folder of the backtest."""
    study.folder.mkdir(parents=True, exist_ok=True)
    return lake_digest(study.lake)


def finished(study: Study, data: str) -> Mapping[str, pl.DataFrame]:
    """Tables of a backtest whose steps are done, after writing them and the page."""
    _LOG.info("adding up")
    frames = collected(study, data)
    for name in TABLES:
        _write(frames[name], study.folder / f"{name}.parquet")
    write_page(frames, study)
    return frames


def _write(frame: pl.DataFrame, path: Path) -> None:
    beside = path.with_name(f".{path.name}.new")
    frame.write_parquet(beside, compression="zstd")
    beside.replace(path)
