"""Kind of evidence: contract and known truth. What goes wrong at night, and that nothing is lost for it."""

import contextlib
import resource
import shutil
import sqlite3
import subprocess
import sys
from datetime import timedelta

import polars as pl
import pytest

from pipeline.doctor import examine
from pipeline.errors import ArgumentError
from pipeline.nightly import Night
from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from pipeline.sources.landing import Landing
from pipeline.sources.source import Fetched
from tests.support.lakes import START, tiny_lake, write
from tests.support.nights import read
from tests.support.runs import ROOT
from tests.support.servers import free_port

NOW = START + timedelta(days=3)


@pytest.fixture(autouse=True)
def _clean(clean_environment):
    """See `clean_environment`."""


@pytest.fixture
def fleet(tmp_path):
    """A lake as a source, with drops of sales beside it."""
    tables = tiny_lake()
    write(tmp_path / "yard", tables)
    (tmp_path / "drops").mkdir()
    for number, part in enumerate(tables["sales"].iter_slices(48)):
        part.write_csv(tmp_path / "drops" / f"sales-{number}.csv")
    return tmp_path


def _settings(folder, *, more: str = ""):
    tables = [name for name in tiny_lake() if name != "sales"]
    (folder / "tankdrift.toml").write_text(
        "min_free_gb = 0.0\n"
        f'[[sources]]\nname = "yard"\nkind = "lake"\nplace = "yard"\ntables = {tables!r}\nretry_wait_s = 0\n'
        '[[sources]]\nname = "till"\nkind = "files"\nplace = "drops"\nretry_wait_s = 0\n'
        f'[sources.tables.sales]\npattern = "sales-*.csv"\n{more}'
    )
    return read_operations(folder / "tankdrift.toml")


def _errors(done):
    return [entry.error for entry in done if entry.error]


def test_a_corrupt_file_stops_only_itself_and_comes_in_when_it_is_mended(fleet):
    good = (fleet / "drops" / "sales-1.csv").read_bytes()
    (fleet / "drops" / "sales-1.csv").write_bytes(b"\xff\xfe\x00 broken")
    dips = fleet / "yard" / "readings" / "day=2024-03-30" / "part-0.parquet"
    whole = dips.read_bytes()
    dips.write_bytes(whole[:-300])
    operations = _settings(fleet)
    said = _errors(collect(operations, now=NOW))
    assert len(said) == 2
    assert "day=2024-03-30/part-0.parquet is not readable as Parquet" in said[0]
    assert "sales-1.csv is not readable as CSV" in said[1]
    found = read(operations.lake)
    assert found["sales"].height == tiny_lake()["sales"].height - 48
    assert found["readings"].height == tiny_lake()["readings"].height * 2 // 3
    (fleet / "drops" / "sales-1.csv").write_bytes(good)
    dips.write_bytes(whole)
    assert _errors(collect(operations, now=NOW)) == []
    assert all(frame.equals(read(fleet / "yard")[name]) for name, frame in read(operations.lake).items())


def test_a_changed_schema_says_which_column_and_keeps_what_was_there(fleet):
    operations = _settings(fleet)
    collect(operations, now=NOW)
    before = read(operations.lake)
    late = pl.read_csv(fleet / "drops" / "sales-0.csv").rename({"volume_l": "litres_sold"})
    late.write_csv(fleet / "drops" / "sales-9.csv")
    (said,) = _errors(collect(operations, now=NOW))
    assert said.startswith("till: sales-9.csv: there is no column 'volume_l' for sales.volume_l (there are: ")
    assert "litres_sold" in said
    assert all(frame.equals(before[name]) for name, frame in read(operations.lake).items())


def test_cells_that_cannot_be_read_are_refused_with_the_row_as_it_came(fleet):
    rows = pl.read_csv(fleet / "drops" / "sales-0.csv", infer_schema=False)
    is_first = pl.int_range(pl.len()) == 0
    rows.with_columns(volume_l=pl.when(is_first).then(pl.lit("12 or so")).otherwise("volume_l")).write_csv(
        fleet / "drops" / "sales-0.csv"
    )
    operations = _settings(fleet)
    (done,) = [entry for entry in collect(operations, now=NOW) if entry.table == "sales"]
    assert (done.merged.refused, done.merged.new) == (1, tiny_lake()["sales"].height - 1)
    from tests.support.nights import loaded

    refused = loaded(operations.lake, fleet / "out")["quarantine"]
    assert refused["reason"].to_list() == ["volume_l_unreadable"]
    assert "12 or so" in refused["row"][0]


