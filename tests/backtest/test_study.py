"""Kind of evidence: contract. A backtest by the command line: the same bytes each time, one line for a mistake."""

import contextlib
import json
import os
import shutil
import sqlite3
from datetime import UTC, datetime, time, timedelta

import polars as pl
import pytest

from flows.cli import main
from pipeline.backtest.asof import READABLE, as_of_tables, closes_at, cut
from pipeline.backtest.judging import judge, world_of
from pipeline.backtest.study import Faults, Options, Study, lake_digest, study_from, trials_of
from pipeline.backtest.worlds import ask
from pipeline.contract.dictionary import ALL_TABLES, polars_schema
from pipeline.errors import ArgumentError
from tests.backtest.conftest import ARGUMENTS
from tests.support.backtests import day, fleet, seen, table, variance_days
from tests.support.lakes import digest
from tests.support.runs import ROOT, tankdrift
from tests.support.shared import prefect_begun


@pytest.fixture(scope="module")
def spare(tried, tmp_path_factory):
    """A copy of what that backtest left, to go on in."""
    return shutil.copytree(tried, tmp_path_factory.mktemp("spare") / "out", copy_function=shutil.copyfile)


def left(out):
    """Every byte of the results of a backtest."""
    files = [path for path in sorted((out / "backtest").rglob("*")) if path.is_file() and "work" not in path.parts]
    return {str(path.relative_to(out)): path.read_bytes() for path in files}


def test_it_prints_a_table_and_leaves_results_and_a_page(lake, tried):
    said = (tried / "said.txt").read_text(encoding="utf-8").splitlines()
    assert said[0].startswith("rule ") and len(said) == 7
    assert sum(line.startswith("* ") for line in said) == 2
    assert said[-1] == f"page: {tried / 'backtest' / 'index.html'}"
    results = pl.read_parquet(tried / "backtest" / "results.parquet")
    assert results["rule"].to_list() == ["daily_variance"] * 3 + ["cases"]
    assert [json.loads(one)["threshold"] for one in results["parameters"]] == [1.0, 2.0, 4.0, 0.5]
    # By these a result can be had again.
    study = Study(lake, tried, trials_of(["cases"], {}))
    assert results["data_digest"].unique().to_list() == [lake_digest(study.lake)]
    assert {len(one) for name in ("code_digest", "rule_digest", "labels_digest") for one in results[name]} == {64}
    assert json.loads(results["configuration"][0])["options"]["visit"] == 150.0
    assert str(lake) not in results["configuration"][0]


def test_what_was_put_in_was_looked_for(tried):
    truths = pl.read_parquet(tried / "backtest" / "truths.parquet").filter(pl.col("trial_id").str.starts_with("cases"))
    put_in = truths.filter("is_put_in")
    assert put_in["label_id"].str.starts_with("INJ-").all() and put_in.height >= 2
    assert set(put_in["size"]) <= {60.0, 250.0, 1500.0} and put_in["unit"].unique().to_list() == ["l"]
    assert put_in.filter(pl.col("size") == 1500.0)["is_found"].all()
    with_label = truths.filter(~pl.col("is_put_in"))["owner"]
    assert not set(with_label) & set(put_in["owner"])


def test_the_same_command_gives_the_same_bytes_with_two_workers(lake, tried, tmp_path):
    before = digest(lake)
    out = tmp_path / "two"
    done = tankdrift("backtest", lake, "--out", out, *ARGUMENTS, "--direct", "--workers", "2")
    assert done.returncode == 0, done.stderr
    assert left(out) == left(tried)
    # Again over what it left: it finds the work done, and the same comes out.
    stamps = {path: path.stat().st_mtime_ns for path in (out / "backtest" / "work").rglob("*.parquet")}
    assert main(["backtest", str(lake), "--out", str(out), *ARGUMENTS, "--direct"]) == 0
    assert {path: path.stat().st_mtime_ns for path in (out / "backtest" / "work").rglob("*.parquet")} == stamps
    assert left(out) == left(tried)
    assert digest(lake) == before


def test_through_prefect_as_without(lake, tried, tmp_path, tmp_path_factory):
    """What is half done is gone on with: the worlds are those of the plain backtest, the trials are asked anew."""
    out = prefect_begun(tmp_path_factory, tmp_path / "prefect")
    for path in tried.glob("tankdrift.duckdb"):
        (out / path.name).write_bytes(path.read_bytes())
    for world in (tried / "backtest" / "work").iterdir():
        for path in (one for one in world.rglob("*") if one.is_file() and "alarms" not in one.parts):
            place = out / "backtest" / "work" / world.name / path.relative_to(world)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(path.read_bytes())
    clean = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT")}
    done = tankdrift("backtest", lake, "--out", out, *ARGUMENTS, env=clean)
    assert done.returncode == 0, done.stderr
    assert left(out) == left(tried)
    with contextlib.closing(sqlite3.connect(out / ".prefect" / "prefect.db")) as prefect:
        names = [name for (name,) in prefect.execute("select name from task_run order by name")]
    assert sum(name.startswith("world-") for name in names) == 2
    assert sum(name.startswith("trial-") for name in names) == 8


