"""Kind of evidence: naive twin and contract. What the store takes in bit by bit is what `read_lake` reads at once."""

import os
import shutil
from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.contract.lake import BY_DAY, TIME_COLUMNS
from pipeline.errors import LakeError
from pipeline.lake import READ_TABLES, read_lake
from pipeline.load import EVER, lake_tables, sites_one_by_one, take_in
from pipeline.sites import site_tables
from pipeline.store import open_store
from tests.support.lakes import START, days_of, digest, tiny_lake, write, write_part

D29, D30, D31 = (date(2024, 3, day) for day in (29, 30, 31))


def _assert_as_read_at_once(out, lake, *, until=None):
    twin = read_lake(lake, until=until)
    with open_store(out, read_only=True) as store:
        taken = lake_tables(store)
        for name in READ_TABLES:
            order = twin.tables[name].columns
            assert taken[name].sort(order).equals(twin.tables[name].sort(order)), name
        assert store.table("quarantine").equals(twin.quarantine)
        counts = store.query("ingest/quarantine_share")
        assert dict(zip(counts["table"], counts["rows_read"], strict=True)) == {
            name: entry.rows_read
            for name, entry in twin.admitted.items()
            if entry.rows_read or (lake / f"{name}.parquet").exists()
        }


def _take(out, lake, **options):
    out.mkdir(exist_ok=True)
    with open_store(out) as store:
        return take_in(store, lake, **options)


@pytest.fixture
def lake(tmp_path):
    """A lake with something to refuse on each day."""
    tables = tiny_lake()
    strangers = tables["readings"].gather_every(40).with_columns(tank_id=pl.lit("T9"))
    twice = tables["readings"].gather_every(30)
    tables["readings"] = pl.concat([tables["readings"], strangers, twice])
    return write(tmp_path / "lake", tables)


def test_all_at_once(tmp_path, lake):
    before = digest(lake)
    assert _take(tmp_path / "out", lake)
    _assert_as_read_at_once(tmp_path / "out", lake)
    assert digest(lake) == before


def test_nothing_new_is_nothing_to_do(tmp_path, lake):
    assert _take(tmp_path / "out", lake)
    assert not _take(tmp_path / "out", lake)


def test_rows_come_in_order(tmp_path, lake):
    _take(tmp_path / "out", lake)
    with open_store(tmp_path / "out") as store:
        tables = lake_tables(store)
    assert tables["readings"].equals(tables["readings"].sort("tank_id", "ts"))
    assert tables["sales"].equals(tables["sales"].sort("meter_id", "ts_start"))


@pytest.mark.parametrize("since", [EVER, START + timedelta(days=1, hours=7)])
@pytest.mark.parametrize("at_once", [1, 10**6])
def test_sites_one_by_one_are_those_of_all_the_lake_at_once(tmp_path, since, at_once):
    """Naive twin: everything in memory, and split then; the second site has a tank and a meter, the third no tank."""
    tables = tiny_lake()
    sites = [tables["sites"].with_columns(site_id=pl.lit(name)) for name in ("S2", "S3")]
    tables["sites"] = pl.concat([tables["sites"], *sites])
    for name, key in (("tanks", "T2"), ("meters", "M-T2")):
        is_moved = pl.col(f"{name[:-1]}_id") == key
        moved = pl.when(is_moved).then(pl.lit("S2")).otherwise("site_id").alias("site_id")
        tables[name] = tables[name].with_columns(moved)
    _take(tmp_path / "out", write(tmp_path / "lake", tables))
    with open_store(tmp_path / "out", read_only=True) as store:
        whole = lake_tables(store)
        found = list(sites_one_by_one(store, since=since, at_once=at_once))
    for name in BY_DAY:
        whole[name] = whole[name].filter(pl.col(TIME_COLUMNS[name]) >= since)
    expected = list(site_tables(whole))
    assert [one["sites"]["site_id"].to_list() for one in found] == [["S1"], ["S2"]]
    for one, twin in zip(found, expected, strict=True):
        assert {name: frame.to_dicts() for name, frame in one.items()} == {n: f.to_dicts() for n, f in twin.items()}


def test_day_by_day(tmp_path, lake):
    for day in (D29, D30, D31):
        assert _take(tmp_path / "out", lake, until=day)
        _assert_as_read_at_once(tmp_path / "out", lake, until=day)
    assert _take(tmp_path / "out", lake, until=D29)
    _assert_as_read_at_once(tmp_path / "out", lake, until=D29)


def _reads(caplog) -> list[str]:
    """What was said to be read of the tables that lie in days."""
    said = [record.getMessage() for record in caplog.records]
    return [line for line in said if any(f" {name}," in line for name in BY_DAY)]


