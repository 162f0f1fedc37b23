"""`tankdrift chart`, its pages, and a run by other charts. Evidence: known truth by simulation, contract, a browser."""

import re
from contextlib import redirect_stdout
from datetime import UTC, datetime
from io import StringIO

import numpy as np
import polars as pl
import pytest

from flows.cli import main
from pipeline.chart_review import site_charts
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.lake import read_lake
from pipeline.sites import site_tables
from tests.support.browser import follow, opened, until
from tests.support.charts import lake_of_the_docs
from tests.support.desks import desk
from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT, unlike

WRONG, SOUND = "T0001", ("T0002", "T0003")
"""The chart of the first gives 4 % too much."""
DAYS = 28
DOCS = (ROOT / "docs" / "from-level-to-litres.md").read_text(encoding="utf-8")
SECTION = DOCS.split("## From ordinary trading to a new table")[1].split("\n## ")[0]
RUN, CHART, WHAT_IF = re.findall(r"^    \.venv/bin/tankdrift (.*)$", SECTION, re.MULTILINE)
"""The commands of the docs."""


def words_of(line, place):
    """A command of the docs, its names in capitals as places below a folder."""
    names = r"\b(LAKE|OUT2|OUT|TABLES)\b"
    return [re.sub(names, lambda match: str(place / match[1].lower()), word) for word in line.split()]


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return tmp_path_factory.mktemp("charts")


@pytest.fixture(scope="module")
def truth(place):
    """The lake of the docs; the true shapes come back."""
    return lake_of_the_docs(place / "lake")


@pytest.fixture(scope="module")
def said(place, truth):
    """What the docs' command says of the charts of a run over it."""
    assert main([*words_of(RUN, place), "--direct"]) == 0
    with StringIO() as kept, redirect_stdout(kept):
        assert main(words_of(CHART, place)) == 0
        return kept.getvalue()


@pytest.fixture(scope="module")
def out(place, said):
    """The folder of that run."""
    return place / "out"


def test_it_ends_with_what_the_docs_say(said, out):
    (told,) = re.findall(r"```text\n(.*?)```", SECTION, re.DOTALL)
    assert said.replace(str(out), "OUT") == told


@pytest.fixture(scope="module")
def charts(out):
    return {row["tank_id"]: row for row in pl.read_parquet(out / "charts" / "charts.parquet").iter_rows(named=True)}


def true_l(truth, tank_id, level_mm):
    tank, shape = truth[tank_id]
    return shape.volume_at(np.asarray(level_mm) - tank.gauge.offset_mm)


def site_l(place, tank_id, level_mm):
    rows = pl.read_parquet(place / "lake" / "strapping.parquet").filter(tank_id=tank_id).sort("level_mm")
    return np.interp(level_mm, rows["level_mm"], rows["volume_l"])


# -- What it says ----------------------------------------------------------------------------------


def test_the_wrong_chart_is_worth_a_new_table_and_costs_most(out, charts):
    assert next(iter(charts)) == WRONG
    assert charts[WRONG]["verdict"] == "new_table"
    assert charts[WRONG]["wrong"] > 0.99
    assert all(charts[name]["daily_l"] < 0.2 * charts[WRONG]["daily_l"] for name in SOUND)


def test_it_says_between_which_levels_a_chart_is_off_and_by_how_much(place, truth, out, charts):
    """Against the true shape, within three of its own SDs."""
    for name, row in charts.items():
        ends = [row["off_low_mm"], row["off_high_mm"]]
        lacks = np.diff(true_l(truth, name, ends) - site_l(place, name, ends))[0]
        assert abs(row["off_l"] - lacks) < 3.0 * row["off_sd_l"], name


def test_the_size_is_told_with_an_interval_that_holds_it(place, truth, out, charts):
    """How much more the tank gives than its chart says, from the highest level seen to the lowest."""
    figures = pl.read_parquet(out / "charts" / "figures.parquet").filter(tank_id=WRONG)
    names = ["tilt_mm_per_m", "roll_deg", "offset_mm", "datum_mm", "scale_pct", "remainder_l", "stock_l"]
    assert figures["name"].to_list() == names
    scale = figures.row(by_predicate=pl.col("name") == "scale_pct", named=True)
    ends = [charts[WRONG]["low_mm"], charts[WRONG]["high_mm"]]
    true_pct = 100.0 * (np.diff(true_l(truth, WRONG, ends))[0] / np.diff(site_l(place, WRONG, ends))[0] - 1.0)
    assert scale["is_told"]
    assert scale["low"] < true_pct < scale["high"]
    assert scale["high"] - scale["low"] < 0.5


