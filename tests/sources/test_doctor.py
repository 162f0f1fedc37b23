"""Kind of evidence: contract. What the doctor says of a source that is set wrong, and how to mend just that."""

import contextlib
import sqlite3
from datetime import UTC, datetime, timedelta

import pytest

from pipeline.doctor import examine
from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from tests.support.lakes import tiny_lake, write

NOW = datetime(2026, 3, 2, 3, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _clean(clean_environment):
    """See `clean_environment`."""


@pytest.fixture
def plant(tmp_path):
    """A SQL historian with a tank's level and temperature by the quarter hour, a tag map, and who the tanks are."""
    write(tmp_path / "yard", tiny_lake())
    with contextlib.closing(sqlite3.connect(tmp_path / "plant.db")) as database:
        database.execute("create table vals (at text, name text, val real, q integer)")
        for k in range(96):
            at = f"{NOW - timedelta(minutes=15 * k + 5):%Y-%m-%d %H:%M:%S}"
            database.executemany("insert into vals values (?, ?, ?, 192)", [(at, "LVL", 900.0 - k), (at, "TMP", 15.0)])
        database.commit()
    (tmp_path / "tags.csv").write_text(TAGS)
    return tmp_path


TAGS = "tag,tank_id,meter_id,column,unit\nLVL,T1,,level_mm,mm\nTMP,T1,,temp_c,\n"

SETTINGS = """
min_free_gb = 0
[[sources]]
name = "plant"
kind = "sql"
driver = "sqlite"
address = "PLACE/plant.db"
tag_file = "tags.csv"
[sources.tables.readings]
table = "vals"
layout = "narrow"
time_column = "at"
tag_column = "name"
value_column = "val"
quality_column = "q"
[[sources]]
name = "yard"
kind = "lake"
place = "yard"
tables = ["sites", "tanks", "meters"]
"""


def _found(place, settings=SETTINGS):
    """What is said of the plant, and how to mend it."""
    (place / "tankdrift.toml").write_text(settings.replace("PLACE", str(place)))
    found = [one for one in examine(place / "tankdrift.toml", now=NOW) if one.what == "source plant"]
    assert all(one.is_well is (one.mend is None) for one in found)
    return [(one.said, one.mend) for one in found]


def test_a_source_that_is_well_says_how_much_came(plant):
    [(said, mend)] = _found(plant)
    assert said.endswith("96 readings in a day")
    assert mend is None


def test_a_tag_map_that_is_not_there(plant):
    (plant / "tags.csv").unlink()
    [(said, mend)] = _found(plant)
    assert said == f"{plant / 'tags.csv'}: there is no such file"
    assert mend == "put the tag map there, or mend tag_file"
    (done, *_) = collect(read_operations(plant / "tankdrift.toml"), now=NOW)
    assert done.error == f"{said}; {mend}"


@pytest.mark.parametrize(
    ("tags", "said", "mend"),
    [
        (TAGS.replace("column,", "colum,"), "has a column 'colum'",
         "its first line may be tag,tank_id,meter_id,column,unit"),
        (TAGS.replace("level_mm,mm", "level,mm"), "line 2: tag LVL: level is not a column that a tag can be",
         "its column is one of level_mm, water_mm, temp_c, density_kg_m3, total_l"),
        (TAGS.replace("level_mm,mm", "level_mm,inch"), "line 2: tag LVL: unit inch does not measure level_mm",
         "a unit of level_mm is one of mm, cm, m, in, ft; it needs its tank_id, a total its meter_id"),
        (TAGS.replace("TMP,T1", "TMP,"), "line 3: tag TMP: it says neither which tank nor which meter it is of",
         "it needs its tag, and its tank_id, a total its meter_id"),
        (TAGS + "LVL,T2,,level_mm,mm\n", "tag LVL stands twice in the tag map", "take one of the two out"),
        (TAGS.replace("T1", "T7"), "96 of 96 rows of readings would be refused, most for tank_id_unknown, such as",
         "mend tank_id in the source or tag map, or add it to tanks; no source's tanks names it"),
    ],
)  # fmt: skip
def test_a_tag_map_that_is_wrong(plant, tags, said, mend):
    (plant / "tags.csv").write_text(tags)
    [(found, how)] = _found(plant)
    assert said in found
    assert how == mend


@pytest.mark.parametrize(
    ("layout", "form", "said"),
    [("narrow", "{no}.{signal}", "none of the tags that came for readings is in the tag map, such as {"),
     ("wide", "T{no}.{signal}", "no column is a tag (there are: at, name, val, q)")],
)  # fmt: skip
def test_a_form_that_fits_no_tag(plant, layout, form, said):
    given = f'[[sources.tag_forms]]\nform = "{form}"\ntank_id = "T{{no}}"\nsignals = {{ LVL = "level_mm" }}\n'
    settings = SETTINGS.replace('tag_file = "tags.csv"\n', "").replace('"narrow"', f'"{layout}"')
    [(found, mend)] = _found(plant, settings.replace('[[sources]]\nname = "yard', given + '[[sources]]\nname = "yard'))
    assert said in found
    assert "tag_forms" in mend


@pytest.mark.parametrize(
    ("right", "wrong", "said", "mend"),
    [
        ('value_column = "val"', 'value_column = "value"', "no column 'value' (there are: at, name, val, q)",
         "set value_column to one of them"),
        ('tag_column = "name"', "", "no column 'tag'", "set tag_column to one of them"),
        ('quality_column = "q"', 'quality_column = "state"', "no column 'state'", "set quality_column to one of them"),
        ('time_column = "at"', 'time_column = "when"', "no column 'when' (there are: at, name, val, q)",
         "set time_column to one of them"),
        ('table = "vals"', 'table = "values_of"', "no such table: values_of",
         "mend table and column names, or give this user the right to read them"),
        ('time_column = "at"', 'time_column = "at"\ntime_kind = "epoch_s"', "what column at holds is no epoch_s",
         "set time_kind to timestamp or text"),
        ('time_column = "at"', 'time_column = "at"\ntimezone = "Asia/Tokyo"', "no reading came within a day",
         "see whether gauges still write there, and the zone and kind of the times"),
    ],
)  # fmt: skip
def test_settings_that_are_wrong(plant, right, wrong, said, mend):
    if "Tokyo" in wrong:  # then the database holds no row that is as young
        with contextlib.closing(sqlite3.connect(plant / "plant.db")) as database:
            database.execute("delete from vals where at > '2026-03-01 10:00:00'")
            database.commit()
    [(found, how)] = _found(plant, SETTINGS.replace(right, wrong))
    assert said in found
    assert how == mend


@pytest.mark.parametrize(
    ("row", "said", "mend"),
    [
        ("S1-1;M-T1;x;2026-03-01 08:02:00;30", "ts_start_unreadable",
         "see unit, words, decimal and time_format of ts_start under [sources.tables.sales]"),
        ("S1-1;M-T9;2026-03-01 08:00:00;2026-03-01 08:02:00;30", "meter_id_unknown",
         "mend meter_id in the source or tag map, or add it to meters; no source's meters names it"),
        ("S1-1;M-T1;2026-03-01 08:00:00;2026-03-01 08:02:00;-4", "volume_l_not_negative",
         "see column volume_l of sales in shared/data_dictionary.md"),
    ],
)  # fmt: skip
def test_rows_that_the_contract_would_refuse(plant, row, said, mend):
    (plant / "drops").mkdir()
    (plant / "drops" / "a.csv").write_text("sale_id;meter_id;ts_start;ts_end;volume_l\n" + row + "\n")
    drops = """
[[sources]]
name = "till"
kind = "files"
place = "drops"
[sources.tables.sales]
pattern = "*.csv"
separator = ";"
[sources.tables.sales.columns]
kind = { value = "sale" }
"""
    (plant / "tankdrift.toml").write_text(SETTINGS.replace("PLACE", str(plant)) + drops)
    [found] = [one for one in examine(plant / "tankdrift.toml", now=NOW) if one.what == "source till"]
    assert f"1 of 1 rows of sales would be refused, most for {said}, such as" in found.said
    assert found.mend == mend


def test_a_lake_that_leaves_out_what_a_lake_must_have_is_said_before_the_night(plant):
    """Totals and log entries may be left out; tickets may not, or every drop would look unticketed."""
    (plant / "tankdrift.toml").write_text(
        'min_free_gb = 0\n[[sources]]\nname = "yard"\nkind = "lake"\nplace = "yard"\n'
    )
    for table in ("deliveries", "events"):
        (plant / "yard" / f"{table}.parquet").unlink()
    found = [
        one.said for one in examine(plant / "tankdrift.toml", now=NOW) if one.what == "contract" and not one.is_well
    ]
    assert found == ["no source tells deliveries, which a lake must have"]
    tiny_lake()["deliveries"].write_parquet(plant / "yard" / "deliveries.parquet")
    assert [
        one for one in examine(plant / "tankdrift.toml", now=NOW) if one.what == "contract" and not one.is_well
    ] == []