PLANT = """
[[sources]]
name = "plant"
kind = "sql"
driver = "sqlite"
address = "PLACE/plant.db"
retries = 0
since = 2024-03-29T00:00:00Z
lookback_hours = 6
[sources.tables.readings]
table = "dips"
time_column = "ts"
time_kind = "epoch_s"
"""


def test_down_in_mid_window_it_goes_on_where_it_broke_off(tmp_path):
    """The database is taken away after the first day's window."""
    readings = tiny_lake()["readings"].with_columns(pl.col("ts").dt.epoch("s"))
    with contextlib.closing(sqlite3.connect(tmp_path / "plant.db")) as plant:
        plant.execute(f"create table dips ({', '.join(readings.columns)})")
        plant.executemany(f"insert into dips values ({','.join('?' * readings.width)})", readings.rows())
        plant.commit()
    write(tmp_path / "lake", {name: frame for name, frame in tiny_lake().items() if name != "readings"})
    (tmp_path / "tankdrift.toml").write_text("min_free_gb = 0.0\n" + PLANT.replace("PLACE", str(tmp_path)))
    operations = read_operations(tmp_path / "tankdrift.toml")
    assert _errors(collect(operations, now=START + timedelta(days=1))) == []
    shutil.move(tmp_path / "plant.db", tmp_path / "away.db")
    (done,) = collect(operations, now=NOW)
    assert "plant: table dips: the database says" in str(done.error)
    shutil.move(tmp_path / "away.db", tmp_path / "plant.db")
    (done,) = collect(operations, now=NOW)
    assert (done.error, done.merged.new) == (None, tiny_lake()["readings"].height * 2 // 3)
    assert done.merged.doubles == 2 * 24  # the six hours that are read again
    assert read(operations.lake)["readings"].equals(tiny_lake()["readings"].sort(pl.all()))


def test_a_clock_that_was_moved_back_reads_nothing_twice_and_says_so(tmp_path):
    test_down_in_mid_window_it_goes_on_where_it_broke_off(tmp_path)
    operations = read_operations(tmp_path / "tankdrift.toml")
    (done,) = collect(operations, now=START + timedelta(days=2))
    assert (done.merged.new, done.merged.corrected) == (0, 0)
    assert done.note == "this machine's clock stands before the last time, 2024-04-01 00:00 UTC"
    (done,) = collect(operations, now=NOW + timedelta(hours=1))
    assert done.note is None


def test_a_stream_ten_times_as_dense_is_taken_in_whole(tmp_path):
    landing = Landing(write(tmp_path / "lake", tiny_lake()))
    dense = tiny_lake()["readings"].head(96)
    every = pl.concat([dense.with_columns(pl.col("ts") + timedelta(seconds=90 * k)) for k in range(10)])
    assert landing.merge("readings", "dense", Fetched(every)).new == 960
    found = read(tmp_path / "lake")["readings"]
    assert found.filter(pl.col("tank_id") == "T1", pl.col("ts").dt.date() == START.date()).height == 960


def test_an_id_used_twice_is_kept_once_and_the_other_is_in_quarantine(tmp_path):
    landing = Landing(write(tmp_path / "lake", tiny_lake()))
    other = (
        tiny_lake()["sales"]
        .head(1)
        .with_columns(pl.col("ts_start", "ts_end") + timedelta(days=2), volume_l=pl.lit(31.0))
    )
    landing.merge("sales", "till", Fetched(other))
    found = read(tmp_path / "lake")
    assert found["sales"].height == tiny_lake()["sales"].height
    assert found["quarantine"]["reason"].to_list() == ["same_key_other_content"]


def test_a_gauge_whose_clock_was_set_back_loses_no_row(tmp_path):
    """An hour comes twice under the same times: each row is let in or in quarantine, be it one file or two nights."""
    readings = tiny_lake(days=1)["readings"].filter(pl.col("tank_id") == "T1")
    noon = START + timedelta(hours=12)
    back = readings.with_columns(
        ts=pl.when(pl.col("ts") >= noon).then(pl.col("ts") - timedelta(hours=1)).otherwise("ts")
    )
    lake = write(tmp_path / "lake", {**tiny_lake(days=1), "readings": readings.clear()})
    landing = Landing(lake)
    landing.merge("readings", "gauge", Fetched(back))
    found = read(lake)
    assert (found["readings"].height, found["quarantine"].height) == (92, 4)
    assert set(found["quarantine"]["reason"]) == {"same_key_other_content"}
    again = Landing(write(tmp_path / "again", {**tiny_lake(days=1), "readings": readings.clear()}))
    is_before = pl.int_range(pl.len()) < 48
    again.merge("readings", "gauge", Fetched(back.filter(is_before)))
    counts = again.merge("readings", "gauge", Fetched(back.filter(~is_before)))
    assert (counts.new, counts.corrected) == (44, 4)
    kept = [pl.read_parquet(path) for path in (tmp_path / "again" / "_superseded").rglob("*.parquet")]
    assert sum(frame.height for frame in kept) == 4


def test_a_disk_that_takes_no_more_leaves_every_file_whole(fleet):
    """A real limit of the operating system on the size of files stands for the full disk."""
    operations = _settings(fleet)
    code = (
        "import resource, sys; from pathlib import Path\n"
        "from datetime import datetime, UTC\n"
        "from pipeline.sources.collect import collect\n"
        "from pipeline.sources.config import read_operations\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (2500, 2500))\n"
        "done = collect(read_operations(Path(sys.argv[1])), now=datetime.fromisoformat(sys.argv[2]))\n"
        "print([entry.table for entry in done if entry.error and 'large' in entry.error.lower()])\n"
    )
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
    command = [sys.executable, "-c", code, str(fleet / "tankdrift.toml"), NOW.isoformat()]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert "readings" in done.stdout, done.stderr
    for path in operations.lake.rglob("*.parquet"):
        pl.read_parquet(path)
    assert not list(operations.lake.rglob("*.new"))
    assert _errors(collect(operations, now=NOW)) == []
    assert all(frame.equals(read(fleet / "yard")[name]) for name, frame in read(operations.lake).items())


def test_too_little_room_is_said_before_anything_is_written(fleet):
    operations = _settings(fleet).model_copy(update={"min_free_gb": 1e9})
    said = _errors(collect(operations, now=NOW))
    assert "GB free, less than min_free_gb" in said[0]
    assert not list(operations.lake.rglob("*.parquet"))


def test_a_source_that_fails_stops_no_other_and_the_night_says_so(fleet):
    shutil.rmtree(fleet / "drops")
    down = '[[sources]]\nname = "probe"\nkind = "sql"\ndriver = "postgresql"\nretries = 0\n'
    down += f'address = "postgresql://127.0.0.1:{free_port()}/x"\n'
    operations = _settings(fleet, more=down + '[sources.tables.events]\ntable = "events"\ntime_column = "ts"\n')
    done = collect(operations, now=NOW)
    assert {entry.source for entry in done if entry.error} == {"till", "probe"}
    assert sum(entry.merged.new for entry in done if entry.source == "yard") > 500
    assert len(Night(done).failures) == 2


SOURCE = '[[sources]]\nname = "a"\n'
INCHES = 'pattern = "x"\n[sources.tables.sales.columns]\nvolume_l = { column = "v", unit = "in" }\n'
PASSWORD = 'kind = "sql"\ndriver = "sqlite"\naddress = "postgresql://u:fen-orchard-12@h/d"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('lakes = "x"', "lakes: there is no such setting; did you mean lake?"),
        (f"{SOURCE}{PASSWORD}[sources.tables]", "has a password in it"),
        (
            '[[notices.to]]\nrole = "ops"\nurl = "mailto://u:fen-orchard-12@h"',
            "a secret stands here by reference alone",
        ),
        (
            f'{SOURCE}kind = "files"\nplace = "x"\n[sources.tables.sales]\n{INCHES}',
            "in does not measure sales.volume_l (units of it: l, ml,",
        ),
        (
            f'{SOURCE}kind = "lake"\nplace = "s3://a"\noptions = {{ secret_access_key = "fen-orchard-12" }}',
            "option secret_access_key is a secret",
        ),
        ("lake = [", "Invalid"),
    ],
)
def test_settings_that_cannot_be_used_are_one_line_without_the_secret(tmp_path, text, said):
    (tmp_path / "tankdrift.toml").write_text(text)
    with pytest.raises(ArgumentError) as caught:
        read_operations(tmp_path / "tankdrift.toml")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "fen-orchard-12" not in str(caught.value)


def test_the_doctor_says_what_ails_and_how_to_mend_it(fleet):
    operations = _settings(fleet)
    collect(operations, now=NOW)
    well = examine(fleet / "tankdrift.toml", now=NOW)
    assert [finding.what for finding in well if not finding.is_well] == ["clock"]  # the lake is of 2024
    shutil.rmtree(fleet / "drops")
    ill = examine(fleet / "tankdrift.toml", now=NOW + timedelta(days=800))
    found = {finding.what: finding for finding in ill if not finding.is_well}
    assert set(found) == {"source till", "freshness"}
    assert "there is no such folder" in found["source till"].said
    assert all(finding.mend for finding in found.values())