def test_the_corrected_charts_are_nearer_to_the_truth(place, truth, out, charts):
    """From level to level among those seen, in per cent of the tank: 4 % before, within 0.15 % after."""
    for name, row in charts.items():
        level = np.linspace(row["low_mm"], row["high_mm"], 50)
        table = pl.read_parquet(place / "tables" / f"{name}.parquet")
        corrected = np.interp(level, table["level_mm"], table["volume_l"]) - true_l(truth, name, level)
        site = site_l(place, name, level) - true_l(truth, name, level)
        part = 100.0 / truth[name][0].capacity_l
        after, before = part * np.ptp(corrected), part * np.ptp(site)
        assert after < 0.15, name
        assert before > 2.0 if name == WRONG else after < before + 0.02


def test_each_stretch_closes_by_the_corrected_chart(out):
    """More than 1 % of what was sold by the site's chart, and by the corrected one no more than meters are off by."""
    stretches = pl.read_parquet(out / "charts" / "stretches.parquet").filter(tank_id=WRONG)
    assert stretches.height >= 3
    long = stretches.filter(pl.col("sold_l") > 3_000.0)
    before = (long["variance_l"] / long["sold_l"]).abs()
    after = (long["corrected_variance_l"] / long["sold_l"]).abs()
    assert before.min() > 0.01
    assert after.max() < 0.003
    assert stretches["ts_start"].is_sorted()
    assert (stretches["ts_end"] > stretches["ts_start"]).all()


