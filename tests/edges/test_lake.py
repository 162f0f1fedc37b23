"""Kind of evidence: contract. Reading a lake keeps what is right, refuses what is wrong and says why."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.errors import LakeError
from pipeline.lake import read_labels, read_lake
from tests.support.lakes import START, digest, rows, tiny_lake, write, write_part


def _refused(lake) -> set[tuple[str, str]]:
    return set(lake.quarantine.select("table", "reason").iter_rows())


def _with(tables, table, **columns):
    return {**tables, table: tables[table].with_columns(**columns)}


def test_a_right_lake_is_read_whole(tmp_path):
    tables = tiny_lake()
    lake = read_lake(write(tmp_path / "lake", tables))
    for name, frame in tables.items():
        assert lake.tables[name].sort(frame.columns).equals(frame.sort(frame.columns)), name
    assert lake.quarantine.is_empty()


def test_a_lake_is_never_written_to(tmp_path):
    path = write(tmp_path / "lake", tiny_lake())
    before = digest(path)
    read_lake(path)
    assert digest(path) == before


# -- Lakes that cannot be used ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "table", ["sites", "tanks", "strapping", "meters", "meter_feeds", "readings", "sales", "deliveries"]
)
def test_missing_table_is_named(tmp_path, table):
    tables = tiny_lake()
    del tables[table]
    with pytest.raises(LakeError, match=f"table {table} is missing"):
        read_lake(write(tmp_path / "lake", tables))


@pytest.mark.parametrize("table", ["meter_totals", "events"])
def test_optional_table_may_be_missing(tmp_path, table):
    tables = tiny_lake()
    del tables[table]
    assert read_lake(write(tmp_path / "lake", tables)).tables[table].is_empty()


def test_missing_column_is_named(tmp_path):
    tables = tiny_lake()
    tables["sales"] = tables["sales"].drop("volume_l")
    with pytest.raises(LakeError, match=r"sales/day=2024-03-29/part-0.parquet has no column volume_l"):
        read_lake(write(tmp_path / "lake", tables))


def test_column_that_may_be_null_may_be_missing(tmp_path):
    tables = tiny_lake()
    tables["readings"] = tables["readings"].drop("density_kg_m3")
    assert read_lake(write(tmp_path / "lake", tables)).tables["readings"]["density_kg_m3"].null_count() == 576


def test_empty_folder_and_no_folder(tmp_path):
    with pytest.raises(LakeError, match="there is no such folder"):
        read_lake(tmp_path / "nowhere")
    (tmp_path / "lake").mkdir()
    with pytest.raises(LakeError, match="table sites is missing"):
        read_lake(tmp_path / "lake")


@pytest.mark.parametrize("table", ["tanks", "readings"])
def test_tables_without_rows_make_no_lake(tmp_path, table):
    tables = {name: frame.clear() if name == table else frame for name, frame in tiny_lake().items()}
    with pytest.raises(LakeError, match=f"table {table} holds no row"):
        read_lake(write(tmp_path / "lake", tables))


def test_no_usable_tank_makes_no_lake(tmp_path):
    with pytest.raises(LakeError, match=r"no row of the lake's table tanks is usable: 2 refused.*product_known"):
        read_lake(write(tmp_path / "lake", _with(tiny_lake(), "tanks", product=pl.lit("lemonade"))))


# -- Types that cast without loss ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("readings", {"ts": pl.col("ts").cast(pl.Datetime("ns", "UTC"))}),
        ("readings", {"ts": pl.col("ts").dt.cast_time_unit("ms").dt.convert_time_zone("Asia/Tokyo")}),
        ("readings", {"ts": pl.col("ts").dt.replace_time_zone(None)}),
        ("readings", {"quality": pl.col("quality").cast(pl.Categorical)}),
        ("readings", {"tank_id": pl.col("tank_id").cast(pl.Enum(["T1", "T2"]))}),
        ("readings", {"level_mm": pl.col("level_mm").cast(pl.Int32)}),
        ("readings", {"level_mm": pl.col("level_mm").cast(pl.Float32)}),
        ("tanks", {"wall_count": pl.col("wall_count").cast(pl.Int64)}),
        ("tanks", {"wall_count": pl.col("wall_count").cast(pl.Float64)}),
        ("tanks", {"commissioned_on": pl.lit(None, pl.Null)}),
        ("meter_feeds", {"valid_from": pl.col("valid_from").dt.date()}),
    ],
)
def test_other_types_of_the_same_content_read_the_same(tmp_path, table, columns):
    tables = tiny_lake()
    expected = read_lake(write(tmp_path / "plain", tables)).tables
    found = read_lake(write(tmp_path / "other", _with(tables, table, **columns)))
    assert found.quarantine.is_empty()
    assert found.tables[table].equals(expected[table])


def test_midnight_is_a_date(tmp_path):
    tables = _with(tiny_lake(), "tanks", commissioned_on=pl.lit(datetime(2019, 5, 2)))
    assert read_lake(write(tmp_path / "lake", tables)).tables["tanks"]["commissioned_on"][0] == date(2019, 5, 2)


def test_files_of_one_table_may_differ_in_type(tmp_path):
    tables = tiny_lake()
    path = write(tmp_path / "lake", tables)
    part = tables["readings"].filter(pl.col("ts").dt.date() == date(2024, 3, 30))
    write_part(path, "readings", date(2024, 3, 30), part.cast({"level_mm": pl.Int64, "quality": pl.Categorical}))
    assert read_lake(path).tables["readings"].equals(tables["readings"].sort("tank_id", "ts"))


def test_a_stored_day_column_and_foreign_files_are_ignored(tmp_path):
    tables = tiny_lake()
    path = write(tmp_path / "lake", _with(tables, "readings", day=pl.lit("whatever"), extra=pl.lit(1)))
    (path / "readings" / "_SUCCESS").touch()
    (path / "readings" / "day=2024-03-30" / "._part-0.parquet").write_bytes(b"of a file manager")
    (path / "notes.txt").write_text("not a table")
    assert read_lake(path).tables["readings"].equals(tables["readings"].sort("tank_id", "ts"))


# -- Rows that are refused -------------------------------------------------------------------------

FAR = datetime(2150, 1, 1, tzinfo=UTC)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _first(column, value):
    """Put a value into the first row alone."""
    return pl.when(pl.int_range(pl.len()) == 0).then(pl.lit(value)).otherwise(pl.col(column))


@pytest.mark.parametrize(
    ("table", "column", "value", "reason"),
    [
        ("tanks", "product", "lemonade", "product_known"),
        ("tanks", "site_id", "S9", "site_id_unknown"),
        ("readings", "tank_id", "T9", "tank_id_unknown"),
        ("readings", "ts", EPOCH, "ts_in_range"),
        ("readings", "ts", FAR, "ts_in_range"),
        ("readings", "quality", "fair", "quality_known"),
        ("sales", "meter_id", "M9", "meter_id_unknown"),
        ("sales", "volume_l", -1.0, "volume_l_not_negative"),
        ("sales", "volume_l", float("nan"), "volume_l_missing"),
        ("sales", "ts_start", START + timedelta(days=9), "ends_after_start"),
        ("sales", "volume_l", 1e9, "volume_l_plausible"),
        ("strapping", "volume_l", -1.0, "volume_l_not_negative"),
        ("strapping", "level_mm", -1.0, "level_mm_not_negative"),
        ("meter_feeds", "share", 0.0, "share_in_0_to_1"),
        ("meter_feeds", "share", 1.01, "share_in_0_to_1"),
        ("meter_feeds", "tank_id", "T9", "tank_id_unknown"),
        ("meter_feeds", "meter_id", "M9", "meter_id_unknown"),
        ("meter_totals", "meter_id", "M9", "meter_id_unknown"),
        ("events", "tank_id", "T9", "tank_id_unknown"),
        ("events", "kind", "party", "kind_known"),
    ],
)
def test_wrong_row_is_refused_with_its_reason(tmp_path, table, column, value, reason):
    tables = tiny_lake()
    lake = read_lake(write(tmp_path / "lake", _with(tables, table, **{column: _first(column, value)})))
    assert (table, reason) in _refused(lake)
    assert lake.admitted[table].refused.height == 1
    assert lake.tables[table].height == tables[table].height - 1


def test_negative_ticket_is_refused_and_says_what_it_was(tmp_path):
    ticket = {"delivery_id": "D1", "tank_id": "T1", "ts_ticket": START, "ticket_volume_l": -5000.0}
    tables = {**tiny_lake(), "deliveries": rows("deliveries", ticket)}
    lake = read_lake(write(tmp_path / "lake", tables))
    assert lake.quarantine.row(0) == (
        "deliveries",
        '{"delivery_id":"D1","tank_id":"T1","ts_ticket":"2024-03-29T00:00:00+00:00","ticket_volume_l":-5000.0,'
        '"ticket_temp_c":null,"ticket_density_15_kg_m3":null,"carrier":null,"vehicle":null,"terminal":null}',
        "ticket_volume_l_not_negative",
    )


def test_of_a_chart_that_falls_once_one_row_is_refused(tmp_path):
    tables = tiny_lake()
    dented = pl.when(pl.col("level_mm") == 900).then(1.0).otherwise("volume_l")
    later = tables["strapping"].filter(pl.col("tank_id") == "T1")
    later = later.with_columns(valid_from=START + timedelta(days=1), volume_l=dented)
    tables["strapping"] = pl.concat([tables["strapping"], later])
    lake = read_lake(write(tmp_path / "lake", tables))
    assert _refused(lake) == {("strapping", "chart_rises")}
    assert lake.quarantine.height == 1 and '"level_mm":900.0' in lake.quarantine["row"][0]
    assert lake.tables["strapping"].height == 62


@pytest.mark.parametrize("bad", [1, 3, 20])
def test_bad_rows_of_a_chart_are_refused_one_by_one_with_their_level(tmp_path, bad):
    """Of 101 rows: fallen, doubled, beyond the tank, jumping, or in gallons; each with the reason that it earns."""
    spoils = [
        (lambda litres: litres - 400.0, "chart_rises"),
        (lambda litres: litres + 45.0, "chart_smooth"),
        (lambda litres: litres / 3.785411784, "chart_rises"),
    ]
    tables = tiny_lake(tanks=2)
    rows_of = [{"tank_id": "T1", "valid_from": START, "level_mm": 20.0 * n, "volume_l": 100.0 * n} for n in range(101)]
    expected = set()
    for number in range(bad):
        place = 5 + 4 * number
        spoil, reason = spoils[number % len(spoils)]
        rows_of[place]["volume_l"] = spoil(rows_of[place]["volume_l"])
        expected.add((20.0 * place, reason))
    rows_of.append(rows_of[50] | {"volume_l": 4_990.0})
    rows_of.append({"tank_id": "T1", "valid_from": START, "level_mm": 2_020.0, "volume_l": 11_500.0})
    expected |= {(2_020.0, "volume_l_within_tank"), (1_000.0, "same_key_other_content")}
    other = tables["strapping"].filter(pl.col("tank_id") == "T2")
    tables["strapping"] = pl.concat([rows("strapping", *rows_of), other])
    lake = read_lake(write(tmp_path / "lake", tables))
    level = lake.quarantine["row"].str.json_path_match("$.level_mm").cast(pl.Float64)
    assert set(zip(level, lake.quarantine["reason"], strict=True)) == expected
    kept = lake.tables["strapping"].filter(pl.col("tank_id") == "T1")
    assert kept.height == 101 - bad
    assert kept["volume_l"].is_sorted()
    assert lake.tables["strapping"].filter(pl.col("tank_id") == "T2").equals(other)


def test_a_chart_and_a_capacity_in_unlike_units_are_not_held_against_each_other(tmp_path):
    """Most of the chart is beyond the tank: which of the two is wrong is not known."""
    lake = read_lake(write(tmp_path / "lake", _with(tiny_lake(), "tanks", capacity_l=10_000.0 / 3.785411784)))
    assert not any(table == "strapping" for table, _ in _refused(lake))


def test_a_chart_with_equal_neighbours_stands(tmp_path):
    level = pl.col("level_mm").clip(100, 1900)
    lake = read_lake(write(tmp_path / "lake", _with(tiny_lake(), "strapping", volume_l=level * 5)))
    assert lake.quarantine.is_empty()


@pytest.mark.parametrize("zone", ["Mars/Olympus", "", "Europe", "../etc/passwd"])
def test_site_in_no_time_zone_is_refused_with_all_that_hangs_on_it(tmp_path, zone):
    tables = tiny_lake()
    other = tiny_lake(tanks=1)
    renamed = {
        "sites": other["sites"].with_columns(site_id=pl.lit("S2"), timezone=pl.lit(zone)),
        "tanks": other["tanks"].with_columns(tank_id=pl.lit("X1"), site_id=pl.lit("S2")),
        "strapping": other["strapping"].with_columns(tank_id=pl.lit("X1")),
        "meters": other["meters"].with_columns(meter_id=pl.lit("MX"), site_id=pl.lit("S2")),
        "meter_feeds": other["meter_feeds"].with_columns(meter_id=pl.lit("MX"), tank_id=pl.lit("X1")),
        "readings": other["readings"].with_columns(tank_id=pl.lit("X1")),
        "sales": other["sales"].with_columns(meter_id=pl.lit("MX"), sale_id="X" + pl.col("sale_id")),
        "meter_totals": other["meter_totals"].with_columns(meter_id=pl.lit("MX")),
        "events": other["events"].with_columns(event_id=pl.lit("E2"), site_id=pl.lit("S2")),
    }
    both = {name: pl.concat([frame, renamed[name]]) if name in renamed else frame for name, frame in tables.items()}
    lake = read_lake(write(tmp_path / "lake", both))
    for name, frame in tables.items():
        assert lake.tables[name].height == frame.height, name
    assert _refused(lake) == {
        ("sites", "timezone_exists"),
        ("tanks", "site_id_refused"),
        ("strapping", "tank_id_refused"),
        ("meters", "site_id_refused"),
        ("meter_feeds", "meter_id_refused, tank_id_refused"),
        ("readings", "tank_id_refused"),
        ("sales", "meter_id_refused"),
        ("meter_totals", "meter_id_refused"),
        ("events", "site_id_refused"),
    }
    assert lake.quarantine.height == sum(frame.height for frame in renamed.values())


def test_what_a_gauge_does_on_a_normal_day_is_not_refused(tmp_path):
    quirks = rows(
        "readings",
        {"tank_id": "T1", "ts": START + timedelta(minutes=1), "quality": "bad", "level_mm": -99999.0, "temp_c": 850.0},
        {"tank_id": "T1", "ts": START + timedelta(minutes=2), "quality": "uncertain"},
        {"tank_id": "T1", "ts": START + timedelta(minutes=3), "quality": "bad", "level_mm": float("inf")},
    )
    tables = tiny_lake()
    tables["readings"] = pl.concat([quirks, tables["readings"]])
    lake = read_lake(write(tmp_path / "lake", tables))
    assert lake.quarantine.is_empty()
    odd = lake.tables["readings"].filter(pl.col("ts") < START + timedelta(minutes=10))
    assert odd["level_mm"].to_list() == [1900.0, -99999.0, None, None, 1900.0]


def test_doubles_are_dropped_and_counted_and_the_better_of_two_is_kept(tmp_path):
    tables = tiny_lake()
    first = tables["readings"].head(1)
    worse = first.with_columns(quality=pl.lit("bad"), level_mm=pl.lit(1.0))
    emptier = first.with_columns(temp_c=pl.lit(None, pl.Float64))
    tables["readings"] = pl.concat([worse, emptier, tables["readings"], first, first, worse])
    lake = read_lake(write(tmp_path / "lake", tables))
    assert lake.admitted["readings"].doubles == 3
    assert lake.tables["readings"].head(1).equals(first)
    assert lake.quarantine["reason"].to_list() == ["same_key_other_content"] * 2


def test_lake_of_one_tank_and_tank_without_a_meter(tmp_path):
    tables = tiny_lake(tanks=1)
    bare = {name: frame.clear() if name in ("meters", "meter_feeds", "sales", "meter_totals") else frame
            for name, frame in tables.items()}  # fmt: skip
    lake = read_lake(write(tmp_path / "lake", bare))
    assert lake.quarantine.is_empty()
    assert lake.tables["tanks"].height == 1


# -- A cut in time ---------------------------------------------------------------------------------


def test_nothing_after_the_day_is_seen(tmp_path):
    tables = tiny_lake()
    tables["meter_feeds"] = tables["meter_feeds"].with_columns(
        valid_to=pl.lit(START + timedelta(days=2)), valid_from=_first("valid_from", START + timedelta(days=1))
    )
    path = write(tmp_path / "lake", tables)
    lake = read_lake(path, until=date(2024, 3, 29))
    assert lake.tables["readings"]["ts"].max() == START + timedelta(hours=23, minutes=45)
    assert lake.tables["sales"]["ts_end"].max() == START + timedelta(hours=23, minutes=3)
    assert lake.tables["meter_totals"].height == 2
    assert lake.tables["meter_feeds"].select("tank_id", "valid_to").rows() == [("T2", None)]
    assert read_lake(path, until=date(2024, 3, 31)).tables["meter_feeds"]["valid_to"].null_count() == 0


def test_the_cut_of_a_flat_file_is_the_cut_of_folders(tmp_path):
    tables = tiny_lake()
    folders = write(tmp_path / "folders", tables)
    flat = tmp_path / "flat"
    flat.mkdir()
    for name, frame in tables.items():
        frame.write_parquet(flat / f"{name}.parquet")
    until = date(2024, 3, 30)
    one, other = read_lake(folders, until=until), read_lake(flat, until=until)
    assert all(one.tables[name].equals(other.tables[name]) for name in tables)


def test_a_day_before_all_data_leaves_no_lake(tmp_path):
    with pytest.raises(LakeError, match="readings holds no row, or none so early"):
        read_lake(write(tmp_path / "lake", tiny_lake()), until=date(2020, 1, 1))


def test_labels_are_read_only_when_asked_for(tmp_path):
    label = {"label_id": "L1", "cause": "tank_leak", "verdict": "confirmed", "site_id": "S1", "ts_start": START}
    path = write(tmp_path / "lake", {**tiny_lake(), "labels": rows("labels", label)})
    assert "labels" not in read_lake(path).tables
    assert read_labels(path)["label_id"].to_list() == ["L1"]
    (path / "labels.parquet").unlink()
    assert read_labels(path).is_empty()
