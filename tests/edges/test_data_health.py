"""Kind of evidence: known truth by construction. Each trouble of the data is put into a sound lake, and named alone."""

from datetime import datetime, timedelta

import polars as pl
import pytest

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.store import Health, Refused
from pipeline.data_health import data_health, data_health_of
from tests.support.lakes import START, tiny_lake

DAYS = 8
REFUSED = polars_schema(Refused).to_frame().drop("_part")
TURN = START + timedelta(days=4)
AFTER = (pl.col("tank_id") == "T1") & (pl.col("ts") >= TURN)


@pytest.fixture
def tables():
    """Eight days of two tanks whose levels and temperatures differ and move; the second stands lower."""
    found = tiny_lake(days=DAYS)
    nth = (pl.col("ts") - START).dt.total_minutes() / 15
    lower = pl.when(pl.col("tank_id") == "T2").then(700.0).otherwise(0.0)
    found["readings"] = found["readings"].with_columns(
        level_mm=pl.col("level_mm") - lower, temp_c=14.0 + (nth / 48.0).sin() * 2.0
    )
    return found


def _health(**changes) -> pl.DataFrame:
    sound = {
        "readings": 96, "bad_share": 0.0, "gap_hours": 0.25, "deadband_mm": 0.0, "is_stuck": False, "clock_skew_s": 3.0
    }  # fmt: skip
    records = [
        {"tank_id": tank, "day": START.date() + timedelta(days=day), **sound}
        for tank in ("T1", "T2")
        for day in range(DAYS)
    ]
    for record in records:
        if record["tank_id"] == "T1":
            day = (record["day"] - START.date()).days
            record |= {name: value(day) for name, value in changes.items()}
    return pl.DataFrame(records, schema=polars_schema(Health))


def _found(tables, health=None, refused=REFUSED):
    frame = data_health(tables, _health() if health is None else health, refused)
    return [(row["tank_id"], row["kind"], row["since"]) for row in frame.iter_rows(named=True)]


def _with(tables, **columns):
    tables["readings"] = tables["readings"].with_columns(
        **{name: pl.when(AFTER).then(value).otherwise(name) for name, value in columns.items()}
    )
    return tables


def test_sound_data_has_no_trouble(tables):
    assert _found(tables) == []


@pytest.mark.parametrize("ratio", [25.4, 10.0, 1000.0, 304.8])
def test_a_gauge_that_turned_to_another_unit(tables, ratio):
    assert _found(_with(tables, level_mm=pl.col("level_mm") / ratio)) == [("T1", "unit_slip", TURN)]


def test_a_gauge_that_turned_back_to_millimetres(tables):
    sound = tables["readings"]
    tables["readings"] = sound.with_columns(
        level_mm=pl.when((pl.col("tank_id") == "T1") & (pl.col("ts") < TURN))
        .then(pl.col("level_mm") / 25.4)
        .otherwise("level_mm")
    )
    assert _found(tables) == [("T1", "unit_slip", TURN)]


@pytest.mark.parametrize("litres_mm", [1400.0, 1300.0, -300.0])
def test_a_theft_or_a_drop_is_no_slip(tables, litres_mm):
    """A sudden fall to a quarter of the level, or a rise, is for the balance to judge."""
    assert _found(_with(tables, level_mm=pl.col("level_mm") - litres_mm)) == []


def test_one_odd_reading_is_no_slip(tables):
    at = (pl.col("tank_id") == "T1") & (pl.col("ts") == TURN)
    tables["readings"] = tables["readings"].with_columns(
        level_mm=pl.when(at).then(pl.col("level_mm") / 25.4).otherwise("level_mm")
    )
    assert _found(tables) == []


def test_a_thermometer_that_turned_to_fahrenheit(tables):
    assert _found(_with(tables, temp_c=pl.col("temp_c") * 1.8 + 32.0)) == [("T1", "temperature_unit", TURN)]


