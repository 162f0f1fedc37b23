"""Kind of evidence: contract, and values worked by hand. A file that nobody has described, and what is made of it."""

import tomllib
from datetime import UTC, datetime

import polars as pl
import pytest

from flows.cli import main
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.sources.propose import proposed, read_head
from pipeline.sources.vocabulary import COLUMNS, words_of
from tests.support.lakes import tiny_lake

AMERICAN = """Store,Tank No,Reading Time,Product Height (in),Water (in),Temp F,Status
17,171,03/28/2026 11:55 PM,61.25,0.0,61.2,good
17,171,03/29/2026 12:10 AM,61.20,0.0,61.1,good
17,172,03/29/2026 12:10 AM,40.10,0.5,60.0,good
"""
GERMAN = """Beleg;Zapfpunkt;Beginn;Ende;Menge;Preis/Liter;Art
1001;Säule 1;01.03.2026 06:00:10;01.03.2026 06:01:50;41,20;1,799;sale
1002;Säule 1;13.03.2026 06:05:10;13.03.2026 06:06:50;1.041,20;1,799;sale
"""


@pytest.fixture(autouse=True)
def _clean(clean_environment):
    """See `clean_environment`."""


def mapped(capsys, path, *more):
    """What the command says of a file: the settings as read by TOML, and the remarks."""
    assert main(["map", str(path), *more]) == 0
    said = capsys.readouterr().out
    (source,) = tomllib.loads(said)["sources"]
    ((table, settings),) = source["tables"].items()
    return table, settings, said


def collected(tmp_path, capsys, path, *more):
    """The rows that a night brings in by the settings as they are said."""
    said = mapped(capsys, path, *more)[2]
    (tmp_path / "tankdrift.toml").write_text(f'lake = "lake"\nmin_free_gb = 0\n{said}', encoding="utf-8")
    assert main(["collect", "--config", str(tmp_path / "tankdrift.toml")]) == 0
    return pl.concat(pl.read_parquet(one) for one in sorted((tmp_path / "lake").glob("[rs]*/day=*/*.parquet")))


def test_an_american_gauge_s_file_comes_in_as_it_is_proposed(tmp_path, capsys):
    """61.25 in are 1,555.75 mm, 61.2 °F are 16.222 °C (NIST SP 811); 11:55 pm in Chicago was 04:55 UTC in March."""
    (tmp_path / "drop").mkdir()
    path = tmp_path / "drop" / "inventory_2026-03-29.csv"
    path.write_text(AMERICAN)
    table, settings, said = mapped(capsys, path)
    assert (table, settings["pattern"]) == ("readings", "inventory_*.csv")
    assert "times name no zone and are taken as UTC" in said and "# - not used: Store" in said
    first = collected(tmp_path, capsys, path, "--timezone", "America/Chicago").sort("ts").row(0, named=True)
    assert first["ts"] == datetime(2026, 3, 29, 4, 55, tzinfo=UTC)
    assert (first["tank_id"], first["quality"], first["water_mm"]) == ("171", "good", 0.0)
    assert (first["level_mm"], first["temp_c"]) == (pytest.approx(1555.75), pytest.approx(16.2222, abs=1e-4))


def test_a_german_till_s_file_does_too(tmp_path, capsys):
    """Berlin is an hour ahead of UTC in early March."""
    (tmp_path / "drop").mkdir()
    path = tmp_path / "drop" / "verkaeufe.csv"
    path.write_bytes(GERMAN.encode("cp1252"))
    _, settings, said = mapped(capsys, path, "--timezone", "Europe/Berlin")
    assert (settings["separator"], settings["decimal"], settings["encoding"]) == (";", ",", "cp1252")
    assert 'volume_l = "Menge"  # 41.2 to 1041.2: litres are taken, no heading says so' in said
    rows = collected(tmp_path, capsys, path, "--timezone", "Europe/Berlin").sort("ts_end")
    assert rows["volume_l"].to_list() == [41.2, 1041.2]
    assert rows["meter_id"].to_list() == ["Säule 1"] * 2
    assert rows["ts_start"][0] == datetime(2026, 3, 1, 5, 0, 10, tzinfo=UTC)