def test_a_week_closes_by_the_corrected_chart(place, truth, out, charts):
    """What the chart leaves in a week's variance, at most 0.1 % of what is sold in one; more than 1 % by the site's."""
    since = (pl.col("ts") - pl.col("ts").min()).dt.total_days()
    readings = pl.read_parquet(place / "lake" / "readings" / "**" / "*.parquet").filter(tank_id=WRONG).sort("ts")
    weeks = readings.group_by(since // 7, maintain_order=True).first()["level_mm"]
    table = pl.read_parquet(place / "tables" / f"{WRONG}.parquet")
    corrected = np.interp(weeks, table["level_mm"], table["volume_l"]) - true_l(truth, WRONG, weeks)
    site = site_l(place, WRONG, weeks) - true_l(truth, WRONG, weeks)
    a_week_l = 7.0 / (365.25 / 12.0) * charts[WRONG]["sold_l"]
    assert np.abs(np.diff(corrected)).max() < 0.001 * a_week_l
    assert np.abs(np.diff(site)).max() > 0.01 * a_week_l


# -- The tables ------------------------------------------------------------------------------------


def test_a_table_has_the_site_s_own_levels_and_every_ten_millimetres(place, out):
    own = pl.read_parquet(place / "lake" / "strapping.parquet").filter(tank_id=WRONG)["level_mm"].to_list()
    table = pl.read_parquet(place / "tables" / f"{WRONG}.parquet")
    levels = table["level_mm"].to_list()
    assert levels == sorted(set(levels))
    assert set(own) <= set(levels)
    assert set(np.arange(0.0, max(own), 10.0).tolist()) <= set(levels)
    assert table["volume_sd_l"].min() >= 0.0


def test_a_table_holds_from_the_day_after_the_data_or_the_day_that_was_asked_for(place, out):
    table = pl.read_parquet(place / "tables" / f"{WRONG}.parquet")
    assert table["valid_from"].unique().to_list() == [datetime(2026, 3, 1 + DAYS, tzinfo=UTC)]
    assert "T0001,2026-03-29T00:00:00Z," in (place / "tables" / f"{WRONG}.csv").read_text()


def test_csv_and_parquet_say_the_same(place, out):
    for name in (WRONG, *SOUND):
        text = pl.read_csv(place / "tables" / f"{name}.csv").drop("valid_from")
        assert text.equals(pl.read_parquet(place / "tables" / f"{name}.parquet").drop("valid_from"))


def test_the_tables_worth_it_are_the_contract_s_strapping(place, out, tmp_path):
    """A lake with them in place of its own is let in whole."""
    table = pl.read_parquet(out / "charts" / "strapping.parquet")
    assert WRONG in table["tank_id"]
    assert {name: table.schema[name] for name in polars_schema(LAKE_TABLES["strapping"])} == polars_schema(
        LAKE_TABLES["strapping"]
    )
    frames = tiny_lake(tanks=1)
    tank = table.filter(tank_id=WRONG).with_columns(tank_id=pl.lit("T1"), valid_from=datetime(2024, 3, 29, tzinfo=UTC))
    lake = read_lake(write(tmp_path / "lake", frames | {"strapping": tank}))
    assert lake.admitted["strapping"].refused.is_empty()
    assert lake.tables["strapping"].height == tank.height


# -- What if ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def what_if(place, out):
    """The lake run by the corrected chart of the tank whose own is wrong."""
    assert WHAT_IF.endswith(f"{WRONG}.parquet")
    assert main([*words_of(WHAT_IF, place), "--direct"]) == 0
    return place / "out2"


def test_by_the_corrected_chart_the_case_is_gone(out, what_if):
    before, after = (pl.read_parquet(folder / "cases.parquet") for folder in (out, what_if))
    assert before.filter(tank_id=WRONG, cause="chart_error").height == 1
    assert after.is_empty()


def test_days_differ_for_the_tank_in_the_file_alone(out, what_if):
    """But for the forest's score, which sets each day beside the days of all tanks."""
    before, after = (pl.read_parquet(folder / "tank_days.parquet").drop("forest_score") for folder in (out, what_if))
    is_sound = pl.col("tank_id").is_in(SOUND)
    assert before.filter(is_sound).equals(after.filter(is_sound))
    assert not before.filter(tank_id=WRONG).equals(after.filter(tank_id=WRONG))
    strays = [frame.filter(tank_id=WRONG)["variance_l"].abs().sum() for frame in (before, after)]
    assert strays[1] < 0.2 * strays[0]


# -- The pages -------------------------------------------------------------------------------------


def test_the_list_is_by_what_charts_cost_and_leads_to_each(browser, out, charts):
    with opened(browser, out / "charts" / "index.html") as page:
        rows = page.locator("#chart-list tbody tr")
        assert [rows.nth(i).get_attribute("data-key") for i in range(rows.count())] == list(charts)
        page.locator("form[data-table=chart-list] select[name=verdict]").select_option("Worth a new table")
        shown = page.locator("#chart-list tbody tr:visible")
        assert shown.count() == sum(row["verdict"] == "new_table" for row in charts.values())
        follow(page.locator("#chart-list a", has_text=WRONG))
        assert page.locator("h1").inner_text().startswith(f"{WRONG}: worth a new table.")


def test_a_tank_s_page_draws_the_difference_with_its_band(browser, place, out):
    """What is drawn is what the table at the site's own levels says."""
    with opened(browser, out / "charts" / "tanks" / f"{WRONG}.html") as page:
        drawn = page.evaluate("document.getElementById('chart-apart').data.map(t => [t.name, t.x, t.y])")
        assert [name for name, _, _ in drawn] == [
            "95 %", "95 %", "Smooth remainder", "Corrected less site's", "At the site's levels", "Hours at rest",
            "Drops filling through",
        ]  # fmt: skip
        table = pl.read_parquet(place / "tables" / f"{WRONG}.parquet")
        apart = drawn[3]
        corrected = np.interp(apart[1], table["level_mm"], table["volume_l"])
        assert np.allclose(apart[2], corrected - site_l(place, WRONG, apart[1]), atol=0.11)
        assert all(low <= middle <= high for low, middle, high in zip(drawn[0][2], apart[2], drawn[1][2], strict=True))
        assert max(drawn[5][2]) > 0 and max(drawn[6][2]) >= 3
        until(page, "document.querySelectorAll('#chart-apart .xtick').length > 3")
        assert page.locator("#figure-list tbody tr").count() == 7
        assert page.locator("#level-list tbody tr").count() == len(apart[1])
        assert "--with-charts" in page.locator("section[aria-labelledby=try]").inner_text()


def test_a_phone_shows_both_without_scrolling_sideways(browser, out):
    phone = {"viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True}
    for path in ("index.html", f"tanks/{WRONG}.html"):
        with opened(browser, out / "charts" / path, **phone) as page:
            assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_a_report_by_other_charts_says_so_on_every_page(browser, what_if):
    for path in ("index.html", f"tanks/{WRONG}.html"):
        with opened(browser, what_if / "report" / path) as page:
            assert WRONG in page.locator("#other-charts").inner_text()


def test_the_desk_shows_the_run_by_other_charts_beside_the_lake_s_own(browser, out, what_if):
    """The case goes, and what is left of the daily variance is what the days of both runs say."""
    month = 365.25 / 12.0
    strays = [pl.read_parquet(of / "tank_days.parquet").filter(tank_id=WRONG)["variance_l"] for of in (out, what_if)]
    with desk(out, "--beside", what_if) as address, browser.new_context() as context:
        page = context.new_page()
        page.goto(f"{address}/index.html")
        follow(page.locator("#what-if a"))
        assert page.locator("h1").inner_text() == "By the other charts 1 cases go, 0 stay and 0 are new."
        row = page.locator("#what-if-list tbody tr")
        assert row.get_attribute("data-key") == WRONG
        assert row.locator("[data-becomes=gone]").inner_text().startswith("Goes: A wrong tank chart at T0001")
        shown = [float(row.locator("td.num").nth(column).get_attribute("data-v")) for column in range(2)]
        assert shown == pytest.approx([month * days.abs().mean() for days in strays], abs=0.06)


# -- Little data, mistakes -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tiny(tmp_path_factory):
    folder = tmp_path_factory.mktemp("tiny")
    write(folder / "lake", tiny_lake())
    assert main(["run", str(folder / "lake"), "--out", str(folder / "out"), "--direct"]) == 0
    return folder


def test_what_cannot_be_told_is_said_for_each_tank(tiny, browser, capsys):
    """Three days are too few."""
    assert main(["chart", str(tiny / "out")]) == 0
    said = capsys.readouterr().out
    assert "0 of 2 charts judged by data to 2024-03-31, worth a new table: none" in said
    assert "T1 cannot be told: " in said
    assert not (tiny / "out" / "charts" / "strapping.csv").exists()
    with opened(browser, tiny / "out" / "charts" / "tanks" / "T1.html") as page:
        assert page.locator("h1").inner_text().startswith("T1: cannot be told,")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["chart", "nowhere"], ["nowhere", "no store here"]),
        (["chart", "out", "--tank", "T9"], ["--tank T9", "no such tank"]),
        (["chart", "out", "--step-mm", "3"], ["--step-mm", "3"]),
        (["chart", "out", "--valid-from", "soon"], ["'soon' is not a day"]),
        (["desk", "out", "--beside", "out"], ["--beside out", "the lake's own charts", "--with-charts"]),
        (["desk", "out", "--beside", "none"], ["none", "nothing was published here"]),
        (["run", "lake", "--out", "o", "--direct", "--with-charts", "none.csv"], ["none.csv", "no such file"]),
        (["run", "lake", "--out", "o", "--direct", "--with-charts", "other.csv"], ["other.csv", "no tank T9"]),
        (["run", "lake", "--out", "o", "--direct", "--with-charts", "less.csv"], ["less.csv", "no column volume_l"]),
        (["run", "lake", "--out", "o", "--direct", "--with-charts", "empty.csv"], ["empty.csv", "no row"]),
        (["run", "lake", "--out", "o", "--direct", "--with-charts", "dates.csv"], ["dates.csv", "row 1", "valid_from"]),
        (["run", "lake", "--out", "o", "--direct", "--with-charts", "text.csv"], ["text.csv", "cannot be read as CSV"]),
        (["run", "lake", "--out", "o", "--direct", "--with-charts", "text.parquet"], ["text.parquet", "not readable"]),
    ],
)
def test_a_mistake_leaves_with_2_and_one_line(tiny, monkeypatch, capsys, arguments, words):
    head = "tank_id,valid_from,level_mm,volume_l\n"
    for name, text in {
        "other.csv": f"{head}T9,2024-03-29,0,0\nT9,2024-03-29,2000,10000\n",
        "less.csv": "tank_id,valid_from,level_mm\nT1,2024-03-29,0\n",
        "empty.csv": head,
        "dates.csv": f"{head}T1,29.3.2024,0,0\n",
        "text.csv": f"{head}T1,2024-03-29,zero,none\n",
        "text.parquet": "this is not Parquet",
    }.items():
        (tiny / name).write_text(text)
    monkeypatch.chdir(tiny)
    assert main(arguments) == 2
    said = capsys.readouterr()
    assert said.out == "" or said.out.startswith("charts:")
    line = said.err.splitlines()[-1]
    assert line.startswith("tankdrift: ")
    for word in words:
        assert word in line