@pytest.mark.parametrize(("ratio", "unit"), [(25.4, "in"), (10.0, "cm")])
def test_a_gauge_that_never_told_millimetres(tables, ratio, unit):
    """The level falls by 2 mm an hour, for the ten litres sold in it: T1 tells that in another unit from the start."""
    level = pl.when(pl.col("tank_id") == "T1").then(pl.col("level_mm") / ratio).otherwise("level_mm")
    tables["readings"] = tables["readings"].with_columns(level_mm=level)
    assert _found(tables) == [("T1", "unit_slip", START)]
    (note,) = data_health(tables, _health(), REFUSED)["note"]
    assert note.startswith(f"level: in {unit} all along")


def test_a_low_tank_is_not_told_in_another_unit(tables):
    """It stands at 75 mm as a tank in inches seems to, and falls by what is sold."""
    tables["readings"] = tables["readings"].with_columns(level_mm=pl.col("level_mm") % 110.0 + 1.0)
    assert _found(tables) == []


def test_a_low_tank_that_does_not_move_is_not_told_in_another_unit(tables):
    tables["readings"] = tables["readings"].with_columns(level_mm=pl.lit(75.0))
    assert _found(tables) == []


def test_a_thermometer_in_kelvin_for_a_day(tables):
    day = pl.col("ts") < TURN + timedelta(days=1)
    kelvin = pl.when(day).then(pl.col("temp_c") + 273.15).otherwise("temp_c")
    (found,) = data_health(_with(tables, temp_c=kelvin), _health(), REFUSED).to_dicts()
    assert (found["tank_id"], found["kind"], found["since"]) == ("T1", "temperature_unit", TURN)
    assert found["value"] == 1 / 8  # one of eight days


@pytest.mark.parametrize("temp_c", [-60.0, 90.0])
def test_an_extreme_temperature_is_one(tables, temp_c):
    assert _found(_with(tables, temp_c=pl.lit(temp_c))) == []


def test_a_tank_without_a_chart(tables):
    tables["strapping"] = tables["strapping"].filter(pl.col("tank_id") != "T1")
    assert _found(tables) == [("T1", "no_chart", None)]


def test_a_tank_joined_to_one_without_a_chart(tables):
    tables["tanks"] = tables["tanks"].with_columns(manifold_id=pl.lit("J"))
    tables["strapping"] = tables["strapping"].filter(pl.col("tank_id") != "T1")
    assert _found(tables) == [("T1", "no_chart", None), ("T2", "no_chart", None)]


@pytest.mark.parametrize(("bottom_mm", "top_mm", "share"), [(0, 1000, 1.0), (0, 1700, 0.52), (0, 1800, None)])
def test_a_chart_that_does_not_cover_the_levels(tables, bottom_mm, top_mm, share):
    """T1 falls from 1900 mm by 2 mm an hour in eight days: above 1700 mm for 100 of 192 hours, above 1800 for 50."""
    is_covered = (pl.col("tank_id") != "T1") | pl.col("level_mm").is_between(bottom_mm, top_mm)
    tables["strapping"] = tables["strapping"].filter(is_covered)
    found = data_health(tables, _health(), REFUSED).to_dicts()
    told = [(row["tank_id"], row["kind"], row["since"], pytest.approx(row["value"], abs=0.01)) for row in found]
    assert told == ([("T1", "no_chart", START, share)] if share else [])


def test_two_tags_that_changed_places(tables):
    other = pl.col("tank_id").replace({"T1": "T2", "T2": "T1"})
    tables["readings"] = tables["readings"].with_columns(
        tank_id=pl.when(pl.col("ts") >= TURN).then(other).otherwise("tank_id")
    )
    assert _found(tables) == [("T1", "tag_map", TURN), ("T2", "tag_map", TURN)]


def test_rows_that_name_a_tag_nobody_knows(tables):
    refused = pl.DataFrame(
        {"table": ["readings"] * 2, "row": ["{}", "[]"], "reason": ["tag_unknown", "tank_id_unknown"]},
        schema=REFUSED.schema,
    )
    assert _found(tables, refused=refused) == [(None, "tag_map", None)]


