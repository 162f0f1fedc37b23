"""How much disk a lake and what a run makes of it take, in all and for a tank and year. Prints; asserts nothing.

``python -m tests.benchmarks.retention LAKE OUT``

OUT is the folder of a run over LAKE; a backup of it is made elsewhere, measured and removed. A short history says too
much for what takes a block at the least.
"""

import argparse
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from pipeline.backup import back_up
from pipeline.contract.run import PARQUET_TABLES
from pipeline.store import FILE, SNAPSHOT, open_store

DAYS_A_YEAR = 365.25
MB = 1e6


def size(path: Path) -> int:
    """Bytes of a file, or of all files below a folder."""
    return sum(one.stat().st_size for one in (path.rglob("*") if path.is_dir() else [path]) if one.is_file())


def tanks_and_days(out: Path) -> tuple[int, int]:
    """Tanks of a run, and UTC days of readings."""
    with open_store(out, read_only=True) as store:
        days = store.query("ingest/days_of_readings")
        return store.table("tanks").height, days["day"].n_unique()


def sizes(lake: Path, out: Path) -> dict[str, int]:
    """Bytes of each thing that grows."""
    with tempfile.TemporaryDirectory() as folder:
        back_up(out, Path(folder) / "b.zip", now=datetime.now(UTC))
        backup = size(Path(folder) / "b.zip")
    return {
        "lake": size(lake),
        FILE: size(out / FILE),
        SNAPSHOT: size(out / SNAPSHOT),
        "report": size(out / "report"),
        "Parquet files": sum(size(out / f"{name}.parquet") for name in PARQUET_TABLES),
        "backup": backup,
    }


def main() -> None:
    """Print a line for each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("lake", type=Path)
    parser.add_argument("out", type=Path)
    options = parser.parse_args()
    tanks, days = tanks_and_days(options.out)
    years = tanks * days / DAYS_A_YEAR
    lines = [
        f"{tanks} tanks, {days} days of readings: {years:.1f} tank-years",
        f"{'':18}{'MB':>8}{'MB a tank-year':>16}",
    ]
    for name, found in sizes(options.lake, options.out).items():
        lines.append(f"{name:18}{found / MB:8.1f}{found / MB / years:16.2f}")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
