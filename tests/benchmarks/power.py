"""The smallest fault that is found 19 times in 20, by family of physics, here and in former code. It asserts nothing.

``python -m tests.benchmarks.power [--families NAME …] [--seeds 7101 7102] [--beside CHECKOUT]``

In half of the tanks of a sound fleet stands one fault from the twentieth day on, of a size drawn evenly on a log scale.
The lake goes through ``tankdrift run``; with ``--beside`` through that of another checkout as well, by this one's
packages. The size is that of a logistic curve (`pipeline.backtest.power`), with its 95 % interval. No fleet here served
to set a threshold: kept families are drawn here and in `families` alone.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.run import inject
from pipeline.backtest.power import fit_power
from pipeline.lake_write import write_lake
from pipeline.simulate import FleetSettings, simulate_fleet
from pipeline.simulate.families import FAMILIES
from pipeline.workers import in_order, worker_count
from tests.support.injected import pools
from tests.support.matching import found_labels, matched
from tests.support.runs import ROOT

SIZES: Final[Mapping[str, tuple[float, float, str]]] = {
    "tank_leak": (0.05, 2.0, "l/h"), "meter_drift": (0.15, 4.0, "%"), "bulk_theft": (20.0, 1500.0, "l"),
    "short_delivery": (20.0, 1500.0, "l"), "chart_error": (0.2, 5.0, "%"),
}  # fmt: skip
"""From what size to what size each cause is put in, and its unit."""
EITHER_WAY: Final = ("meter_drift", "chart_error")
SHARE: Final = 0.95
TANKS, DAYS, START_DAY = 40, 60, 20


@dataclass(frozen=True)
class Job:
    """One fleet to draw, and the checkouts whose command it goes through."""

    family: str
    seed: int
    checkouts: tuple[Path, ...]


def faults_of(tanks: Sequence[str], start_s: float, rng: np.random.Generator) -> list[Injection]:
    """One fault in every other pool, the causes in turn."""
    faults = []
    for number, tank in enumerate(tanks[::2]):
        cause = list(SIZES)[number % len(SIZES)]
        low, high, _ = SIZES[cause]
        size = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        sign = -1.0 if cause in EITHER_WAY and rng.random() < 0.5 else 1.0
        faults.append(Injection(cause, tank, start_s + rng.uniform(0.0, 5 * 86_400.0), sign * size))
    return faults


def cases_by(checkout: Path, lake: Path, out: Path) -> pl.DataFrame:
    """The cases that a checkout's command makes of a lake."""
    way = {**os.environ, "PYTHONPATH": str(checkout), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "flows.cli", "run", str(lake), "--out", str(out), "--direct"]
    done = subprocess.run(command, cwd=checkout, env=way, capture_output=True, text=True, check=False)
    if done.returncode == 2:
        raise SystemExit(f"{checkout}: {done.stderr.strip()}")
    return pl.read_parquet(out / "cases.parquet")


def told(job: Job) -> pl.DataFrame:
    """One row a fault and checkout: family, cause, code, size, found."""
    print(f"{job.family}, seed {job.seed}", file=sys.stderr, flush=True)
    settings = FleetSettings(family=job.family)
    drawn = simulate_fleet(TANKS, DAYS, seed=job.seed, causes=[], settings=settings)
    frames = {name: frame for name, frame in drawn.items() if not name.startswith("_")}
    start_s = frames["readings"]["ts"].min().timestamp() + START_DAY * 86_400.0  # type: ignore[union-attr]
    made = inject(frames, faults_of(list(pools(frames)), start_s, np.random.default_rng(job.seed)), seed=job.seed)
    labels = made.frames["labels"]
    sizes = labels.select("label_id", "cause").join(made.sizes, on="label_id")
    last = frames["readings"]["ts"].max().date()  # type: ignore[union-attr]
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        write_lake({name: frame for name, frame in made.frames.items() if name != "labels"}, Path(folder) / "lake")
        for number, checkout in enumerate(job.checkouts):
            cases = cases_by(checkout, Path(folder) / "lake", Path(folder) / f"out{number}")
            found = found_labels(matched(cases, labels, frames["tanks"], last_day=last))["label_id"].to_list()
            hit = pl.col("label_id").is_in(found)
            rows.append(sizes.select("cause", pl.col("size").abs(), found=hit, code=pl.lit(number)))
    return pl.concat(rows).with_columns(family=pl.lit(job.family))


def smallest(rows: pl.DataFrame, cause: str) -> str:
    """The size found 19 times in 20 with its interval, and how many of the faults were found."""
    mine = rows.filter(pl.col("cause") == cause)
    fit = fit_power(mine["size"].to_numpy(), mine["found"].to_numpy())
    if fit is None:
        return "-"
    size, low, high = fit.size_found(SHARE)
    count = f"{mine['found'].sum()} of {mine.height}"
    if size > SIZES[cause][1]:
        return f"above {SIZES[cause][1]:g}; {count}"
    return f"{size:.2g} ({low:.2g} to {high:.2g}); {count}"


def table(rows: pl.DataFrame, codes: Sequence[str]) -> pl.DataFrame:
    """One row a family and checkout, and all families last."""
    lines = []
    for family in [*rows["family"].unique(maintain_order=True), "all"]:
        for number, code in enumerate(codes):
            mine = rows.filter(pl.col("code") == number)
            mine = mine if family == "all" else mine.filter(pl.col("family") == family)
            named = {f"{cause}, {SIZES[cause][2]}": smallest(mine, cause) for cause in SIZES}
            lines.append({"family": family, "code": code, **named})
    return pl.DataFrame(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Draw the fleets, run them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--families", nargs="*", choices=list(FAMILIES), default=list(FAMILIES), metavar="NAME")
    parser.add_argument("--seeds", type=int, nargs="*", default=[7101, 7102])
    parser.add_argument("--beside", type=Path, metavar="CHECKOUT", help="another checkout of the project")
    options = parser.parse_args(arguments)
    checkouts = (ROOT, *([options.beside.resolve()] if options.beside else []))
    jobs = [Job(family, seed, checkouts) for family in options.families for seed in options.seeds]
    rows = pl.concat(in_order(worker_count(len(jobs)))(told, jobs))
    pl.Config.set_tbl_formatting("ASCII_MARKDOWN").set_tbl_hide_column_data_types(True).set_tbl_width_chars(300)
    pl.Config.set_tbl_hide_dataframe_shape(True).set_tbl_rows(-1).set_tbl_cols(-1).set_fmt_str_lengths(60)
    print(table(rows, ["this", "beside"][: len(checkouts)]))


if __name__ == "__main__":
    sys.exit(main())