def _proposed(text, tmp_path, name="file.csv", table=None):
    path = tmp_path / name
    path.write_text(text)
    return proposed(*_turned(read_head(path), name), table)


def _turned(head, name):
    frame, separator, encoding = head
    return frame, name, separator, encoding


@pytest.mark.parametrize("table", COLUMNS)
def test_the_contract_s_own_headings_are_what_they_say(table):
    """By every column that a table has, in an order of their own."""
    names = sorted(polars_schema(LAKE_TABLES[table]))
    frame = pl.DataFrame({name: ["1"] for name in names})
    found = proposed(frame, "file.csv", ",", "utf-8")
    assert found.table == table
    assert {name: told.column for name, told in found.columns.items()} == {name: name for name in names}


@pytest.mark.parametrize(
    ("heading", "figures", "name", "unit"),
    [
        ("Level", (12.1, 96.3), "level_mm", "in"), ("Level", (31.0, 244.0), "level_mm", "cm"),
        ("Level", (0.3, 2.4), "level_mm", "m"), ("Level", (310.0, 2440.0), "level_mm", None),
        ("Level cm", (12.1, 96.3), "level_mm", "cm"), ("Temp", (55.0, 66.0), "temp_c", "degF"),
        ("Temp", (9.0, 21.0), "temp_c", None), ("Temp K", (283.0, 290.0), "temp_c", "K"),
        ("Density", (0.74, 0.75), "density_kg_m3", "kg_l"), ("Density", (6.2, 6.3), "density_kg_m3", "lb_gal_us"),
        ("Density", (46.0, 47.0), "density_kg_m3", "lb_ft3"), ("Density", (740.0, 750.0), "density_kg_m3", None),
    ],
)  # fmt: skip
def test_a_unit_is_told_by_the_heading_or_by_what_the_figures_can_be(tmp_path, heading, figures, name, unit):
    level = "" if name == "level_mm" else ",Level mm"
    rows = [f"T1,2026-03-01 0{hour}:00,{figure}{',900' if level else ''}" for hour, figure in enumerate(figures)]
    found = _proposed("\n".join([f"Tank,Time,{heading}{level}", *rows]), tmp_path)
    assert found.columns[name].unit == unit
    is_told = len(words_of(heading)) > 1
    assert (found.columns[name].check is None) is is_told


@pytest.mark.parametrize(
    ("heading", "unit", "check"),
    [
        ("Gallons", "gal_us", "gallons are taken as those of the United States"), ("Gallons (imp)", "gal_imp", None),
        ("Volume L", None, None), ("Volume", None, "10 to 20: litres are taken, no heading says so"),
    ],
)  # fmt: skip
def test_of_a_volume_no_figure_tells_the_unit(tmp_path, heading, unit, check):
    text = f"Ticket,Tank,Time,{heading}\nA,T1,2026-03-01 06:00,10\nB,T1,2026-03-02 06:00,20\n"
    found = _proposed(text, tmp_path).columns["ticket_volume_l"]
    assert (found.unit, found.check) == (unit, check)


@pytest.mark.parametrize(
    ("times", "form"),
    [
        (("03/04/2026 06:00", "03/05/2026 06:00"), "%m/%d/%Y %H:%M"),
        (("28/02/2026 06:00", "01/03/2026 06:00"), "%d/%m/%Y %H:%M"),
        (("2026-03-01T06:00:00+01:00", "2026-03-01T07:00:00+01:00"), "iso_zoned"),
        (("2026-03-01 06:00", "2026-03-01T07:00:00.5"), None),
        (("1772344800", "1772348400"), "epoch_s"), (("1772344800000", "1772348400000"), "epoch_ms"),
        (("01-Mar-2026 06:00:00", "02-Mar-2026 06:00:00"), "%d-%b-%Y %H:%M:%S"),
    ],
)  # fmt: skip
def test_times_go_by_the_form_in_which_all_can_be_read_and_lie_closest(tmp_path, times, form):
    found = _proposed("\n".join(["Tank,Time,Level mm", *(f"T1,{one},900" for one in times)]), tmp_path)
    assert (found.time_format, list(found.open)) == (form, [])


