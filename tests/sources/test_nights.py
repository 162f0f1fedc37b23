"""Kind of evidence: property. However a lake's rows come, night by night, the tables end alike."""

import random
import sqlite3
import subprocess
import sys
import tempfile
import threading
from datetime import timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest
from filelock import FileLock
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import StoreError
from pipeline.run_folder import held
from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from pipeline.sources.landing import Landing
from pipeline.sources.source import Fetched
from pipeline.store import open_store
from tests.support.lakes import START, tiny_lake, write
from tests.support.nights import (
    Killed,
    add_files,
    corrected_nights,
    loaded,
    merge_nights,
    nights_of,
    odd_lake,
    read,
    standing,
)

SEEDS = st.integers(0, 10**9)
TABLES = odd_lake()


@pytest.fixture(autouse=True)
def _clean(clean_environment):
    """See `clean_environment`."""


@pytest.fixture(scope="module")
def at_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("once")
    return loaded(write(folder / "lake", _undated(TABLES)), folder / "out")


@pytest.fixture(scope="module")
def right(tmp_path_factory):
    first = {name: frame.unique(_key(name), keep="first", maintain_order=True) for name, frame in TABLES.items()}
    return read(write(tmp_path_factory.mktemp("right") / "lake", _undated(first)))


def _undated(tables):
    """Without the rows that have no time: a lake that is written by hand has no day for them."""
    return tables | {"readings": tables["readings"].filter(pl.col("ts").is_not_null())}


def _without_undated(tables):
    quarantine = tables["quarantine"].filter(~pl.col("reason").str.contains("ts_missing"))
    return tables | {"quarantine": quarantine}


def _assert_same(found, expected):
    assert {name: frame.height for name, frame in found.items()} == {n: f.height for n, f in expected.items()}
    assert [name for name, frame in expected.items() if not frame.equals(found[name])] == []


@settings(max_examples=12)
@given(seed=SEEDS)
def test_files_that_come_in_any_order_and_split(at_once, seed):
    """The load itself: every night adds files to the days of a lake, and is taken in."""
    with tempfile.TemporaryDirectory() as place:
        lake, out = standing(TABLES, Path(place) / "lake"), Path(place) / "out"
        for number, night in enumerate(nights_of(TABLES, seed, most=3)):
            add_files(lake, night, number)
            if night["readings"]["tank_id"].is_in(["T1", "T2"]).any():
                found = loaded(lake, out)
    assert found["quarantine"]["reason"].str.contains("ts_missing").sum() == 2
    _assert_same(_without_undated(found), at_once)


@settings(max_examples=40)
@given(seed=SEEDS)
def test_rows_that_are_corrected_on_a_later_night(right, seed):
    """A source's nights, merged in their place: what it said last is what counts, and what it said before is kept."""
    with tempfile.TemporaryDirectory() as place:
        nights = corrected_nights(TABLES, seed)
        lake = standing(TABLES, Path(place) / "lake")
        merge_nights(Landing(lake), nights)
        found = read(lake)
        kept = sum(pl.read_parquet(path).height for path in (lake / "_superseded").rglob("*.parquet"))
    _assert_same(_without_undated(found), right)
    # Of the last night every row corrects another, save for two tables' worth of equal contents.
    assert kept == sum(frame.height for frame in nights[-1].values()) - _null_levels(nights[-1])


def _key(name):
    from pipeline.contract.lake import LAKE_TABLES

    return LAKE_TABLES[name].primary_key()


def _null_levels(night):
    """A wrong null is the right one: null plus one is null."""
    return night["readings"]["level_mm"].null_count()


HISTORIAN = """
lake = "lake"
min_free_gb = 0.0
[[sources]]
name = "historian"
kind = "sql"
driver = "sqlite"
address = "PLACE/plant.db"
lookback_hours = 0
since = 2024-03-01T00:00:00Z
[sources.tables.readings]
table = "dips"
time_column = "ts"
changed_column = "written"
time_kind = "epoch_s"
[sources.tables.readings.columns]
ts = "ts"
"""


def test_a_historian_that_gets_rows_weeks_late_and_knows_when(tmp_path):
    """By when a row was written, not by what it speaks of; each night reads only what was written since."""
    readings = tiny_lake(days=20)["readings"]
    nights = nights_of({**{n: TABLES[n].clear() for n in TABLES}, "readings": readings}, 5)
    lake = standing(tiny_lake(), tmp_path / "lake")
    (tmp_path / "tankdrift.toml").write_text(HISTORIAN.replace("PLACE", str(tmp_path)))
    operations = read_operations(tmp_path / "tankdrift.toml")
    plant = sqlite3.connect(tmp_path / "plant.db")
    plant.execute(f"create table dips ({', '.join(readings.columns)}, written integer)")
    got = 0
    for number, night in enumerate(nights):
        now = START + timedelta(days=30 + number)
        written = int((now - timedelta(hours=1)).timestamp())
        rows = night["readings"].with_columns(pl.col("ts").dt.epoch("s"), written=pl.lit(written))
        plant.executemany(f"insert into dips values ({','.join('?' * rows.width)})", rows.rows())
        plant.commit()
        (done,) = collect(operations, now=now)
        assert (done.error, done.merged.new) == (None, rows.height)
        got += done.merged.new
    plant.close()
    assert got == readings.height
    found = loaded(lake, tmp_path / "out")["readings"]
    assert found.equals(readings.sort(pl.all(), nulls_last=True))


