"""Kind of evidence: contract. The store keeps what it is given, all of it or nothing, whatever happens meanwhile."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, date, datetime

import duckdb
import polars as pl
import pytest

from pipeline.contract.dictionary import ALL_TABLES
from pipeline.errors import ArgumentError, StoreError
from pipeline.load import lake_tables, take_in
from pipeline.resources import queries_dir, query_names, query_text
from pipeline.store import FILE, SCHEMAS, open_store
from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT


def test_what_goes_in_comes_out(tmp_path):
    readings = tiny_lake()["readings"]
    with open_store(tmp_path) as store:
        store.replace("readings", readings)
    with open_store(tmp_path, read_only=True) as store:
        assert store.table("readings").equals(readings)
        assert store.has_table("readings")
        assert not store.has_table("sales")


def test_days_are_taken_out_by_utc_wherever_the_machine_stands(tmp_path, monkeypatch):
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    try:
        readings = tiny_lake()["readings"]
        with open_store(tmp_path) as store:
            store.replace("readings", readings)
            store.delete_days("readings", [date(2024, 3, 29), date(2024, 3, 31)])
            left = store.table("readings")
    finally:
        monkeypatch.undo()
        time.tzset()
    assert left.equals(readings.filter(pl.col("ts").dt.date() == date(2024, 3, 30)))


def test_a_transaction_that_breaks_leaves_nothing(tmp_path):
    readings = tiny_lake()["readings"]
    with open_store(tmp_path) as store:
        store.replace("readings", readings)
        with pytest.raises(ZeroDivisionError), store.transaction():
            store.replace("readings", readings.head(1))
            store.remember({"taken": "half"})
            raise ZeroDivisionError
        assert store.table("readings").equals(readings)
        assert store.remembered() == {}


def test_null_where_the_contract_asks_for_a_value_is_not_written(tmp_path):
    with open_store(tmp_path) as store, pytest.raises(duckdb.ConstraintException):
        store.replace("readings", tiny_lake()["readings"].with_columns(quality=pl.lit(None, pl.String)))


def test_what_is_remembered_adds_up(tmp_path):
    with open_store(tmp_path) as store:
        store.remember({"taken": "a", "lake": "b"})
        store.remember({"taken": "c"})
        assert store.remembered() == {"taken": "c", "lake": "b"}


def test_a_busy_store_says_so_in_one_line(tmp_path):
    holder = subprocess.Popen(
        [sys.executable, "-c", "import duckdb, sys; con = duckdb.connect(sys.argv[1]); print('held', flush=True);"
         " sys.stdin.read()", str(tmp_path / FILE)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    with holder:
        assert holder.stdout is not None and holder.stdin is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match="another process has the store open") as caught, open_store(tmp_path):
            pass
        holder.stdin.close()
    assert "\n" not in str(caught.value)
    with open_store(tmp_path) as store:
        assert store.remembered() == {}


def test_a_file_of_another_kind_is_not_a_store(tmp_path):
    (tmp_path / FILE).write_text("not a database " * 1000)
    with pytest.raises(StoreError, match="not a store of tankdrift"), open_store(tmp_path):
        pass


@pytest.mark.parametrize("kept", [0, 7, 3000, 8192])
def test_killed_while_it_was_made_it_is_made_anew(tmp_path, kept):
    with open_store(tmp_path):
        pass
    whole = (tmp_path / FILE).read_bytes()
    (tmp_path / FILE).write_bytes(whole[:kept])
    with open_store(tmp_path) as store:
        assert store.remembered() == {}


FULL = """
import resource, sys
from pathlib import Path
from pipeline.errors import StoreError
from pipeline.load import take_in
from pipeline.store import open_store
room = int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
try:
    with open_store(Path(sys.argv[2])) as store:
        take_in(store, Path(sys.argv[1]))
except StoreError as error:
    print(error)
"""


@pytest.mark.parametrize("room", [5_000, 40_000])
def test_a_full_disk_is_one_line_and_leaves_the_store_as_it_was(tmp_path, room):
    """A real limit of the operating system on the size of files stands for the full disk: at once, and in a load."""
    lake, out = write(tmp_path / "lake", tiny_lake(days=6)), tmp_path / "out"
    out.mkdir()
    command = [sys.executable, "-c", FULL, str(lake), str(out), str(room)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.count("\n"), done.stderr) == (0, 1, "")
    assert "File too large" in done.stdout
    with open_store(out) as store:
        assert store.remembered() == {}
        assert take_in(store, lake)
        found = lake_tables(store)
    with open_store(tmp_path) as store:
        take_in(store, lake)
        assert all(frame.equals(found[name]) for name, frame in lake_tables(store).items())


def test_no_store_to_read(tmp_path):
    with pytest.raises(StoreError, match="there is no store here"), open_store(tmp_path, read_only=True):
        pass


def _write_for_ever(folder, tables):
    with open_store(folder) as store:
        for size in range(1, 1_000_000):
            with store.transaction():
                for name, frame in tables.items():
                    store.replace(name, frame.head(size % 50 + 1))
                store.remember({"size": str(size % 50 + 1)})


@pytest.mark.parametrize("after_s", [0.05, 0.15, 0.3])
def test_killed_in_mid_write_the_store_is_whole(tmp_path, after_s):
    """Known truth: every table has the number of rows that was remembered in the same transaction."""
    lake = tiny_lake()
    tables = {name: lake[name] for name in ("readings", "sales")}
    with open_store(tmp_path) as store, store.transaction():
        for name, frame in tables.items():
            store.replace(name, frame.head(7))
        store.remember({"size": "7"})
    writer = multiprocessing.get_context("spawn").Process(target=_write_for_ever, args=(tmp_path, tables))
    writer.start()
    while not (tmp_path / f"{FILE}.wal").exists():
        time.sleep(0.01)
    time.sleep(after_s)
    assert writer.pid is not None
    os.kill(writer.pid, signal.SIGKILL)
    writer.join()
    with open_store(tmp_path) as store:
        size = int(store.remembered()["size"])
        assert [store.table(name).height for name in tables] == [size, size]


def test_queries_are_one_select_with_a_header():
    folders = ("ingest", "marts", "checks", "rules", "views", "layout", "desk")
    names = [name for folder in folders for name in query_names(folder)]
    assert len(names) == len(list(queries_dir().rglob("*.sql")))
    for name in names:
        text = query_text(name)
        body = "\n".join(line for line in text.splitlines() if not line.startswith("--")).strip()
        assert text.startswith("-- One row"), name
        assert body.startswith(("select", "with")), name
        assert ";" not in body, name


def test_every_query_runs_on_empty_tables(tmp_path):
    since = datetime(2024, 3, 29, tzinfo=UTC)
    parameters = {"name": "readings", "limit_l_per_h": 0.757, "fail_l_per_h": 0.3785, "ids": ["T1"], "since": since}
    parameters["days"] = [since.date()]
    with open_store(tmp_path) as store:
        for name, schema in SCHEMAS.items():
            store.replace(name, schema.create_empty())
        for folder in ("ingest", "marts", "checks"):
            for name in query_names(folder):
                asked = {key: value for key, value in parameters.items() if f"${key}" in query_text(name)}
                store.query(name, **asked)
    assert set(SCHEMAS) > set(ALL_TABLES) - {"labels"}


def test_unknown_query():
    with pytest.raises(ArgumentError, match="there is no query 'ingest/nothing'"):
        query_text("ingest/nothing")