@pytest.mark.parametrize(
    ("heading", "unit"), [("Price/Gal", "per_gal_us"), ("PPG", "per_gal_us"), ("Price per litre", None),
                          ("Price (imp gallon)", "per_gal_imp")],
)  # fmt: skip
def test_a_price_is_of_the_volume_that_its_heading_names(tmp_path, heading, unit):
    text = f"Receipt,Hose,Start,End,Litres,{heading},Kind\n1,2,2026-03-01 06:00,2026-03-01 06:01,10,3.4,sale\n"
    assert _proposed(text, tmp_path).columns["unit_price"].unit == unit


def test_cubic_metres_are_what_a_heading_says(tmp_path):
    found = _proposed("Ticket,Tank,Time,Volume m3\nA,T1,2026-03-01 06:00,10\n", tmp_path)
    assert found.columns["ticket_volume_l"].unit == "m3"


def test_columns_that_are_one_only_together_are_joined(tmp_path, capsys):
    """A tank's number is its site's, a hose's its pump's; a date stands in one column, its time of day in another."""
    (tmp_path / "drop").mkdir()
    (tmp_path / "drop" / "levels.csv").write_text(
        "Site No,Tank No,Date,Time,Level mm\n7,1,03/28/2026,11:55 PM,900\n8,1,03/28/2026,11:55 PM,901\n"
    )
    _, settings, said = mapped(capsys, tmp_path / "drop" / "levels.csv")
    assert settings["columns"]["tank_id"] == ["Site No", "Tank No"]
    assert "Tank No is the same at several of Site No, and a lake has each tank_id once" in said
    rows = collected(tmp_path, capsys, tmp_path / "drop" / "levels.csv", "--timezone", "America/Chicago")
    assert sorted(rows.select("tank_id", "level_mm").rows()) == [("7-1", 900.0), ("8-1", 901.0)]
    assert set(rows["ts"]) == {datetime(2026, 3, 29, 4, 55, tzinfo=UTC)}
    capsys.readouterr()
    (tmp_path / "sales.csv").write_text(
        "Site No,Receipt,Pump,Hose,Start,End,Gallons\n7,1,D1,1A,2026-03-01 06:00,2026-03-01 06:01,5\n"
    )
    _, settings, said = mapped(capsys, tmp_path / "sales.csv")
    assert settings["columns"]["meter_id"] == ["Pump", "Hose"]
    assert 'put meter_id = ["Site No", "Pump", "Hose"]' in said and 'put sale_id = ["Site No", "Receipt"]' in said
    (tmp_path / "hoses.csv").write_text("Site No,Pump,Hose\n7,D1,1A\n8,D1,1A\n")
    _, settings, _ = mapped(capsys, tmp_path / "hoses.csv", "--table", "meters")
    assert settings["columns"]["meter_id"] == ["Site No", "Pump", "Hose"]


def test_dates_without_times_go_by_their_form_too(tmp_path):
    text = "Tank,Site,Commissioned\nT1,S1,09/16/2005\nT2,S1,01/31/1999\n"
    assert _proposed(text, tmp_path, table="tanks").time_format == "%m/%d/%Y"