def test_a_level_above_the_tank(tables):
    tables["tanks"] = tables["tanks"].with_columns(
        length_mm=pl.when(pl.col("tank_id") == "T1").then(1500.0).otherwise("length_mm")
    )
    (found,) = _found(tables)
    assert found[:2] == ("T1", "above_tank")


@pytest.mark.parametrize(("falls_mm", "told"), [(1.5, True), (0.0, False)])
def test_sales_that_do_not_arrive_while_a_level_falls(tables, falls_mm, told):
    """Every quarter of an hour it falls by 1.5 mm, or stands still as at a site that is closed."""
    since = tables["sales"].filter(pl.col("ts_end") < TURN)["ts_end"].max()
    tables["sales"] = tables["sales"].filter(pl.col("ts_end") < TURN)
    quarters = (pl.col("ts") - START).dt.total_minutes() / 15
    tables["readings"] = tables["readings"].with_columns(level_mm=2_000.0 - falls_mm * quarters)
    found = [one for one in _found(tables) if one[1] == "no_sales"]
    assert found == ([(tank, "no_sales", since) for tank in ("T1", "T2")] if told else [])


def test_a_tank_that_fell_silent_and_one_that_never_spoke(tables):
    tables["readings"] = tables["readings"].filter(~AFTER)
    for name in ("tanks", "strapping"):
        one = tables[name].filter(pl.col("tank_id") == "T1")
        tables[name] = pl.concat([tables[name], one.with_columns(tank_id=pl.lit("T3"))])
    assert _found(tables) == [("T1", "stale", TURN - timedelta(minutes=15)), ("T3", "stale", None)]


@pytest.mark.parametrize(
    ("changes", "kind", "first_day"),
    [
        ({"is_stuck": lambda day: day >= 5}, "stuck", 5),
        ({"gap_hours": lambda day: 6.0}, "gaps", 0),
        ({"clock_skew_s": lambda day: 600.0}, "clock_off", 0),
        ({"clock_skew_s": lambda day: 10.0 * day}, "clock_drifts", 0),
        ({"readings": lambda day: 960 if day == 6 else 96}, "denser", 6),
    ],
)
def test_what_the_gauge_s_health_says(tables, changes, kind, first_day):
    since = datetime.combine(START.date() + timedelta(days=first_day), datetime.min.time(), START.tzinfo)
    assert _found(tables, _health(**changes)) == [("T1", kind, since)]


def test_no_reading_no_trouble_to_tell(tables):
    tables["readings"] = tables["readings"].clear()
    assert _found(tables) == []


def test_some_sites_at_a_time_tell_what_the_whole_fleet_does(tables):
    """Naive twin: all tanks together. One tank is silent and another stands above its top, at sites of their own."""
    tables["readings"] = tables["readings"].filter(~AFTER)
    is_two = pl.col("tank_id") == "T2"
    tables["tanks"] = tables["tanks"].with_columns(
        site_id=pl.when(is_two).then(pl.lit("S2")).otherwise("site_id"),
        length_mm=pl.when(is_two).then(900.0).otherwise("length_mm"),
    )
    refused = pl.DataFrame({"table": ["readings"], "row": ["{}"], "reason": ["tag_unknown"]}, schema=REFUSED.schema)
    whole = data_health(tables, _health(), refused)
    groups = [
        {
            name: frame.filter(pl.col("tank_id") == tank) if name in ("tanks", "readings") else frame
            for name, frame in tables.items()
        }
        for tank in ("T1", "T2")
    ]
    newest = tables["readings"].group_by("tank_id").agg(pl.col("ts").max())
    assert whole["kind"].to_list() == ["stale", "above_tank", "tag_map"]
    assert data_health_of(groups, newest, _health(), refused).equals(whole)