def test_only_the_new_day_is_read(tmp_path, lake, caplog):
    last = {name: tmp_path / "kept" / name for name in BY_DAY}
    for name, place in last.items():
        place.parent.mkdir(exist_ok=True)
        shutil.move(lake / name / "day=2024-03-31", place)
    _take(tmp_path / "out", lake)
    for name, place in last.items():
        shutil.move(place, lake / name / "day=2024-03-31")
    caplog.set_level("INFO", logger="tankdrift")
    _take(tmp_path / "out", lake)
    assert _reads(caplog) == [f"reading {name}, files: 1" for name in BY_DAY]
    _assert_as_read_at_once(tmp_path / "out", lake)


def test_late_rows_of_an_old_day_replace_that_day(tmp_path, lake, caplog):
    _take(tmp_path / "out", lake)
    late = (
        tiny_lake()["readings"]
        .filter(pl.col("ts").dt.date() == D30)
        .with_columns(ts=pl.col("ts") + timedelta(minutes=7))
    )
    write_part(lake, "readings", D30, late, name="late")
    caplog.set_level("INFO", logger="tankdrift")
    _take(tmp_path / "out", lake)
    assert _reads(caplog) == ["reading readings, files: 2"]
    _assert_as_read_at_once(tmp_path / "out", lake)


def test_a_day_that_is_gone_from_the_lake_is_gone_from_the_store(tmp_path, lake):
    _take(tmp_path / "out", lake)
    shutil.rmtree(lake / "readings" / "day=2024-03-30")
    _take(tmp_path / "out", lake)
    _assert_as_read_at_once(tmp_path / "out", lake)


def test_rows_in_another_day_s_folder(tmp_path, lake):
    """A row of the 29th that is also, doubled and otherwise, in the folder of the 31st."""
    _take(tmp_path / "out", lake)
    stray = tiny_lake()["readings"].head(3)
    write_part(lake, "readings", D31, pl.concat([stray, stray.with_columns(quality=pl.lit("bad"))]), name="stray")
    _take(tmp_path / "out", lake)
    _assert_as_read_at_once(tmp_path / "out", lake)
    (lake / "readings" / "day=2024-03-31" / "stray.parquet").unlink()
    _take(tmp_path / "out", lake)
    _assert_as_read_at_once(tmp_path / "out", lake)


def test_a_sale_s_key_on_two_days(tmp_path, lake):
    first = tiny_lake()["sales"].head(1)
    again = first.with_columns(pl.col("ts_start", "ts_end") + timedelta(days=2), unit_price=pl.lit(None, pl.Float64))
    write_part(lake, "sales", D31, again, name="again")
    _take(tmp_path / "out", lake)
    _assert_as_read_at_once(tmp_path / "out", lake)
    with open_store(tmp_path / "out") as store:
        assert "same_key_other_content" in store.table("quarantine")["reason"]


def test_a_tank_that_becomes_known_brings_its_old_readings(tmp_path, lake):
    _take(tmp_path / "out", lake)
    tanks = pl.read_parquet(lake / "tanks.parquet")
    pl.concat([tanks, tanks.head(1).with_columns(tank_id=pl.lit("T9"))]).write_parquet(lake / "tanks.parquet")
    _take(tmp_path / "out", lake)
    _assert_as_read_at_once(tmp_path / "out", lake)
    with open_store(tmp_path / "out") as store:
        assert "T9" in store.table("readings")["tank_id"]


def test_tables_in_single_files(tmp_path):
    flat = tmp_path / "flat"
    flat.mkdir()
    tables = tiny_lake()
    for name, frame in tables.items():
        frame.write_parquet(flat / f"{name}.parquet")
    _take(tmp_path / "out", flat, until=D30)
    _assert_as_read_at_once(tmp_path / "out", flat, until=D30)
    _take(tmp_path / "out", flat)
    _assert_as_read_at_once(tmp_path / "out", flat)
    (flat / "readings.parquet").unlink()
    for day, part in days_of("readings", tables["readings"]).items():
        write_part(flat, "readings", day, part)
    _take(tmp_path / "out", flat)
    _assert_as_read_at_once(tmp_path / "out", flat)


def test_another_lake_in_the_same_place_in_the_store(tmp_path, lake):
    _take(tmp_path / "out", lake)
    other = write(tmp_path / "other", tiny_lake(days=2, tanks=1))
    _take(tmp_path / "out", other)
    _assert_as_read_at_once(tmp_path / "out", other)


