"""Kind of evidence: known truth by construction. What was not read is said, counted, and asked for again."""

import sqlite3
from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.errors import SourceError
from pipeline.load import take_in
from pipeline.sources.collect import collect
from pipeline.sources.config import FileTable, read_operations
from pipeline.sources.mapping import to_contract
from pipeline.store import open_store
from tests.support.lakes import tiny_lake, write

NOW = datetime(2026, 3, 3, tzinfo=UTC)

SETTINGS = """
min_free_gb = 0
[[sources]]
name = "plant"
kind = "sql"
driver = "sqlite"
address = "env:PLANT"
since = 2026-03-01T00:00:00Z
[sources.tables.readings]
table = "levels"
time_column = "ts"
"""


def _collected(tmp_path, more=""):
    (tmp_path / "tankdrift.toml").write_text(SETTINGS + more)
    return collect(read_operations(tmp_path / "tankdrift.toml"), now=NOW)[0]


def test_a_time_of_another_kind_is_said_and_read_once_it_is_set(tmp_path, monkeypatch):
    """Seconds since 1970 compare with no text: the window came empty, all was well, and the mark passed the rows."""
    monkeypatch.setenv("PLANT", str(tmp_path / "plant.db"))
    with sqlite3.connect(tmp_path / "plant.db") as database:
        database.execute("create table levels (tank_id text, ts integer, level_mm real, quality text)")
        at = int(datetime(2026, 3, 1, 12, tzinfo=UTC).timestamp())
        database.execute("insert into levels values ('T1', ?, 900.0, 'good')", (at,))
    wrong = _collected(tmp_path)
    assert wrong.error is not None and "set time_kind to epoch_s or epoch_ms" in wrong.error
    mended = _collected(tmp_path, 'time_kind = "epoch_s"\n')
    assert (mended.error, mended.merged.new) == (None, 1)


def test_readings_without_a_column_of_levels_are_no_readings():
    frame = pl.DataFrame({"tank_id": ["T1"], "ts": ["2026-03-01 00:00:00"], "Level": ["900"], "quality": ["good"]})
    with pytest.raises(SourceError, match=r"no column 'level_mm' for readings\.level_mm"):
        to_contract("readings", frame, FileTable(pattern="*.csv"), where="yard")


def test_what_was_refused_on_its_way_counts_against_the_limit(tmp_path):
    """64 rows refused before beside 576 let in are a tenth of 640."""
    lake, out = write(tmp_path / "lake", tiny_lake()), tmp_path / "out"
    before = [{"table": "readings", "row": f'{{"n":{n}}}', "reason": "level_mm_unreadable"} for n in range(64)]
    (lake / "_refused").mkdir()
    pl.DataFrame(before).write_parquet(lake / "_refused" / "yard.readings.parquet")
    out.mkdir()
    with open_store(out) as store:
        take_in(store, lake)
        worst = store.query("ingest/quarantine_share").row(0, named=True)
    told = {name: worst[name] for name in ("table", "rows_read", "rows_refused", "refused_pct")}
    assert told == {"table": "readings", "rows_read": 640, "rows_refused": 64, "refused_pct": 10.0}