def test_a_newcomers_rule_and_command_do_what_the_readme_prints(lake, tried, tmp_path, monkeypatch, capsys):
    """The very lines of the README, with this small lake in the place of the sample."""
    told = (ROOT / "README.md").read_text(encoding="utf-8").split("## Write a rule and prove it")[1].split("\n## ")[0]
    rule = told.split("```sql\n")[1].split("```")[0]
    assert len(rule.splitlines()) <= 10
    monkeypatch.chdir(tmp_path)
    (tmp_path / "own.sql").write_text(rule, encoding="utf-8")
    (tmp_path / "sample_lake").symlink_to(lake)
    shutil.copytree(tried, tmp_path / "out", copy_function=shutil.copyfile)
    command = next(line.split() for line in told.splitlines() if line.startswith("    .venv/bin/tankdrift backtest"))
    assert main([*command[1:], "--direct"]) == 0
    printed, said = told.split("```text\n")[1].split("```")[0].splitlines(), capsys.readouterr().out.splitlines()
    assert said[0].split() == printed[0].split() and said[-2:] == printed[-2:]
    # The same trials in the same order; what they come to is this lake's own.
    trials = [line[2:].split()[:3] for line in printed[1:-2]]
    assert trials == [["own", "threshold", limit] for limit in ("10", "40", "160")]
    assert [line[2:].split()[:3] for line in said[1:-2]] == trials


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--rule", "nosuch"], "there is no rule nosuch"),
        (["--rule", "cases", "--sweep", "treshold=1"], "--sweep treshold: no rule has that parameter"),
        (["--rule", "cases", "--sweep", "threshold=7"], "rule cases: threshold = 7 is not within 0 to 1"),
        (["--rule", "cases", "--sweep", "threshold"], "is not NAME=A,B,C"),
        (["--rule", "cases", "--inject", "bulk_theft"], "--inject and --size go together"),
        (["--rule", "cases", "--inject", "gremlins", "--size", "1"], "'gremlins' is no cause"),
        (["--rule", "cases", "--labels", "nosuch.parquet"], "nosuch.parquet: labels cannot be read"),
    ],
)
def test_a_mistake_is_one_line(lake, spare, arguments, says, capsys):
    assert main(["backtest", str(lake), "--out", str(spare), "--direct", *arguments]) == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert said.startswith("tankdrift: ") and says in said


def test_a_cheat_is_refused_on_the_command_line(lake, spare, tmp_path, capsys):
    rule = tmp_path / "cheat.sql"
    rule.write_text(
        "-- rule: Cheat\n-- looks for: tomorrow\n-- cause: any\n"
        "select tank_id, day, lead(abs(variance_l)) over (partition by tank_id order by day) as score from tank_days "
        "qualify score > 100\n",
        encoding="utf-8",
    )
    assert main(["backtest", str(lake), "--out", str(spare), "--rule", str(rule), "--direct"]) == 2
    assert "rule cheat sees tomorrow: its alarm T0" in capsys.readouterr().err.splitlines()[-1]


def test_results_are_kept_out_of_the_lake(lake, capsys):
    assert main(["backtest", str(lake), "--out", str(lake / "out"), "--rule", "cases", "--direct"]) == 2
    assert "never written to" in capsys.readouterr().err
    assert not (lake / "out").exists()


def test_a_study_is_told_whole_in_words(lake):
    study = Study(
        lake, lake.parent / "x", trials_of(["cusum", "cases"], {"threshold": (1.0,)}), (lake / "labels.parquet",),
        Faults(("tank_leak",), (0.5, 1.0), 2, 7), Options(grace_days=3, visit=2.5),
    )  # fmt: skip
    assert study_from(study.as_text()) == study
    assert study.worlds == ("base", "faults-01", "faults-02")
    assert study_from(Study(lake, lake, ()).as_text()).faults is None