def test_a_broken_lake_leaves_the_store_as_it_was(tmp_path, lake):
    _take(tmp_path / "out", lake)
    with open_store(tmp_path / "out") as store:
        before = {name: store.table(name) for name in (*READ_TABLES, "quarantine")}
    for broken in (lake / "sales").rglob("*.parquet"):
        broken.write_bytes(broken.read_bytes()[:-50])
    late = tiny_lake()["readings"].head(1).with_columns(ts=pl.lit(START + timedelta(seconds=5)))
    write_part(lake, "readings", D29, late, name="late")
    with pytest.raises(LakeError, match=r"day=2024-03-29/part-0.parquet is not .* none of the table's 3 files can be"):
        _take(tmp_path / "out", lake)
    with open_store(tmp_path / "out") as store:
        assert all(store.table(name).equals(frame) for name, frame in before.items())


def test_a_broken_file_costs_its_rows_until_it_is_mended(tmp_path, lake):
    out, broken = tmp_path / "out", lake / "sales" / "day=2024-03-31" / "part-0.parquet"
    sound = broken.read_bytes()
    _take(out, lake)
    broken.write_bytes(sound[:-50])
    _take(out, lake)
    _assert_as_read_at_once(out, lake)
    with open_store(out, read_only=True) as store:
        assert store.table("quarantine").filter(table="sales").height == 1
        assert sorted(store.table("sales")["ts_end"].dt.day().unique()) == [29, 30]
    broken.write_bytes(sound)
    _take(out, lake)
    _assert_as_read_at_once(out, lake)
    with open_store(out, read_only=True) as store:
        assert store.table("quarantine").filter(table="sales").is_empty()


def test_what_stands_alone_in_time_waits_for_more_beside_it(tmp_path):
    """Naive twin: one reading of 2001, then more than a twentieth of all there, then one again."""
    tables = tiny_lake()
    lake, out = write(tmp_path / "lake", tables), tmp_path / "out"
    old = tables["readings"].head(40).with_columns(pl.col("ts").dt.offset_by("-24y"))
    day = old["ts"][0].date()
    for rows, refused in ((1, 1), (40, 0), (1, 1)):
        write_part(lake, "readings", day, old.head(rows))
        _take(out, lake)
        _assert_as_read_at_once(out, lake)
        with open_store(out, read_only=True) as store:
            assert store.table("quarantine").height == refused
    (lake / "events.parquet").touch()
    assert _take(out, lake)
    _assert_as_read_at_once(out, lake)


def test_a_sale_far_from_the_rest_is_one(tmp_path):
    """A hose may rest for half a year; a gauge does not."""
    tables = tiny_lake()
    moved = [pl.col(name).dt.offset_by("-1y") for name in ("ts_start", "ts_end")]
    old = tables["sales"].head(1).with_columns(*moved, sale_id=pl.lit("old"))
    tables["sales"] = pl.concat([tables["sales"], old])
    lake, out = write(tmp_path / "lake", tables), tmp_path / "out"
    _take(out, lake)
    _assert_as_read_at_once(out, lake)
    with open_store(out, read_only=True) as store:
        assert store.table("quarantine").is_empty()


def test_a_lake_cut_before_its_first_day_is_an_error_and_leaves_the_store(tmp_path, lake):
    _take(tmp_path / "out", lake)
    with pytest.raises(LakeError, match="holds no row, or none so early"):
        _take(tmp_path / "out", lake, until=date(2020, 1, 1))
    _assert_as_read_at_once(tmp_path / "out", lake)


def test_a_touched_file_is_read_again_to_the_same_end(tmp_path, lake):
    _take(tmp_path / "out", lake)
    os.utime(lake / "readings" / "day=2024-03-30" / "part-0.parquet")
    assert _take(tmp_path / "out", lake)
    _assert_as_read_at_once(tmp_path / "out", lake)


def test_what_is_ahead_of_the_clock_waits_until_it_is_past(tmp_path):
    """Known truth: a reading of next year moves no last day; once its time has come, all ends as read at once."""
    tables = tiny_lake()
    stray = tables["readings"].head(1).with_columns(ts=pl.lit(START + timedelta(days=365)))
    tables["readings"] = pl.concat([tables["readings"], stray])
    lake, out = write(tmp_path / "lake", tables), tmp_path / "out"
    assert _take(out, lake, latest=START + timedelta(days=4))
    assert not _take(out, lake, latest=START + timedelta(days=300))
    with open_store(out, read_only=True) as store:
        assert store.query("ingest/last_day")["day"][0] == D31
        assert store.table("quarantine").select("table", "reason").rows() == [("readings", "ahead_of_clock")]
    (lake / "events.parquet").touch()
    assert _take(out, lake, latest=START + timedelta(days=301))
    with open_store(out, read_only=True) as store:
        assert store.table("quarantine").height == 1
    assert _take(out, lake, latest=START + timedelta(days=366))
    _assert_as_read_at_once(out, lake)