def test_a_store_by_other_charts_is_not_mistaken_for_one_without(tiny, capsys):
    """Run by another chart and then as it is, in one folder: as if there had never been another chart."""
    file = tiny / "charts.csv"
    file.write_text("tank_id,valid_from,level_mm,volume_l\nT1,2024-03-29,0,0\nT1,2024-03-29T00:00:00Z,2000,11000\n")
    run = ["run", str(tiny / "lake"), "--out", str(tiny / "same"), "--direct"]
    assert main([*run, "--with-charts", str(file)]) == 0
    assert "by another chart than the lake's: T1" in capsys.readouterr().out
    assert "tank_days" in unlike(tiny / "same", tiny / "out")
    assert main(run) == 0
    assert "by another chart" not in capsys.readouterr().out
    assert unlike(tiny / "same", tiny / "out") == []


def test_a_site_that_breaks_is_named_and_its_tanks_cannot_be_told():
    """Sales without litres, which no analysis can do without."""
    (tables,) = site_tables(tiny_lake())
    found = site_charts({**tables, "sales": tables["sales"].drop("volume_l")})
    assert found.charts == []
    assert [one.tank_ids for one in found.left_out] == [("T1", "T2")]
    assert found.broken == "site S1 could not be looked at: ColumnNotFoundError"
