"""A lake's rows in any order, brought night by night, and nights that are killed."""

import random
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.contract.lake import BY_DAY, LAKE_TABLES, TIME_COLUMNS
from pipeline.lake import read_lake
from pipeline.load import lake_tables, take_in
from pipeline.sources.landing import Landing
from pipeline.sources.source import STANDING, Fetched
from pipeline.store import open_store
from tests.support.lakes import tiny_lake, write
from tests.support.night_load import night_load
from tests.support.runs import ROOT

Tables = dict[str, pl.DataFrame]
FETCHED = tuple(name for name in LAKE_TABLES if name not in STANDING and name != "labels")
"""Tables that a source tells by time window."""


def odd_lake() -> Tables:
    """Two days with what goes wrong in a lake: doubles, one key with two contents, strangers, gaps and empty cells."""
    tables = tiny_lake(days=2)
    readings, sales = tables["readings"], tables["sales"]
    worse = readings.gather_every(31).with_columns(quality=pl.lit("bad"), level_mm=pl.lit(None, pl.Float64))
    tables["readings"] = pl.concat(
        [readings.gather_every(3, offset=1), readings.gather_every(3), readings.gather_every(17), worse,
         readings.gather_every(40).with_columns(tank_id=pl.lit("T9")),
         readings.head(2).with_columns(ts=pl.lit(None, readings.schema["ts"]))]
    )  # fmt: skip
    tables["sales"] = pl.concat(
        [sales, sales.gather_every(9), sales.gather_every(11).with_columns(volume_l=pl.lit(-1.0)),
         sales.gather_every(13).with_columns(
             pl.col("ts_end") + timedelta(minutes=2), unit_price=pl.lit(None, pl.Float64)
         )]
    )  # fmt: skip
    return tables


def loaded(lake: Path, out: Path) -> Tables:
    """What the store holds of a lake after a load, each table in an order of its own content."""
    out.mkdir(exist_ok=True)
    with open_store(out) as store:
        take_in(store, lake)
    return stored(out)


def read(lake: Path) -> Tables:
    """The same without a store, by reading the lake at once."""
    found = read_lake(lake)
    tables = found.tables | {"quarantine": found.quarantine}
    return {name: frame.sort(pl.all(), nulls_last=True) for name, frame in tables.items()}


def nights_of(tables: Tables, seed: int, *, most: int = 4) -> list[Tables]:
    """The rows of the tables that sources tell by window, in any order, dealt out to some nights."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, most + 1))
    nights: list[Tables] = [{} for _ in range(count)]
    for name in FETCHED:
        frame = tables[name]
        shuffled = frame[rng.permutation(frame.height).tolist()] if frame.height else frame
        of = pl.Series(rng.integers(0, count, frame.height))
        for number, night in enumerate(nights):
            night[name] = shuffled.filter(of == number)
    return nights


def standing(tables: Tables, lake: Path) -> Path:
    """A lake with what stands, and no row yet of what is told by window."""
    return write(lake, {name: tables[name] if name not in FETCHED else tables[name].clear() for name in tables})


def add_files(lake: Path, night: Tables, number: int) -> None:
    """Put a night's rows into a lake as files of their own."""
    for name, frame in night.items():
        for day, rows in _by_day(name, frame):
            folder = lake / name if day is None else lake / name / f"day={day}"
            folder.mkdir(parents=True, exist_ok=True)
            rows.write_parquet(folder / f"night-{number}.parquet")


def _by_day(name: str, frame: pl.DataFrame) -> list[tuple[date | None, pl.DataFrame]]:
    if name not in BY_DAY:
        return [(None, frame)] if frame.height else []
    day = pl.col(TIME_COLUMNS[name]).dt.date().fill_null(pl.date(1970, 1, 1)).alias("_day")
    parts = frame.with_columns(day).partition_by("_day", as_dict=True, include_key=False)
    return [(key[0], rows) for key, rows in parts.items()]


