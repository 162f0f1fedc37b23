"""Stores of other layouts. Evidence: contract, known truth by construction.

`tests/fixtures/store_layout_N.duckdb.gz` is the store of a run over `tiny_lake(days=2)`, as layout N had it.
"""

import gzip
import hashlib
import struct
from datetime import UTC, date, datetime

import duckdb
import polars as pl
import pytest

from pipeline.contract.dictionary import duckdb_columns
from pipeline.errors import StoreError
from pipeline.said.record import read, say
from pipeline.said.sayings import SCHEMA
from pipeline.store import FILE, SCHEMAS, SNAPSHOT, open_store, read_snapshot
from pipeline.store_layout import LAYOUT
from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT, tankdrift_here, unlike

STORES = sorted((ROOT / "tests" / "fixtures").glob("store_layout_*.duckdb.gz"))
LAYOUTS = {1: "3c877ca7", 2: "db313de7"}
"""By layout, how the hash of all of its tables' columns begins."""


def _put(folder, store=STORES[-1]):
    """A folder of results that has this store in it, and its path."""
    folder.mkdir(exist_ok=True)
    (folder / FILE).write_bytes(gzip.decompress(store.read_bytes()))
    return folder / FILE


def _number(path):
    with duckdb.connect(path, read_only=True) as store:
        return store.table("_layout").fetchall()


def test_a_table_that_changes_is_another_layout():
    """Raise `LAYOUT`, add the line here, and keep a store of the layout that was, for these tests."""
    columns = "\n".join(f"{name} {duckdb_columns(schema)}" for name, schema in sorted(SCHEMAS.items()))
    assert hashlib.sha256(columns.encode()).hexdigest().startswith(LAYOUTS[LAYOUT])
    assert max(LAYOUTS) == LAYOUT


@pytest.mark.parametrize("store", STORES, ids=lambda path: path.name)
def test_a_store_of_an_earlier_version_has_todays_tables_once_it_was_opened(tmp_path, store):
    path = _put(tmp_path, store)
    with open_store(tmp_path) as opened:
        assert [name for name in SCHEMAS if opened.table(name).columns != list(SCHEMAS[name].columns())] == []
    assert _number(path) == [(LAYOUT,)]


def test_a_store_without_a_number_that_has_todays_tables_keeps_all_of_them(tmp_path):
    path = _put(tmp_path)
    with duckdb.connect(path) as store:
        store.execute("drop table _layout")
        before = store.table("tank_days").fetchall()
    with open_store(tmp_path, read_only=True) as store:
        assert store.table("tank_days").height == len(before)
    for _ in range(2):
        with open_store(tmp_path) as store:
            assert store.remembered()["analysed"]
            assert store.table("readings").height == 2 * 2 * 96  # two tanks, two days, a reading a quarter hour
    assert _number(path) == [(LAYOUT,)]


VERDICT = {
    "seq": 0, "case_id": "tank_leak.T1.2024-03-29", "cause": "tank_leak", "verdict": "ruled_out", "site_id": "S1",
    "tank_id": "T1", "meter_id": None, "delivery_id": None, "ts_start": datetime(2024, 3, 29, tzinfo=UTC),
    "ts_end": None, "litres": -9.0, "learned_on": date(2024, 3, 30), "who": "Ines", "note": "by the pump test",
}  # fmt: skip
NOTE = dict.fromkeys(SCHEMA) | {"kind": "note", "case_id": VERDICT["case_id"], "who": "M. Orr", "note": "asked twice"}


def test_what_has_changed_is_made_again_in_one_line_and_nothing_that_was_said_is_lost(tmp_path):
    """A column less in a table of the run and in one of the lake, words in the record, and in a table of long ago."""
    lake, out = write(tmp_path / "lake", tiny_lake(days=2)), tmp_path / "out"
    with duckdb.connect(_put(out)) as store:
        store.execute("drop table _layout")
        store.execute("alter table cases drop column summary")
        store.execute("alter table readings drop column quality")
        store.register("kept", pl.DataFrame([VERDICT]).to_arrow())
        store.execute("create table verdicts as from kept")
    say(out, NOTE, now=datetime(2024, 3, 31, tzinfo=UTC))
    says = rf"layout 0, now {LAYOUT}.*run it again: tankdrift run LAKE --out"
    with pytest.raises(StoreError, match=says), open_store(out, read_only=True):
        pass
    done = tankdrift_here("run", lake, "--out", out, "--direct")
    assert done.returncode == 0, done.stderr
    (line,) = [line for line in done.stderr.splitlines() if "an earlier version left the store" in line]
    told = set(line.partition("made again: ")[2].split(", "))
    assert {"cases", "readings", "tanks", "_parts"} < told and not told & {"tank_days", "sayings", "verdicts"}
    assert [(row["who"], row["note"]) for row in read(out).iter_rows(named=True)] == [
        ("M. Orr", "asked twice"), ("Ines", "by the pump test"),
    ]  # fmt: skip
    fresh = tmp_path / "fresh"
    say(_made(fresh), NOTE, now=datetime(2024, 3, 31, tzinfo=UTC))
    assert tankdrift_here("run", lake, "--out", fresh, "--direct").returncode == 0
    assert unlike(out, fresh) == ["sayings"]


def _made(folder):
    folder.mkdir()
    return folder


def _later(path):
    with duckdb.connect(path) as store:
        store.execute(f"update _layout set number = {LAYOUT + 1}")
    return f"its layout is {LAYOUT + 1}"


def _unreadable(path):
    with duckdb.connect(path) as store:
        store.execute("create or replace table _layout as select 'x' as number")
    return "its layout is x"


def _of_others(path):
    path.unlink()
    with duckdb.connect(path) as store:
        store.execute("create table invoices as select 1 as number")
    return "no store of tankdrift"


def _of_a_later_database(path):
    """The file's own format has a number, too, and the page that it stands on a sum, as DuckDB 2.0 makes it."""
    header = bytearray(path.read_bytes()[:4096])
    assert struct.unpack_from("<Q", header) == (_page_sum(header),)
    header[12:20] = struct.pack("<Q", 9_999)
    header[:8] = struct.pack("<Q", _page_sum(header))
    path.write_bytes(bytes(header) + path.read_bytes()[4096:])
    return "a later version left it"


def _page_sum(page):
    total = 5381
    for (word,) in struct.iter_unpack("<Q", page[8:]):
        total ^= word * 0xBF58476D1CE4E5B9 & (2**64 - 1)
    return total


@pytest.mark.parametrize("spoil", [_later, _unreadable, _of_others, _of_a_later_database])
def test_a_later_or_unknown_store_is_one_line_and_is_not_touched(tmp_path, spoil):
    lake, out = write(tmp_path / "lake", tiny_lake(days=1)), tmp_path / "out"
    path = _put(out)
    words = spoil(path)
    before = path.read_bytes()
    for command in (["run", lake, "--out", out, "--direct"], ["report", out], ["check", out]):
        done = tankdrift_here(*command)
        assert done.returncode == 2
        *_, line = done.stderr.splitlines()
        assert line.startswith(f"tankdrift: {path}: ") and words in line
    assert path.read_bytes() == before
    assert {entry.name for entry in out.iterdir()} <= {FILE, ".tankdrift.lock"}


def test_a_snapshot_of_a_later_version_is_one_line(tmp_path):
    _later(_put(tmp_path).rename(tmp_path / SNAPSHOT))
    with pytest.raises(StoreError, match=f"its layout is {LAYOUT + 1}"):
        read_snapshot(tmp_path)