def test_two_loads_at_once_are_one_after_the_other_and_say_so(tmp_path, caplog):
    caplog.set_level("INFO", logger="tankdrift")
    landing = Landing(tmp_path / "lake")
    order = []

    def second():
        with landing.held("yard", 30.0):
            order.append("second")

    with landing.held("yard", 1.0):
        thread = threading.Thread(target=second)
        thread.start()
        while not caplog.messages:
            threading.Event().wait(0.01)
        order.append("first")
    thread.join()
    assert order == ["first", "second"]
    said = f"{tmp_path / 'lake'}: another load of yard is at work here, waiting up to 30 s for it"
    assert said in caplog.messages[0]


def test_a_load_that_waits_too_long_says_who_is_in_the_way(tmp_path):
    lake = tmp_path / "lake"
    (lake / "_tankdrift").mkdir(parents=True)
    with (
        FileLock(lake / "_tankdrift" / "yard.lock"),
        pytest.raises(StoreError, match="another load of yard"),
        Landing(lake).held("yard", 0.1),
    ):
        raise AssertionError("not reached")


def test_two_runs_at_once_are_one_after_the_other_and_say_so(tmp_path, caplog):
    caplog.set_level("INFO", logger="tankdrift")
    order = []

    def second():
        with held(tmp_path, wait_s=30.0):
            order.append("second")

    with held(tmp_path):
        thread = threading.Thread(target=second)
        thread.start()
        while not caplog.messages:
            threading.Event().wait(0.01)
        with pytest.raises(StoreError, match="another run is at work here; wait until it is done"), held(tmp_path):
            raise AssertionError("not reached")
        order.append("first")
    thread.join()
    assert order == ["first", "second"]
    assert f"{tmp_path}: another run is at work here, waiting up to 30 s for it" in caplog.messages[0]


READER = """
import duckdb, sys
snapshot = duckdb.connect(sys.argv[1], read_only=True)
count = "select count(*) from tanks"
print(snapshot.sql(count).fetchall(), flush=True)
sys.stdin.readline()
print(snapshot.sql(count).fetchall(), flush=True)
"""


def test_a_reader_has_a_snapshot_that_a_running_load_does_not_block(tmp_path):
    """Another process reads while a load is in the midst of writing, and goes on when the next snapshot comes."""
    loaded(write(tmp_path / "lake", tiny_lake()), tmp_path)
    snapshot = tmp_path / "snapshot.duckdb"
    with open_store(tmp_path) as store:
        store.copy_to(snapshot, ["tanks"], {})
        with store.transaction():
            store.replace("tanks", store.table("tanks").head(1))
            command = [sys.executable, "-c", READER, str(snapshot)]
            reader = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
            assert reader.stdout is not None
            assert reader.stdout.readline() == "[(2,)]\n"
        store.copy_to(snapshot, ["tanks"], {})
        said, _ = reader.communicate("go on\n")
    assert said == "[(2,)]\n"
    with duckdb.connect(snapshot, read_only=True) as newer:
        assert newer.sql("select count(*) from tanks").fetchall() == [(1,)]


def test_what_is_merged_again_changes_no_byte(tmp_path):
    landing = Landing(tmp_path / "lake")
    rows = tiny_lake()["readings"]
    first = landing.merge("readings", "yard", Fetched(rows))
    files = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in (tmp_path / "lake").rglob("*.parquet")}
    again = landing.merge("readings", "yard", Fetched(rows.sample(fraction=1.0, shuffle=True, seed=3)))
    assert (first.new, first.doubles, again.new, again.corrected, again.doubles) == (rows.height, 0, 0, 0, rows.height)
    assert {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in files} == files


def test_killed_ten_times_at_random_the_next_run_ends_as_an_unbroken_one(tmp_path):
    """Nothing lost, nothing doubled. Two hundred kills are in `tests/benchmarks/nights.py`."""
    killed = Killed(tmp_path)
    assert killed.expected["readings"].height > 200
    rng = random.Random(20)
    ends = [killed.once(rng) for _ in range(10)]
    killed.close()
    assert [unlike for _, unlike in ends if unlike] == []
    assert sum(is_at_work for is_at_work, _ in ends) >= 5
