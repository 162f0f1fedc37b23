"""A night's increment of a fleet read every minute: ``python -m tests.benchmarks.nightly``, with ``--help`` for more.

A lake of so many days of invented readings is landed and loaded; then one more day comes, by the same sources, and
what it takes is printed: seconds and the largest memory of a process of its own and of all that it starts, from
collecting the day to the store's tables, and to the ledger of the last day's sites; with ``--night``, also those of the
analysis of all of the history and of the report. Run it in a clone that nobody edits: a change of the code has all of
the history read again.
"""

import argparse
import contextlib
import json
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.load import sites_one_by_one, take_in
from pipeline.nightly import run_of
from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from pipeline.stages import run_all
from pipeline.store import open_store
from tests.support.lakes import rows, write_part

FIRST = datetime(2026, 3, 1, tzinfo=UTC)
TANKS_A_SITE = 5
SALES_A_DAY = 120
"""Of each tank's one meter."""


def write_day(lake: Path, tanks: int, day: date) -> None:
    """A day of every tank: a reading a minute, sales spread over it, a total an hour."""
    start = datetime.combine(day, datetime.min.time(), UTC)
    rng = np.random.default_rng(day.toordinal())
    names = pl.DataFrame({"tank_id": [f"T{n:04}" for n in range(tanks)], "n": range(tanks)})
    minutes = pl.DataFrame({"minute": range(1440)})
    level = 1500.0 - pl.col("minute") * 0.2 - 5.0 * (start - FIRST).days
    readings = names.join(minutes, how="cross").select(
        "tank_id", ts=pl.lit(start) + pl.duration(minutes="minute"), level_mm=level, water_mm=pl.lit(0.0),
        temp_c=pl.lit(12.0), density_kg_m3=pl.lit(None, pl.Float64), quality=pl.lit("good"),
    ).with_columns(level_mm=pl.col("level_mm") + rng.normal(0, 0.2, tanks * 1440))  # fmt: skip
    write_part(lake, "readings", day, readings)
    each = pl.DataFrame({"k": range(SALES_A_DAY)})
    begin = pl.lit(start) + pl.duration(seconds=pl.col("k") * (86400 // SALES_A_DAY) + 30)
    sales = names.join(each, how="cross").select(
        sale_id=pl.format("{}-{}-{}", "tank_id", pl.lit(str(day)), "k"), meter_id=pl.format("M{}", "tank_id"),
        ts_start=begin, ts_end=begin + pl.duration(seconds=60), volume_l=pl.lit(12.0), unit_price=pl.lit(1.7),
        kind=pl.lit("sale"),
    )  # fmt: skip
    write_part(lake, "sales", day, sales)
    hours = pl.DataFrame({"h": range(24)})
    total = 1e5 + (start - FIRST).days * 1440.0 + pl.col("h") * 60.0
    write_part(lake, "meter_totals", day, names.join(hours, how="cross").select(
        meter_id=pl.format("M{}", "tank_id"), ts=pl.lit(start) + pl.duration(hours="h"), total_l=total,
    ))  # fmt: skip


def write_standing(lake: Path, tanks: int) -> None:
    """What the fleet is."""
    site = {"name": "Invented", "timezone": "Europe/Berlin", "trading_day_start": "06:00"}
    about = {
        "product": "diesel_b7", "capacity_l": 10_000.0, "safe_fill_l": 9_500.0, "shape": "vertical_cylinder",
        "end_shape": "flat", "diameter_mm": 2523.1, "length_mm": 2000.0, "buried": True, "wall_count": 2,
    }  # fmt: skip
    names = [(f"T{n:04}", f"S{n // TANKS_A_SITE:03}") for n in range(tanks)]
    chart = range(0, 2001, 50)
    tables = {
        "sites": rows("sites", *({"site_id": s, **site} for s in sorted({s for _, s in names}))),
        "tanks": rows("tanks", *({"tank_id": t, "site_id": s, **about} for t, s in names)),
        "strapping": rows("strapping", *(
            {"tank_id": t, "valid_from": FIRST, "level_mm": float(mm), "volume_l": 5.0 * mm}
            for t, _ in names for mm in chart
        )),
        "meters": rows("meters", *({"meter_id": f"M{t}", "site_id": s, "dispenser": "1", "hose": t} for t, s in names)),
        "meter_feeds": rows("meter_feeds", *(
            {"meter_id": f"M{t}", "tank_id": t, "share": 1.0, "valid_from": FIRST} for t, _ in names
        )),
        "deliveries": rows("deliveries"),
        "events": rows("events"),
    }  # fmt: skip
    lake.mkdir(parents=True)
    for name, frame in tables.items():
        frame.write_parquet(lake / f"{name}.parquet")


def settings(place: Path) -> Path:
    """Settings that have the written lake for their source."""
    (place / "tankdrift.toml").write_text('[[sources]]\nname = "yard"\nkind = "lake"\nplace = "yard"\n')
    return place / "tankdrift.toml"


def increment(config: Path) -> None:
    """Collect, load, and make the ledger of every site's last day; prints seconds by stage and megabytes as JSON."""
    from pipeline.estimate.observe import observe_site

    began = time.monotonic()
    spent = {}
    operations = read_operations(config)
    done = collect(operations, now=FIRST + timedelta(days=400))
    assert not [entry.error for entry in done if entry.error]
    spent["collect"] = time.monotonic() - began
    operations.out.mkdir(exist_ok=True)
    with open_store(operations.out) as store:
        take_in(store, operations.lake)
        spent["load"] = time.monotonic() - began - sum(spent.values())
        last = store.query("ingest/newest_readings")["ts"].max()
        assert isinstance(last, datetime)
        sites = sites_one_by_one(store, since=last - timedelta(days=1))
        units = sum(len(observe_site(one).units) for one in sites)
    spent["ledger"] = time.monotonic() - began - sum(spent.values())
    own = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    told = {name: round(value, 1) for name, value in spent.items()} | {"units": units, "megabytes": own}
    sys.stdout.write(json.dumps(told) + "\n")


def night(config: Path) -> None:
    """Look at all of the lake and publish, as the night does after the load; prints seconds as JSON."""
    began = time.monotonic()
    run_all(run_of(read_operations(config)))
    sys.stdout.write(json.dumps({"analysis and report": round(time.monotonic() - began, 1)}) + "\n")


def told(step: str, config: Path) -> str:
    """What a step says in a process of its own, and the most memory that it and all it started were seen to hold."""
    command = [sys.executable, "-m", "tests.benchmarks.nightly", step, str(config)]
    most = 0
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        while process.poll() is None:
            most = max(most, sum(map(_resident_kb, _family(process.pid))))
            time.sleep(0.1)
        assert process.stdout is not None
        said = process.stdout.read().strip()
    if process.returncode:
        raise SystemExit(process.returncode)
    return f"{said}, all processes {most / 1024:.0f} MB\n"


def _family(pid: int) -> list[int]:
    found = [pid]
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            for child in path.read_text().split():
                found += _family(int(child))
    return found


def _resident_kb(pid: int) -> int:
    """What a process holds, pages that it shares with others counted in part."""
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return int(line.split()[1])
    return 0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tanks", type=int, default=500)
    parser.add_argument("--history", type=int, default=31, help="days that are there before the one more")
    parser.add_argument("--night", action="store_true", help="the analysis of all of the history and the report, too")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        write_standing(place / "yard", asked.tanks)
        days = [FIRST.date() + timedelta(days=n) for n in range(asked.history + 1)]
        for day in days[:-1]:
            write_day(place / "yard", asked.tanks, day)
        config = settings(place)
        before = told("increment", config)
        write_day(place / "yard", asked.tanks, days[-1])
        after = told("increment", config)
        whole = told("night", config) if asked.night else ""
    sys.stdout.write(f"{asked.tanks} tanks, the first {asked.history} days: {before}one more day: {after}{whole}")


STEPS = {"increment": increment, "night": night}

if __name__ == "__main__":
    if sys.argv[1:2] and sys.argv[1] in STEPS:
        STEPS[sys.argv[1]](Path(sys.argv[2]))
    else:
        main()