def corrected_nights(tables: Tables, seed: int) -> list[Tables]:
    """Nights of rows without unlike doubles, a tenth of which come wrong at first and right on a later night."""
    rng = np.random.default_rng(seed + 7)
    clean = {
        name: frame.unique(LAKE_TABLES[name].primary_key(), keep="first", maintain_order=True)
        for name, frame in tables.items()
    }
    nights = nights_of(clean, seed)
    last: Tables = {}
    for name, column in (("readings", "level_mm"), ("sales", "volume_l")):
        wrong = []
        for night in nights:
            is_wrong = pl.Series(rng.random(night[name].height) < 0.1)
            wrong.append(night[name].filter(is_wrong))
            night[name] = night[name].with_columns(
                pl.when(is_wrong).then(pl.col(column) + 1.0).otherwise(column).alias(column)
            )
        last[name] = pl.concat(wrong)
    return [*nights, last]


def merge_nights(landing: Landing, nights: Sequence[Tables]) -> None:
    """Bring nights of one source into a lake that is filled."""
    for night in nights:
        for name, rows in night.items():
            landing.merge(name, "historian", Fetched(rows))


class Killed:
    """A fleet whose second night is killed at a random moment, and run again, over and over.

    The first night brings a lake by drops of CSV; the second brings more, late rows and corrections among it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        tables = odd_lake()
        self._write(folder / "first", nights=corrected_nights(tables, 3)[:-1])
        self._night(folder / "first", night=1)
        self._add(folder / "first", corrected_nights(tables, 3)[-1], 9)
        shutil.copytree(folder / "first", folder / "unbroken")
        # In a process like those that will be killed: its first steps are slower than those of one that is warm.
        self.next = self._waiting()
        process = self._begun(folder / "unbroken")
        began = time.monotonic()
        process.communicate()
        self.longest_s = time.monotonic() - began
        assert process.returncode == 0
        self.expected = stored(folder / "unbroken" / "out")
        self.next = self._waiting()

    def _write(self, place: Path, nights: Sequence[Tables]) -> None:
        write(place / "registry", {n: f for n, f in odd_lake().items() if n not in FETCHED})
        (place / "drops").mkdir()
        for number, night in enumerate(nights):
            self._add(place, night, number)
        patterns = "".join(f'[sources.tables.{name}]\npattern = "{name}-*.csv"\n' for name in FETCHED)
        standing = [name for name in odd_lake() if name not in FETCHED]
        (place / "tankdrift.toml").write_text(
            "min_free_gb = 0.0\n"
            f'[[sources]]\nname = "registry"\nkind = "lake"\nplace = "registry"\ntables = {standing!r}\n'
            f'[[sources]]\nname = "till"\nkind = "files"\nplace = "drops"\n{patterns}'
        )

    def _add(self, place: Path, night: Tables, number: int) -> None:
        for name, frame in night.items():
            frame.write_csv(place / "drops" / f"{name}-{number}.csv", datetime_format="%Y-%m-%d %H:%M:%S%.6f")

    def _night(self, place: Path, *, night: int) -> None:
        night_load(*self._told(place, night))

    def _told(self, place: Path, night: int) -> tuple[str, str]:
        return str(place / "tankdrift.toml"), f"2024-04-0{night}T00:00:00+00:00"

    def _waiting(self) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "tests.support.night_load"]
        return subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def _begun(self, place: Path) -> subprocess.Popen[str]:
        """The process that waits, set to a second night."""
        process = self.next
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdout.readline()
        process.stdin.write(" ".join(self._told(place, 2)) + "\n")
        process.stdin.flush()
        return process

    def close(self) -> None:
        """Let the last process go that waits for work."""
        self.next.kill()
        self.next.communicate()

    def once(self, rng: random.Random) -> tuple[bool, list[str]]:
        """Kill a second night and run it again: whether it was at work when it was killed, and what ended otherwise."""
        place = self.folder / "killed"
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(self.folder / "first", place)
        process = self._begun(place)
        time.sleep(rng.uniform(0.0, self.longest_s))
        is_at_work = process.poll() is None
        process.kill()
        process.communicate()
        # It reads in what it needs while the night is run again.
        self.next = self._waiting()
        self._night(place, night=2)
        found = stored(place / "out")
        return is_at_work, [name for name, frame in self.expected.items() if not frame.equals(found[name])]


def stored(out: Path) -> Tables:
    """What a store holds of a lake, each table in an order of its own content."""
    with open_store(out, read_only=True) as store:
        tables = lake_tables(store) | {"quarantine": store.table("quarantine")}
    return {name: frame.sort(pl.all(), nulls_last=True) for name, frame in tables.items()}
