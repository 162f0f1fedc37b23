"""Kind of evidence: contract. A file that cannot be used costs its own rows, and is named with what is wrong."""

from datetime import date

import polars as pl
import pytest

from pipeline.contract.lake import BY_DAY
from pipeline.errors import LakeError
from pipeline.lake import read_lake
from tests.support.lakes import days_of, tiny_lake, write, write_part


def _refused(lake) -> set[tuple[str, str]]:
    return set(lake.quarantine.select("table", "reason").iter_rows())


@pytest.mark.parametrize(
    ("table", "columns", "message"),
    [
        (
            "sales",
            {"ts_end": pl.lit("noon")},
            r"sales/day=2024-03-29/part-0.parquet: column ts_end is String, expected",
        ),
        ("tanks", {"tank_id": pl.lit(1)}, r"tanks.parquet: column tank_id is Int32, expected str"),
        ("tanks", {"buried": pl.lit("yes")}, r"buried is String, expected bool"),
    ],
)
def test_a_table_all_of_whose_files_have_a_wrong_type_is_named(tmp_path, table, columns, message):
    tables = tiny_lake()
    path = write(tmp_path / "lake", tables)
    for part, file in _files_of(path, tables, table):
        part.with_columns(**columns).write_parquet(file)
    with pytest.raises(LakeError, match=message) as caught:
        read_lake(path)
    assert "\n" not in str(caught.value)


def _files_of(path, tables, table):
    """A table's rows as they lie in its files, and the files."""
    if table not in BY_DAY:
        return [(tables[table], path / f"{table}.parquet")]
    return [
        (part, path / table / f"day={day}" / "part-0.parquet") for day, part in days_of(table, tables[table]).items()
    ]


@pytest.mark.parametrize(
    ("table", "columns", "reason", "said"),
    [
        ("readings", {"ts": pl.col("ts").dt.epoch()}, "file_ts_of_wrong_type",
         "column ts is Int64, expected timestamp[us, UTC]"),
        ("sales", {"volume_l": pl.lit(True)}, "file_volume_l_of_wrong_type", "volume_l is Boolean, expected f64"),
    ],
)  # fmt: skip
def test_a_file_of_wrong_type_costs_its_own_rows(tmp_path, table, columns, reason, said):
    tables = tiny_lake()
    path = write(tmp_path / "lake", tables)
    write_part(path, table, date(2024, 3, 30), tables[table].with_columns(**columns), name="later")
    lake = read_lake(path)
    assert _refused(lake) == {(table, reason)}
    assert said in lake.quarantine["row"][0] and "day=2024-03-30/later.parquet" in lake.quarantine["row"][0]
    assert lake.tables[table].height == tables[table].height
    assert lake.admitted[table].rows_read == tables[table].height + 1 and lake.admitted[table].doubles == 0


def test_a_column_that_may_be_null_and_has_a_wrong_type_costs_what_it_carries(tmp_path):
    tables = tiny_lake()
    tables["readings"] = tables["readings"].with_columns(water_mm=pl.lit("dry"))
    lake = read_lake(write(tmp_path / "lake", tables))
    assert _refused(lake) == {("readings", "column_water_mm_of_wrong_type")}
    assert lake.quarantine.height == 3  # one a file
    assert lake.tables["readings"]["water_mm"].null_count() == 576
    assert lake.tables["readings"]["temp_c"].null_count() == 0


def test_a_table_that_may_be_missing_may_be_junk(tmp_path):
    path = write(tmp_path / "lake", tiny_lake())
    (path / "events.parquet").write_text("junk")
    lake = read_lake(path)
    assert lake.tables["events"].is_empty()
    assert _refused(lake) == {("events", "file_unreadable")}


def test_the_columns_of_another_table_are_named(tmp_path):
    tables = tiny_lake()
    path = write(tmp_path / "lake", tables)
    write_part(path, "sales", date(2024, 3, 30), tables["readings"], name="later")
    (row,) = read_lake(path).quarantine.to_dicts()
    wanted = ("sale_id", "meter_id", "ts_start", "ts_end", "volume_l", "kind")
    assert row["reason"] == ", ".join(f"file_without_{name}" for name in wanted)


def _damaged(path, spoil):
    """A lake of three days of which one day's readings are spoilt, as it is read."""
    broken = write(path, tiny_lake()) / "readings" / "day=2024-03-30" / "part-0.parquet"
    broken.write_bytes(spoil(broken.read_bytes()))
    return read_lake(path)


@pytest.mark.parametrize("keep", [0, 3, 200, -100])
def test_a_truncated_file_costs_its_own_rows(tmp_path, keep):
    lake = _damaged(tmp_path / "lake", lambda content: content[:keep])
    assert lake.quarantine.rows() == [
        (
            "readings",
            '{"said": "readings/day=2024-03-30/part-0.parquet is not readable as Parquet (truncated, or of another '
            'kind)"}',
            "file_unreadable",
        )
    ]
    assert sorted(lake.tables["readings"]["ts"].dt.day().unique()) == [29, 31]


def test_a_file_damaged_in_its_middle_costs_its_own_rows(tmp_path):
    lake = _damaged(tmp_path / "lake", lambda content: content[:4] + b"\xff" * 396 + content[400:])
    assert "day=2024-03-30/part-0.parquet is damaged" in lake.quarantine["row"][0]
    assert _refused(lake) == {("readings", "file_damaged")}
    assert sorted(lake.tables["readings"]["ts"].dt.day().unique()) == [29, 31]
