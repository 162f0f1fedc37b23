"""Kind of evidence: contract. What the command says and leaves with: a user's mistake is one line and a code."""

import re
import subprocess
import sys
import time
from datetime import date

import duckdb
import polars as pl
import pytest
from filelock import FileLock

from flows.cli import main
from pipeline.contract.dictionary import ALL_TABLES
from tests.support.lakes import START, digest, rows, tiny_lake, write, write_part
from tests.support.runs import tankdrift, tankdrift_here, unlike

PROGRESS = re.compile(r" *[0-9]+\.[0-9] s  ")
"""How a line begins that says what a run is doing."""


def _tankdrift(capsys, *arguments):
    """Exit code, standard output and standard error of the command, run in this process."""
    code = main([str(argument) for argument in arguments])
    said = capsys.readouterr()
    return code, said.out, said.err


def _assert_one_line(err, *words):
    assert err.count("\n") == 1 and err.startswith("tankdrift: "), err
    for word in words:
        assert word in err, err


# -- Arguments -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], ["COMMAND", "--help"]),
        (["dance"], ["dance"]),
        (["run"], ["LAKE", "--out"]),
        (["run", "lake"], ["--out"]),
        (["run", "lake", "--out", "o", "--until", "yesterday"], ["'yesterday' is not a day"]),
        (["run", "lake", "--out", "o", "--until", "2024-02-30"], ["'2024-02-30' is not a day"]),
        (["run", "lake", "--out", "o", "--max-quarantine-pct", "101"], ["'101' is not a number from 0 to 100"]),
        (["run", "lake", "--out", "o", "--max-quarantine-pct", "few"], ["'few' is not a number"]),
        (["run", "lake", "--out", "o", "--colour"], ["--colour"]),
        (["simulate", "--out", "o", "--tanks", "0"], ["'0' is not a whole number from 1 on"]),
        (["simulate", "--out", "o", "--days", "two"], ["'two' is not a whole number"]),
        (["simulate", "--out", "o", "--tanks", "1", "--days", "1", "--causes", "gremlins"], ["gremlins"]),
        (["simulate", "--out", "o", "--family", "lunar"], ["--family", "'lunar'", "plain", "roaming"]),
        (["check", "nowhere"], ["nowhere", "no store here"]),
        (["report", "nowhere"], ["nowhere", "no store here"]),
    ],
)
def test_unusable_arguments_leave_with_2_and_one_line(tmp_path, monkeypatch, capsys, arguments, words):
    monkeypatch.chdir(tmp_path)
    code, out, err = _tankdrift(capsys, *arguments)
    assert (code, out) == (2, "")
    _assert_one_line(err, *words)


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["--version"]])
def test_help_and_version_cost_no_heavy_import(arguments):
    """A ratio, not a time: what is not imported cannot be paid for."""
    code = (
        "import sys; from flows.cli import main\n"
        f"try: main({arguments!r})\n"
        "except SystemExit as stop: assert stop.code == 0\n"
        "heavy = {'polars', 'duckdb', 'prefect', 'sklearn', 'scipy', 'numpy', 'plotly', 'pyarrow', 'dataframely'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_settings_file_with_a_mistake(tmp_path, capsys):
    lake = write(tmp_path / "lake", tiny_lake())
    file = tmp_path / "s.toml"
    for text, words in [
        ("leak = 3", ["there is no setting 'leak'", "detectable_limit_l_per_h"]),
        ("detectable_limit_l_per_h = 'big'", ["detectable_limit_l_per_h is 'big', expected float"]),
        ("not toml", ["s.toml"]),
    ]:
        file.write_text(text)
        code, _, err = _tankdrift(capsys, "run", lake, "--out", tmp_path / "out", "--direct", "--settings", file)
        assert code == 2
        _assert_one_line(err, *words)
    code, _, err = _tankdrift(capsys, "run", lake, "--out", tmp_path / "out", "--settings", tmp_path / "none.toml")
    assert code == 2
    _assert_one_line(err, "none.toml")


def test_results_are_never_put_into_the_lake(tmp_path, capsys):
    lake = write(tmp_path / "lake", tiny_lake())
    before = digest(lake)
    for out in (lake, lake / "out", lake / "readings" / ".." / "out"):
        code, _, err = _tankdrift(capsys, "run", lake, "--out", out, "--direct")
        assert code == 2
        _assert_one_line(err, "lies in the lake")
    assert digest(lake) == before


def test_out_that_is_a_file(tmp_path, capsys):
    lake = write(tmp_path / "lake", tiny_lake())
    (tmp_path / "out").write_text("here first")
    code, _, err = _tankdrift(capsys, "run", lake, "--out", tmp_path / "out", "--direct")
    assert code == 2
    _assert_one_line(err, "out")


# -- Lakes that cannot be used ---------------------------------------------------------------------


def _run(capsys, lake, *options):
    code, out, err = _tankdrift(capsys, "run", lake, "--out", lake.parent / "out", "--direct", *options)
    return code, out, [line for line in err.splitlines() if not PROGRESS.match(line)]


def _without(tables, name):
    return {table: frame for table, frame in tables.items() if table != name}


def test_unusable_lakes_leave_with_2_and_one_line(tmp_path, capsys):
    tables = tiny_lake()
    lakes = {
        "missing table": (_without(tables, "tanks"), "table tanks is missing"),
        "wrong type": ({**tables, "tanks": tables["tanks"].with_columns(capacity_l=pl.lit("big"))}, "capacity_l"),
        "empty lake": ({}, "table sites is missing"),
        "no tank": ({**tables, "tanks": tables["tanks"].clear()}, "tanks holds no row"),
        "no usable tank": (
            {**tables, "sites": tables["sites"].with_columns(timezone=pl.lit("Mars/Olympus"))},
            "tanks is usable: 2 refused, most of them for site_id_refused",
        ),
    }
    for number, (name, (content, word)) in enumerate(lakes.items()):
        code, out, err = _run(capsys, write(tmp_path / str(number) / "lake", content))
        assert (code, out) == (2, ""), name
        assert len(err) == 1 and word in err[0], (name, err)


def test_a_truncated_file_leaves_with_1_and_is_named_and_with_2_where_no_other_stands(tmp_path, capsys):
    lake = write(tmp_path / "lake", tiny_lake())
    files = sorted((lake / "sales").rglob("*.parquet"))
    files[1].write_bytes(files[1].read_bytes()[:-9])
    code, out, err = _run(capsys, lake)
    assert code == 1 and "refused: 1 of sales" in out
    assert len(err) == 1 and "sales/day=2024-03-30/part-0.parquet" in err[0]
    for file in files:
        file.write_bytes(b"")
    code, _, err = _run(capsys, lake)
    assert code == 2
    assert len(err) == 1 and "none of the table's 3 files can be used" in err[0]


def test_a_tank_without_a_chart_is_named(tmp_path, capsys):
    tables = tiny_lake()
    tables["strapping"] = tables["strapping"].filter(pl.col("tank_id") != "T2")
    code, out, err = _run(capsys, write(tmp_path / "lake", tables))
    assert (code, err) == (0, [])
    assert "no usable chart, so no stock and no losses: T2\n" in out


# -- Lakes with wrong rows -------------------------------------------------------------------------


def _spoilt() -> dict[str, pl.DataFrame]:
    """The tiny lake with one thing wrong in each table, and two tanks that are right."""
    tables = tiny_lake()
    strange_tank = tables["tanks"].head(1).with_columns(tank_id=pl.lit("T3"), product=pl.lit("lemonade"))
    bare_tank = tables["tanks"].head(1).with_columns(tank_id=pl.lit("T4"))
    falling = tables["strapping"].filter(pl.col("tank_id") == "T1").with_columns(
        tank_id=pl.lit("T4"), volume_l=-pl.col("level_mm") + 2000
    )  # fmt: skip
    site = tables["sites"].with_columns(site_id=pl.lit("S2"), timezone=pl.lit("Europe/Atlantis"))
    reading = tables["readings"].head(1)
    return {
        **tables,
        "sites": pl.concat([tables["sites"], site]),
        "tanks": pl.concat([tables["tanks"], strange_tank, bare_tank]),
        "strapping": pl.concat([tables["strapping"], falling]),
        "readings": pl.concat(
            [tables["readings"], reading.with_columns(tank_id=pl.lit("T9")),
             reading.with_columns(ts=pl.lit(START).dt.offset_by("-54y"))]
        ),
        "sales": pl.concat(
            [tables["sales"], tables["sales"].head(1).with_columns(sale_id=pl.lit("N"), volume_l=pl.lit(-3.0))]
        ),
        "deliveries": rows(
            "deliveries", {"delivery_id": "D", "tank_id": "T1", "ts_ticket": START, "ticket_volume_l": -1.0}
        ),
    }  # fmt: skip


@pytest.fixture(scope="module")
def spoilt_run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("spoilt")
    lake = write(folder / "lake", _spoilt())
    before = digest(lake)
    done = tankdrift("run", lake, "--out", folder / "out", "--direct")
    assert digest(lake) == before
    return folder, done


def test_wrong_rows_are_refused_and_the_rest_goes_on(spoilt_run):
    folder, done = spoilt_run
    assert done.returncode == 0, done.stderr
    with duckdb.connect(folder / "out" / "tankdrift.duckdb", read_only=True) as store:
        refused = store.sql('select "table", reason, count(*) from quarantine group by all order by all').fetchall()
        tanks = store.sql("select distinct tank_id from tank_days order by all").fetchall()
    assert refused == [
        ("deliveries", "ticket_volume_l_not_negative", 1),
        ("readings", "tank_id_unknown", 1),
        ("readings", "ts_in_range", 1),
        ("sales", "volume_l_not_negative", 1),
        ("sites", "timezone_exists", 1),
        ("strapping", "chart_rises", 21),
        ("tanks", "product_known", 1),
    ]
    assert {("T1",), ("T2",)} <= set(tanks) and ("T3",) not in tanks


def test_what_a_run_leaves_keeps_the_contract(spoilt_run):
    folder, _ = spoilt_run
    done = tankdrift_here("check", folder / "out")
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    assert "keeps the contract" in done.stdout


def test_a_limit_on_what_is_refused(spoilt_run, capsys):
    """Nothing is new, so only the limit is judged: a third of the tickets' table is not the matter, all of it is."""
    folder, _ = spoilt_run
    run = ["run", folder / "lake", "--out", folder / "out", "--direct"]
    code, _, err = _tankdrift(capsys, *run, "--max-quarantine-pct", "99.9")
    assert code == 1
    assert "1 of 1 rows of deliveries were refused (100 %, the limit is 99.9 %)" in err
    assert _tankdrift(capsys, *run, "--max-quarantine-pct", "100")[0] == 0
    assert _tankdrift(capsys, *run)[0] == 0


def test_all_tables_are_in_the_store(spoilt_run):
    folder, _ = spoilt_run
    with duckdb.connect(folder / "out" / "tankdrift.duckdb", read_only=True) as store:
        names = {name for (name,) in store.sql("select table_name from duckdb_tables()").fetchall()}
    assert set(ALL_TABLES) - {"labels"} <= names
    assert "labels" not in names


@pytest.mark.parametrize("name", ["one tank", "tank without a meter", "no sale", "one reading"])
def test_lakes_at_the_edge_of_use(tmp_path, capsys, name):
    one = tiny_lake(tanks=1)
    bare = {table: frame.clear() if table in ("meters", "meter_feeds", "meter_totals", "sales") else frame
            for table, frame in one.items()}  # fmt: skip
    lakes = {
        "one tank": one,
        "tank without a meter": bare,
        "no sale": {**one, "sales": one["sales"].clear()},
        "one reading": {**bare, "readings": one["readings"].head(1)},
    }
    lake = write(tmp_path / "lake", lakes[name])
    (lake / "sales").mkdir(exist_ok=True)
    code, _, err = _run(capsys, lake)
    assert (code, err) == (0, [])
    assert _tankdrift(capsys, "check", tmp_path / "out")[:2] == (0, f"{tmp_path / 'out'} keeps the contract\n")


# -- The other commands ----------------------------------------------------------------------------


def test_report_is_made_again_from_the_store(tmp_path, spoilt_run, capsys):
    folder, _ = spoilt_run
    page = folder / "out" / "report" / "index.html"
    before = page.read_bytes()
    page.unlink()
    code, out, _ = _tankdrift(capsys, "report", folder / "out")
    assert (code, out) == (0, f"report: {page}\n")
    assert page.read_bytes() == before


def test_a_folder_that_another_run_is_at_work_in(tmp_path, capsys):
    lake = write(tmp_path / "lake", tiny_lake())
    (tmp_path / "out").mkdir()
    with FileLock(tmp_path / "out" / ".tankdrift.lock"):
        code, _, err = _run(capsys, lake)
    assert code == 2
    assert len(err) == 1 and "another run is at work here" in err[0]


def test_simulate_makes_a_lake_that_runs_and_wants_an_empty_folder(tmp_path, capsys):
    lake = tmp_path / "lake"
    code, out, _ = _tankdrift(capsys, "simulate", "--out", lake, "--tanks", 2, "--days", 3, "--seed", 5, "--causes", "")
    assert (code, out) == (0, f"{lake}: 2 tanks, 3 days\n")
    assert _run(capsys, lake)[0] == 0
    code, _, err = _tankdrift(capsys, "simulate", "--out", lake, "--tanks", 2, "--days", 3)
    assert code == 2
    _assert_one_line(err, "empty folder")


def test_until_uses_nothing_after_that_day(tmp_path, capsys):
    """Known truth: the lake cut by hand after that day gives the same."""
    until = date(2024, 3, 30)
    lake = write(tmp_path / "a" / "lake", tiny_lake())
    cut = tiny_lake(days=2)
    assert _run(capsys, lake, "--until", until)[0] == 0
    assert _run(capsys, write(tmp_path / "b" / "lake", cut))[0] == 0
    assert unlike(tmp_path / "a" / "out", tmp_path / "b" / "out") == []


def test_time_is_not_spent_when_nothing_is_new(tmp_path, capsys):
    """A ratio: the second run reads no table, so it leaves the store's file alone."""
    lake = write(tmp_path / "lake", tiny_lake())
    assert _run(capsys, lake)[0] == 0
    store = tmp_path / "out" / "tankdrift.duckdb"
    before = store.stat().st_mtime_ns
    time.sleep(0.02)
    code, out, _ = _run(capsys, lake)
    assert code == 0 and "data to 2024-03-31" in out
    assert store.stat().st_mtime_ns == before


def test_late_part_of_a_day_changes_the_result_as_if_it_had_been_there(tmp_path, capsys):
    tables = tiny_lake()
    late = pl.col("ts").is_between(START.replace(day=30, hour=8), START.replace(day=30, hour=11))
    whole = write(tmp_path / "a" / "lake", tables)
    lake = write(tmp_path / "b" / "lake", {**tables, "readings": tables["readings"].filter(~late)})
    assert _run(capsys, whole)[0] == 0
    assert _run(capsys, lake)[0] == 0
    write_part(lake, "readings", date(2024, 3, 30), tables["readings"].filter(late), name="late")
    assert _run(capsys, lake)[0] == 0
    assert unlike(tmp_path / "a" / "out", tmp_path / "b" / "out") == []
