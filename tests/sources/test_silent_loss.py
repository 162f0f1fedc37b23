"""Kind of evidence: known truth by construction. What was not read is said, counted, and asked for again."""

import contextlib
import json
import sqlite3
import sys
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.doctor import examine
from pipeline.errors import ArgumentError, OperationError, QuarantineLimitError, SourceError
from pipeline.load import take_in
from pipeline.nightly import finish_night, run_night
from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from pipeline.sources.landing import Merged
from pipeline.sources.mapping import to_contract
from pipeline.sources.table_config import FileTable
from pipeline.store import open_store
from tests.support.lakes import START, tiny_lake, write
from tests.support.opc_ua import serve
from tests.support.servers import Loop, free_port

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


def _plant(tmp_path, monkeypatch, kind, *times, level=900.0):
    """A database with a level at each of the times."""
    monkeypatch.setenv("PLANT", str(tmp_path / "plant.db"))
    with contextlib.closing(sqlite3.connect(tmp_path / "plant.db")) as database:
        database.execute("drop table if exists levels")
        database.execute(f"create table levels (tank_id text, ts {kind}, level_mm real, temp_c real, quality text)")
        rows = [(at, level, 15.0) for at in times]
        database.executemany("insert into levels values ('T1', ?, ?, ?, 'good')", rows)
        database.commit()


def _change(tmp_path, text):
    with contextlib.closing(sqlite3.connect(tmp_path / "plant.db")) as database:
        database.execute(text)
        database.commit()


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


AT = datetime(2026, 3, 1, 12, tzinfo=UTC)
QUARTERS = [AT + timedelta(minutes=15 * k) for k in range(30)]


@pytest.mark.parametrize(
    ("kind", "written", "wrong", "right"),
    [
        ("integer", AT.timestamp() * 1000, "epoch_s", "epoch_ms"),
        ("integer", AT.timestamp(), "epoch_ms", "epoch_s"),
        ("text", "2026-03-01 12:00:00", "epoch_ms", "text"),
    ],
)
def test_a_time_of_another_scale_is_said_and_read_once_it_is_set(tmp_path, monkeypatch, kind, written, wrong, right):
    _plant(tmp_path, monkeypatch, kind, written)
    said = _collected(tmp_path, f'time_kind = "{wrong}"\n')
    assert "time_kind" in str(said.error)
    assert right in str(said.error)
    mended = _collected(tmp_path, f'time_kind = "{right}"\n')
    assert (mended.error, mended.merged.new) == (None, 1)


@pytest.mark.parametrize("written", ["2026-03-01 12:00:00", "2026-03-01T12:00:00", "2026-03-01 12:00:00.250"])
def test_text_is_found_from_the_middle_of_a_day_on(tmp_path, monkeypatch, written):
    """SQLite compares text: an instant written with a T stands after every one of its day with a blank."""
    _plant(tmp_path, monkeypatch, "text", written)
    monkeypatch.setattr(sys.modules[__name__], "SETTINGS", SETTINGS.replace("01T00", "01T09"))
    assert _collected(tmp_path).merged.new == 1


def test_a_time_column_that_is_not_there_is_said(tmp_path, monkeypatch):
    """SQLite takes a name in quotes that it does not know for a word, and no row is of that time."""
    _plant(tmp_path, monkeypatch, "text", "2026-03-01 12:00:00")
    monkeypatch.setattr(sys.modules[__name__], "SETTINGS", SETTINGS.replace('time_column = "ts"', 'time_column = "at"'))
    assert "there is no column 'at'" in str(_collected(tmp_path).error)


def test_text_with_its_zone_is_found(tmp_path, monkeypatch):
    _plant(tmp_path, monkeypatch, "text", "2026-03-01T12:00:00+01:00", "2026-03-02T23:30:00-05:00")
    found = _collected(tmp_path, 'time_kind = "text"\ntime_format = "iso_zoned"\n')
    assert (found.error, found.merged.new) == (None, 1)  # the other is of after NOW


def test_text_that_stands_in_no_order_of_time_is_not_asked_for_by_it(tmp_path, monkeypatch):
    with pytest.raises(ArgumentError, match=r"text in the form %d.%m.%Y stands in no order of time"):
        _collected(tmp_path, 'time_kind = "text"\ntime_format = "%d.%m.%Y"\n')


def test_rows_that_were_all_refused_are_read_again_once_the_settings_are_mended(tmp_path, monkeypatch):
    _plant(tmp_path, monkeypatch, "text", *(f"{at:%Y-%m-%d %H:%M}" for at in QUARTERS))
    wrong = _collected(tmp_path, 'time_kind = "text"\ntime_format = "%Y-%m-%d at %H:%M"\n')
    assert "plant: all 30 rows of readings were refused (ts_unreadable)" in str(wrong.error)
    mended = _collected(tmp_path, 'time_kind = "text"\ntime_format = "%Y-%m-%d %H:%M"\n')
    assert (mended.error, mended.merged.new) == (None, 30)
    assert not list((tmp_path / "lake" / "_refused").glob("*"))


