"""What a run costs by how much history it has, and what one more night does. It prints; it asserts nothing.

``python -m tests.benchmarks.nights_cost [--days 90 180 360 720] [--tanks 4] [--seed 5]``

For each length a fleet of one-minute tanks is simulated, run from nothing in a process of its own, and run again after
one more day has come. CPU seconds are those of the process and its children, memory the peak of the largest of them.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.lake_write import write_lake
from pipeline.pasts import FOLDER
from pipeline.simulate import FleetSettings, simulate_fleet

RUN = """
from flows.cli import main

raise SystemExit(main(["run", {lake!r}, "--out", {out!r}, "--direct", "--until", {until!r}]))
"""
MIB = 1024.0
START = date(2023, 1, 1)
"""Early enough that no length ends after today: what is ahead of the clock is refused."""


def cost(lake: Path, out: Path, until: str) -> tuple[float, float]:
    """CPU seconds and peak MiB of a direct run over a lake up to a UTC day."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    code = RUN.format(lake=str(lake), out=str(out), until=until)
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return spent, after.ru_maxrss / MIB


def kept_mb(out: Path) -> float:
    """Megabytes that are kept of past days in a run's folder."""
    return sum(path.stat().st_size for path in (out / FOLDER).glob("*")) / 1e6


def row(tanks: int, days: int, seed: int) -> dict[str, object]:
    """One length's figures. The peak of a later call is that of the largest run so far, so lengths must rise."""
    frames = simulate_fleet(tanks, days + 1, seed=seed, causes=[], start=START, settings=FleetSettings())
    last = frames["readings"]["ts"].max()
    with tempfile.TemporaryDirectory() as folder:
        lake, out = Path(folder) / "lake", Path(folder) / "out"
        write_lake(frames, lake)
        day = last.date()  # type: ignore[union-attr]
        before = pl.Series([day]).dt.offset_by("-1d")[0]
        whole, peak = cost(lake, out, before.isoformat())
        night, _ = cost(lake, out, day.isoformat())
        kept = kept_mb(out) / tanks
    return {"days": days, "from nothing, CPU s": round(whole, 1), "a day, ms": round(1000.0 * whole / days, 1),
            "peak, MiB": round(peak), "one more night, CPU s": round(night, 1), "ratio": round(night / whole, 2),
            "kept, MB a tank": round(kept, 2)}  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Print a row a length."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, nargs="*", default=[90, 180, 360, 720])
    parser.add_argument("--tanks", type=int, default=4)
    parser.add_argument("--seed", type=int, default=5)
    options = parser.parse_args(arguments)
    rows = [row(options.tanks, days, options.seed) for days in sorted(options.days)]
    pl.Config.set_tbl_formatting("ASCII_MARKDOWN").set_tbl_hide_dataframe_shape(True)
    pl.Config.set_tbl_hide_column_data_types(True).set_tbl_cols(-1).set_tbl_width_chars(160)
    print(pl.DataFrame(rows))


if __name__ == "__main__":
    sys.exit(main())