def test_what_is_not_told_is_said_and_not_filled_in(tmp_path, capsys):
    text = "Store,Tank,Time,Level mm,API Density\n1,1,03/04/2026 06:00,900,36\n2,1,03/04/2026 06:00,901,37\n"
    (tmp_path / "levels.csv").write_text(text)
    table, settings, said = mapped(capsys, tmp_path / "levels.csv")
    assert (table, settings["columns"]["density_kg_m3"]) == ("readings", {"column": "API Density", "unit": "api"})
    assert "can be %d/%m/%Y %H:%M or %m/%d/%Y %H:%M: check which" in said
    assert "Tank is the same at several of Store" in said
    assert "API gravity is taken to be that at 60 °F" in said
    assert 'quality = { value = "good" }  # there is no such column: every row is taken as good' in said
    (tmp_path / "sales.csv").write_text("Hose,Time,Kind\nM1,2026-03-01 06:00,S\n")
    table, settings, said = mapped(capsys, tmp_path / "sales.csv")
    assert table == "sales" and settings["columns"]["ts_start"] == settings["columns"]["ts_end"] == "Time"
    assert '# - nothing reads like volume_l, which every lake needs: volume_l = "..."' in said
    assert 'kind = { column = "Kind", words = { "S" = "..." } }' in said
    assert "until these are named, no row can be shown" in said


def test_rows_that_a_lake_would_refuse_are_counted_with_the_first(tmp_path, capsys):
    text = "Tank,Time,Level mm\nT1,2026-03-01 06:00,900\nT1,2026-03-01 07:00,much\n"
    (tmp_path / "levels.csv").write_text(text)
    said = mapped(capsys, tmp_path / "levels.csv")[2]
    assert "# - level_mm_unreadable: 1 of 2 rows, such as {" in said and '"Level mm":"much"' in said


def test_parquet_and_a_table_that_is_named(tmp_path, capsys):
    tiny_lake()["readings"].write_parquet(tmp_path / "x.parquet")
    table, settings, said = mapped(capsys, tmp_path / "x.parquet")
    assert (table, settings["columns"]["ts"]) == ("readings", "ts")
    assert "zone" not in said and "separator" not in said
    assert mapped(capsys, tmp_path / "x.parquet", "--table", "events")[0] == "events"


def test_a_long_file_is_known_by_its_beginning(tmp_path):
    """Two megabytes are read, and a letter or a row that is cut there is nobody's."""
    row = "Säule 1,2026-03-01 06:00:00,900.5\n"
    (tmp_path / "levels.csv").write_text("Tank,Time,Level mm\n" + row * 80_000, encoding="utf-8")
    frame, _, encoding = read_head(tmp_path / "levels.csv")
    assert (frame.height, encoding, set(frame["Tank"])) == (2_000, "utf-8", {"Säule 1"})


def test_headings_that_would_do_something_do_nothing(tmp_path, capsys):
    (tmp_path / "levels.csv").write_text('"Tank\n[sources]",Time,"Level ""mm"" \x1b[31m"\nT1,2026-03-01 06:00,900\n')
    table, settings, said = mapped(capsys, tmp_path / "levels.csv")
    assert (table, settings["columns"]["tank_id"]) == ("readings", "Tank\n[sources]")
    assert "\x1b" not in said


@pytest.mark.parametrize(
    ("content", "more", "said"),
    [
        (b"", [], "is not readable as CSV"), (b"Tank,Time\n", [], "holds no row"),
        (b"a,b\n1,2\n", [], "none of a, b reads like a column of a lake"),
        (b"Tank,Time\nT1,2026-03-01 06:00\n", ["--table", "tank"], "--table tank: there is no such table; there are"),
        (b"Tank,Time\nT1,2026-03-01 06:00\n", ["--timezone", "Berlin"], "--timezone Berlin: there is no such zone"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_one_line(tmp_path, capsys, content, more, said):
    (tmp_path / "file.csv").write_bytes(content)
    assert main(["map", str(tmp_path / "file.csv"), *more]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and said in lines[0]
    (tmp_path / "file.parquet").write_bytes(b"junk")
    assert main(["map", str(tmp_path / "file.parquet")]) == 2
    assert "is not readable as Parquet" in capsys.readouterr().err
    assert main(["map", str(tmp_path / "gone.csv")]) == 2
    assert capsys.readouterr().err.count("\n") == 1
