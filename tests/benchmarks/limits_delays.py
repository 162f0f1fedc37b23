"""How soon a fault is named under its own name, cause by cause; and which faults could be told at all."""

from collections.abc import Sequence
from datetime import timedelta
from functools import cache

import numpy as np
import polars as pl

from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.liquids import GROWS_S
from pipeline.backtest.injection.run import inject
from pipeline.backtest.intervals import median_wait, share_interval, waiting_curve
from pipeline.simulate import FleetSettings, simulate_fleet
from tests.benchmarks.detection import Judged, judged
from tests.benchmarks.limits_above import above_limit, above_lines
from tests.benchmarks.limits_fleets import START, Figure, contract
from tests.support.fleets import Tables, clean
from tests.support.injected import pools, sound_fleet

TANKS, DAYS = 22, 90
PUT_IN = (
    ("bulk_theft", 400.0, 0),
    ("missing_ticket", 1000.0, 0),
    ("phase_separation", 40.0, 0),
    ("tank_leak", 0.757, 4),
    ("meter_drift", 0.5, 14),
)
"""Cause, size, and within how many days its median is wanted; 0 is the same day."""
LEARNED = timedelta(days=31)
LASTS_DAYS = 56


@cache
def faulty(seed: int) -> tuple[Judged, Tables]:
    """A fleet with each cause about once, what a run makes of it, and the truth."""
    frames = simulate_fleet(
        TANKS, DAYS, seed=seed, settings=FleetSettings(fault_rate=17.0 / TANKS, second_fault_share=0.0)
    )
    return judged(f"seed {seed}", clean(frames), frames["labels"]), frames


def put_in(seed: int, cause: str, size: float) -> pl.DataFrame:
    """A fault of one kind in every tank of a sound fleet after a month: label_id, ts_start, raised_on where named."""
    frames = sound_fleet(10, LASTS_DAYS, seed=seed)
    rng = np.random.default_rng(seed)
    start = (frames["readings"]["ts"].min() + LEARNED).timestamp()
    faults = [Injection(cause, tank, start + float(rng.uniform(0.0, 86_400.0)), size) for tank in pools(frames)]
    made = inject(contract(frames), faults, seed=seed).frames
    one = judged(f"{cause} {seed}", clean(made), made["labels"])
    labels = one.truth.select("label_id", "cause", "ts_start")
    return labels.join(one.found.select("label_id", "raised_on"), on="label_id", how="left")


def _delays(rows: pl.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Days until each was named, or until the data end, and whether it was."""
    last = START + timedelta(days=LASTS_DAYS)
    named = rows["raised_on"].is_not_null().to_numpy()
    wait = (rows["raised_on"].fill_null(last) - rows["ts_start"].dt.date()).dt.total_days().to_numpy()
    return wait.astype(float), named


def delays(seeds: Sequence[int]) -> list[Figure]:
    """The lines of delays: faults of one size in every tank of a sound fleet, then those that fleets drew."""
    lines = []
    for cause, size, days in PUT_IN:
        rows = pl.concat(put_in(seed, cause, size) for seed in seeds)
        if cause == "phase_separation":  # it splits when its water has grown so long
            rows = rows.with_columns(pl.col("ts_start") + pl.duration(seconds=GROWS_S))
        wait, named = _delays(rows)
        middle = median_wait(*waiting_curve(wait, named)) if len(wait) else np.nan
        low, high = share_interval(int(named.sum()), len(named))
        soon = np.mean(named & (wait <= days))
        said = f"{middle:g} d; {soon:.2f} by then; named {named.sum()} of {len(named)} ({low:.2f} to {high:.2f})"
        lines.append(Figure(f"{cause} of {size:g}: median days until named", said, f"<= {days}", middle <= days))
    found = pl.concat(faulty(seed)[0].found.select("cause", "raised_on", "ts_start_true") for seed in seeds)
    late = (found["raised_on"] - found["ts_start_true"].dt.date()).dt.total_days()
    table = found.with_columns(late=late).group_by("cause").agg(pl.col("late").median(), pl.len()).sort("cause")
    lines += [
        Figure(
            f"   in fleets with all causes, of those named: {row['cause']}", f"{row['late']:g} d of {row['len']}", "-"
        )
        for row in table.iter_rows(named=True)
    ]
    return lines


def above(seeds: Sequence[int]) -> list[Figure]:
    """The lines of faults above the limit of detection in fleets with all causes."""
    parts, labels, found = [], [], []
    for seed in seeds:
        one, frames = faulty(seed)
        mark = pl.lit(f"{seed} ") + pl.col("label_id")
        labels.append(one.labels.with_columns(label_id=mark))
        parts.append(above_limit(one.labels, frames).with_columns(label_id=mark))
        found += [f"{seed} {name}" for name in one.found["label_id"]]
    every = pl.concat(labels)
    table = true_labels_with(every, pl.concat(parts), found)
    with pl.Config(tbl_rows=-1, tbl_cols=-1, tbl_width_chars=160, float_precision=1, tbl_formatting="ASCII_MARKDOWN",
                   tbl_hide_column_data_types=True, tbl_hide_dataframe_shape=True):  # fmt: skip
        print(table)
    return above_lines(pl.concat(parts), every, found)


def true_labels_with(labels: pl.DataFrame, told: pl.DataFrame, found: Sequence[str]) -> pl.DataFrame:
    """Each fault with its litres, its index and whether it was found, for reading."""
    rows = labels.join(told, on="label_id").with_columns(found=pl.col("label_id").is_in(list(found)))
    return rows.select("label_id", "cause", "tank_id", "litres", "index", "above", "found").sort("cause", "index")