def test_a_column_that_has_gone_stops_its_table_until_the_settings_say_so(tmp_path, monkeypatch):
    _plant(tmp_path, monkeypatch, "text", *(f"{at:%Y-%m-%d %H:%M:%S}" for at in QUARTERS))
    assert _collected(tmp_path).error is None
    _change(tmp_path, "alter table levels rename column temp_c to temp_f")
    gone = _collected(tmp_path)
    assert "plant: the column for readings.temp_c was there before and is gone" in str(gone.error)
    assert gone.merged.corrected == 0
    without = _collected(tmp_path, "[sources.tables.readings.columns]\ntemp_c = {}\n")
    assert (without.error, without.merged.corrected) == (None, 30)


def test_readings_none_of_which_has_a_level_are_said(tmp_path, monkeypatch):
    _plant(tmp_path, monkeypatch, "text", *(f"{at:%Y-%m-%d %H:%M:%S}" for at in QUARTERS), level=None)
    assert "plant: none of 30 readings has a level" in str(_collected(tmp_path).error)
    _change(tmp_path, "update levels set level_mm = 900 where rowid = 1")
    assert _collected(tmp_path).error is None


DROPS = """
min_free_gb = 0
[[sources]]
name = "till"
kind = "files"
place = "drops"
[sources.tables.readings]
pattern = "*.csv"
"""


def test_files_are_read_again_by_settings_that_have_changed_and_by_a_backfill(tmp_path):
    (tmp_path / "drops").mkdir()
    lines = [f"T1,{at:%Y-%m-%d %H:%M:%S},900.0,good" for at in QUARTERS]
    (tmp_path / "drops" / "a.csv").write_text("tank_id,ts,level_mm,quality\n" + "\n".join([*lines[:29], "T1,x,1,good"]))
    file = tmp_path / "tankdrift.toml"
    file.write_text(DROPS)
    (first,) = collect(read_operations(file), now=NOW)
    assert (first.merged.new, first.merged.refused) == (29, 1)
    (again,) = collect(read_operations(file), now=NOW, start=AT, end=NOW)
    assert again.merged.doubles == 29
    file.write_text(DROPS + '[sources.tables.readings.columns]\nlevel_mm = { column = "level_mm", unit = "cm" }\n')
    (told_anew,) = collect(read_operations(file), now=NOW)
    assert (told_anew.merged.corrected, told_anew.merged.refused) == (29, 1)
    (same,) = collect(read_operations(file), now=NOW)
    assert same.merged == Merged()


def test_nodes_that_are_unknown_or_keep_no_history_are_named_and_asked_again(tmp_path):
    """What the other nodes said is in the lake; once the node is there, what it said meanwhile comes in, too."""
    port, loop = free_port(), Loop()
    told = {"schema": {"tag": pl.String, "ts": pl.Datetime("us", "UTC"), "value": pl.Float64, "quality": pl.Int64}}
    one = pl.DataFrame({"tag": "A", "ts": QUARTERS, "value": 900.0, "quality": 0}, **told)
    server, space = loop.run(serve(port, one))
    try:
        loop.run(server.nodes.objects.add_variable(f"ns={space};s=B", "B", 0.0))
        tags = [f'{{ tag = "ns={space};s={name}", tank_id = "T{name}", column = "level_mm" }}' for name in "ABC"]
        (tmp_path / "tankdrift.toml").write_text(
            f'min_free_gb = 0\n[[sources]]\nname = "plant"\nkind = "opcua"\nsince = 2026-03-01T00:00:00Z\n'
            f'address = "opc.tcp://127.0.0.1:{port}/plant"\ntags = [{", ".join(tags)}]\n'
        )
        operations = read_operations(tmp_path / "tankdrift.toml")
        (first,) = collect(operations, now=NOW)
        assert first.error == (
            f"plant: node ns={space};s=B keeps no history that this user may read; switch it on in the server "
            "(and 1 more nodes)"
        )
        assert first.merged.new == 30
        assert json.loads((operations.lake / "_tankdrift" / "plant.json").read_text()).get("readings") is None
        (said,) = [
            finding for finding in examine(tmp_path / "tankdrift.toml", now=NOW) if finding.what == "source plant"
        ]
        assert (said.is_well, "keeps no history" in said.said) == (False, True)
    finally:
        loop.run(server.stop())
        loop.close()


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A night soon after the tiny lake's last readings, of 23:45 on its third day; 15 of 144 sales have no litres."""
    place, tables = tmp_path_factory.mktemp("night"), tiny_lake()
    bad = tables["sales"].with_columns(volume_l=pl.when(pl.int_range(pl.len()) >= 15).then("volume_l"))
    write(place / "yard", {**tables, "sales": bad})
    (place / "tankdrift.toml").write_text(
        'min_free_gb = 0\n[[sources]]\nname = "yard"\nkind = "lake"\nplace = "yard"\n'
    )
    operations = read_operations(place / "tankdrift.toml")
    return operations, run_night(operations, now=START + timedelta(days=3, hours=20))


def test_a_night_in_which_every_tank_is_silent_is_no_good_night(night):
    operations, well = night
    assert well.failures == []
    late = finish_night(operations, [], now=START + timedelta(days=4, hours=3), outcome=well.outcome)
    with pytest.raises(OperationError, match="not one of 2 tanks has told anything since 2024-03-31 23:45 UTC"):
        late.require_whole(100.0)


def test_a_night_that_refuses_more_than_its_limit_fails(night):
    _, well = night
    with pytest.raises(
        QuarantineLimitError, match=r"15 of 144 rows of sales were refused \(10.4 %, the limit is 5 %\)"
    ):
        well.require_whole(5.0)
    well.require_whole(11.0)


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