def test_every_combination_is_tried_once():
    trials = trials_of(["rolling_variance", "cusum", "cusum"], {"days": (7, 28, 7), "cusum.threshold": (4, 5)})
    assert [(one.source, one.parameters.get("days"), one.parameters["threshold"]) for one in trials] == [
        ("rolling_variance", 7.0, 0.5), ("rolling_variance", 28.0, 0.5), ("cusum", None, 4.0), ("cusum", None, 5.0),
    ]  # fmt: skip
    with pytest.raises(ArgumentError, match="no rule has that parameter"):
        trials_of(["cusum"], {"rolling_variance.days": (7,)})


def test_what_the_history_raises_by_itself_finds_no_fault_put_in(lake, spare, tmp_path):
    """Known truth: a rule that speaks of every tank each day finds nothing, since it says so without the fault, too."""
    rule = tmp_path / "always.sql"
    head = "-- rule: Always\n-- looks for: anything.\n-- cause: any\n"
    rule.write_text(head + "select tank_id, day, 1 as score from tank_days", encoding="utf-8")
    faults = Faults(("bulk_theft",), (60.0, 250.0, 1500.0), 1, 1)
    study = Study(lake, spare, trials_of([str(rule)], {}), faults=faults, options=Options(mute_days=1))
    data = lake_digest(lake)
    for world in study.worlds:
        ask(study, world, study.trials[0], data)
    judged = judge(study, study.trials[0], [world_of(study, name, data) for name in study.worlds], data)
    by_kind = judged.found.group_by("is_put_in").agg(pl.len().alias("n"), pl.col("is_found").sum()).sort("is_put_in")
    assert by_kind["is_found"].to_list() == [by_kind["n"][0], 0]
    assert by_kind["n"].to_list() == [1, 3]


def test_a_row_is_shown_on_the_day_from_which_it_stands():
    """Known truth: a trading day's book is closed a day after it, by the site's clock; a drop's later."""
    for zone, hour in (("Europe/London", 6), ("Australia/Sydney", 19 - 24), ("America/Los_Angeles", 14)):
        assert closes_at(day(0), zone, "06:00") == datetime.combine(day(1), time(), UTC) + timedelta(hours=hour)
    tables = seen(tank_days=variance_days({"T1": [1.0, 2.0, 3.0]}))
    assert tables["tank_days"]["day"].to_list() == [day(2), day(3), day(4)]
    assert cut(tables, day(3))["tank_days"].height == 2
    assert cut(tables, day(3))["sites"].height == 1
    ended = datetime.combine(day(1), time(5, 30), UTC)  # of trading day 0, whose tickets may come all of day 2
    drop = {"tank_id": "T1", "drop_id": "d", "ts_start": ended - timedelta(hours=1), "ts_end": ended, "gain_l": 900.0}
    waits = seen(tank_days=variance_days({"T1": [1.0, 2.0, 3.0]}), drops=table("drops", [drop]))
    assert waits["tank_days"]["day"].to_list() == [day(2), day(3), day(4)]
    assert waits["drops"]["day"].to_list() == [day(2)]
    # Trading days that close at 23:00, and a drop ten minutes before: known 25 h 15 min later, past the next midnight.
    late = drop | {"ts_start": ended + timedelta(hours=16.5), "ts_end": ended + timedelta(hours=17, minutes=20)}
    frames = {
        "tank_days": variance_days({"T1": [1.0, 2.0, 3.0]}),
        "sites": fleet(["T1"])["sites"].with_columns(trading_day_start=pl.lit("23:00")),
    }
    plain, waits = (seen(**frames, drops=table("drops", [one])) for one in (drop, late))
    assert plain["tank_days"]["day"].to_list() == [day(2), day(3), day(4)]
    assert waits["tank_days"]["day"].to_list() == [day(3), day(3), day(4)]
    rows = [
        {"tank_id": "T1", "ts_end": end, "ts_start": end, "day": end.date(), "delivered_l": came, "is_quiet": False}
        for end, came in (
            (pl.Series([day(0)]).cast(pl.Datetime("us", "UTC")).dt.offset_by("23h").item(), 0.0),
            (pl.Series([day(0)]).cast(pl.Datetime("us", "UTC")).dt.offset_by("23h45m").item(), 0.0),
            (pl.Series([day(0)]).cast(pl.Datetime("us", "UTC")).dt.offset_by("13h").item(), 900.0),
        )
    ]
    ledger = as_of_tables({**{n: f for n, f in seen_contract().items()}, "ledger": table("ledger", rows)})["ledger"]
    assert sorted(ledger["day"].to_list()) == [day(0), day(1), day(1)]
    cases = as_of_tables(seen_contract())["cases"]
    assert "litres" not in cases.columns and "ts_end" not in cases.columns


def seen_contract():
    """Empty tables of the contract, with one site and tank."""
    return {name: polars_schema(ALL_TABLES[name]).to_frame() for name in READABLE} | fleet(["T1"])
