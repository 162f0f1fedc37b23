"""Kind of evidence: known truth. Rules that were planted to cheat are refused, and what gave them away is named."""

import polars as pl
import pytest

from pipeline.backtest.replay import replay
from pipeline.backtest.rule import Rule, sql_rule
from pipeline.backtest.sealed import PURE
from pipeline.errors import RefusedRuleError
from tests.support.backtests import day, seen, variance_days
from tests.support.runs import ROOT

HEAD = "-- rule: A rule\n-- looks for: something\n-- cause: any\n"
DAYS = [day(number) for number in range(14)]


@pytest.fixture(scope="module")
def tables():
    swings = [3.0, -4.0, 50.0, 2.0, -60.0, 1.0, 5.0, -3.0, 70.0, 0.0]
    return seen(["T1", "T2"], tank_days=variance_days({"T1": swings, "T2": swings[::-1]}))


def asked(sql, tables):
    rule = sql_rule("planted", HEAD + sql)
    return replay(rule, rule.settled({}), tables, DAYS)


def test_an_honest_rule_is_let_in(tables):
    alarms = asked("select tank_id, day, abs(variance_l) as score from tank_days where abs(variance_l) > 40", tables)
    assert alarms.height == 6
    # Known a day after the trading day closed: two days on.
    assert alarms.row(0, named=True) | {} == {
        "tank_id": "T2", "site_id": "S1", "day": day(3), "cause": "unexplained", "meter_id": None, "delivery_id": None,
        "score": 70.0, "note": None,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        (  # Tomorrow's value, plainly.
            "select tank_id, day, lead(variance_l) over (partition by tank_id order by day) as score from tank_days "
            "qualify score > 40",
            r"sees tomorrow: its alarm T2 2026-03-04 .*was not there until 2026-03-05 was seen",
        ),
        (  # Tomorrow in a mean.
            "select tank_id, day, avg(variance_l) over (partition by tank_id order by day rows between 1 preceding and "
            "1 following) as score from tank_days qualify abs(score) > 10",
            r"sees tomorrow: its alarm T\d 2026-03-\d\d .* once 2026-03-\d\d is seen|was not there until",
        ),
        (  # A window without an end.
            "select tank_id, day, abs(variance_l) - avg(variance_l) over (partition by tank_id) as score "
            "from tank_days where variance_l is not null",
            r"sees tomorrow: its alarm T1 2026-03-04 .* has the score",
        ),
        (  # A rank among days to come.
            "select tank_id, day, percent_rank() over (order by variance_l) as score from tank_days",
            r"sees tomorrow: its alarm T\d 2026-03-\d\d .* has the score",
        ),
        (  # The whole history in the scale: the day stays, the score moves.
            "select tank_id, day, abs(variance_l) / (select max(abs(variance_l)) from tank_days where tank_id = 'T1') "
            "as score "
            "from tank_days where abs(variance_l) > 40",
            r"sees tomorrow: its alarm T2 2026-03-05 .* has the score 1.4 once",
        ),
        (  # A later day takes an earlier alarm back.
            "select tank_id, day, 1 as score from tank_days where abs(variance_l) > 40 "
            "and day > (select max(day) - 5 from tank_days)",
            r"is gone once 2026-03-\d\d is seen",
        ),
        (  # Dated by the day that it is about and not by the one on which it is known.
            "select tank_id, trading_day as day, abs(variance_l) as score from tank_days where abs(variance_l) > 40",
            r"sees tomorrow",
        ),
        (  # Tomorrow in the words alone.
            "select tank_id, day, 1 as score, (max(day) over ())::varchar as note from tank_days",
            r"sees tomorrow: its alarm T\d 2026-03-\d\d .* has the note '2026-03-\d\d' once 2026-03-\d\d is seen",
        ),
        ("select tank_id, day + 3 as day, 1 as score from tank_days", r"sees tomorrow: asked on .* it raises"),
    ],
)
def test_a_rule_that_uses_tomorrow(tables, sql, says):
    with pytest.raises(RefusedRuleError, match=says):
        asked(sql, tables)


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        ("select tank_id, ts_start::date as day, 1 as score from labels", "reads labels, which no rule may"),
        ("select tank_id, ts_start::date as day, 1 as score from main.labels", "reads main.labels"),
        ("with x as (select * from LABELS) select tank_id, ts_start::date as day, 1 as score from x", "reads LABELS"),
        ("select tank_id, day, 1 as score from tank_days where exists (select 1 from labels)", "reads labels"),
        (
            "with labels as (select * from labels) select tank_id, ts_start::date as day, 1 as score from labels",
            "labels",
        ),
        ("select tank_id, day, 1 as score from readings", "reads readings"),
        ("select * from 'sample_lake/labels.parquet'", "reads sample_lake/labels.parquet"),
        ("select * from read_parquet('sample_lake/labels.parquet')", "calls read_parquet"),
        ("select * from read_text('/etc/hostname')", "calls read_text"),
        ("select * from duckdb_tables()", "calls duckdb_tables"),
        ("select * from information_schema.tables", "reads information_schema.tables"),
        ("select * from query('select * from labels')", "calls query"),
        ("select * from query_table('labels')", "calls query_table"),
        ("select tank_id, day, (select count(*) from labels) as score from tank_days", "reads labels"),
        (
            "select t.tank_id, t.day, 1 as score from tank_days as t, lateral (select * from labels) as l",
            "reads labels",
        ),
        ("select * from tables", "reads tables"),
    ],
)
def test_a_rule_that_reads_labels_or_a_file(tables, sql, says):
    with pytest.raises(RefusedRuleError, match=says):
        asked(sql, tables)


@pytest.mark.parametrize(
    "sql",
    [
        "insert into tank_days select * from tank_days",
        "delete from tank_days",
        "update tank_days set variance_l = 0",
        "create table stolen as select * from tank_days",
        "drop table tank_days",
        "copy tank_days to 'stolen.csv'",
        "attach 'stolen.duckdb'",
        "install httpfs",
        "set threads = 4",
        "pragma database_list",
        "export database 'stolen'",
    ],
)
def test_a_rule_that_writes_or_sets(sql, tables, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(RefusedRuleError, match="a rule is one SELECT and writes nothing"):
        asked(sql, tables)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "inner",
    [
        "insert into tank_days select * from tank_days returning *",
        "delete from tank_days returning *",
        "update tank_days set variance_l = 0 returning *",
    ],
)
def test_a_rule_that_writes_within_its_select(inner, tables):
    with pytest.raises(RefusedRuleError, match="a rule only asks"):
        asked(f"with x as ({inner}) select tank_id, day, 1 as score from x", tables)


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        ("select tank_id, day, random() as score from tank_days", r"calls random\(\)"),
        ("select tank_id, current_date as day, 1 as score from tank_days", "clock|current_date"),
        ("select tank_id, today() as day, 1 as score from tank_days", r"calls today\(\)"),
        ("select tank_id, day, 1 as score, getvariable('x') as note from tank_days", r"calls getvariable\(\)"),
        ("select tank_id, day, epoch(ago(interval 1 day)) as score from tank_days", r"calls ago\(\)"),
        ("select tank_id, day, epoch(age(ts)) as score from tank_days, (select day::timestamp ts)", r"calls age\(\)"),
        ("select tank_id, day, length(current_user) as score from tank_days", "the clock or the machine|calls"),
        ("select tank_id, day, epoch(pg_postmaster_start_time()) as score from tank_days", r"calls pg_postmaster"),
        ("select tank_id, day, epoch(pg_conf_load_time()) as score from tank_days", r"calls pg_conf_load_time"),
        ("select tank_id, day, get_block_size('x') as score from tank_days", r"calls get_block_size"),
        ("select tank_id, day, pg_sleep(1) as score from tank_days", r"calls pg_sleep"),
        ("select tank_id, day, length(current_setting('threads')) as score from tank_days", r"calls current_setting"),
        ("select tank_id, day, list_aggregate([1, 2], 'reservoir_quantile', 0.5) as score from tank_days", "calls"),
        ("select tank_id, day, reservoir_quantile(variance_l, 0.5) over () as score from tank_days", "calls reservoir"),
        ("select tank_id, day, approx_quantile(variance_l, 0.5) over () as score from tank_days", "calls approx"),
        ("select tank_id, day, 1 as score, 'M9' as meter_id from tank_days", "meter that is not in the lake"),
        ("select tank_id, day, 1 as score, 'D9' as delivery_id from tank_days", "ticket that no drop or case has"),
        ("select 'S9' as site_id, day, 1 as score from tank_days", "site that is not in the lake"),
        ("select tank_id, day, hash(uuid()) as score from tank_days", r"calls uuid\(\)"),
        ("select tank_id, day, epoch(now()) as score from tank_days", r"calls now\(\)"),
        ("select tank_id, day, list_sum(list_transform([1], x -> random())) as score from tank_days", r"random\(\)"),
        ("select tank_id, day, 1 as score from tank_days using sample 2", "draws a sample"),
        ("select tank_id, day, 1 as score from tank_days tablesample 10%", "draws a sample"),
        (
            "with recursive r as (select 1 as n union all select n + 1 from r) select tank_id, day, n as score "
            "from tank_days, r",
            "comes to an end",
        ),
        ("select tank_id, day, 1 as score from tank_days; select 2", "2 statements"),
        ("select tank_id, day from tank_days", "no column score"),
        ("select day, 1 as score from tank_days", "no column tank_id"),
        ("select tank_id, day, 1 as score, 2 as more from tank_days", "gives a column more"),
        ("select tank_id, day, 1 as score, 'gremlins' as cause from tank_days", "does not know"),
        ("select 'T9' as tank_id, day, 1 as score from tank_days", "not in the lake"),
        ("select tank_id, day, variance_l / 0 as score from tank_days", "has no score"),
        ("select tank_id, day, nothing as score from tank_days", "nothing"),
        ("select tank_id, day, $threshold as score from tank_days", "parameter threshold is used and has no line"),
    ],
)
def test_a_rule_that_gives_no_alarms(tables, sql, says):
    with pytest.raises(RefusedRuleError, match=says):
        asked(sql, tables)


def test_a_function_that_uses_tomorrow(tables):
    def find(frames, **_):
        days = frames["tank_days"].drop_nulls("variance_l")
        top = days.filter(pl.col("variance_l").abs() == pl.col("variance_l").abs().max().over("tank_id"))
        return top.select("tank_id", "day", score=pl.col("variance_l").abs())

    rule = Rule("planted", "A rule", "the largest of all time", (), (), ("tank_days",), "", find=find)
    with pytest.raises(RefusedRuleError, match=r"T1 2026-03-04 .*is gone once 2026-03-0\d is seen"):
        replay(rule, {}, tables, DAYS)


def test_a_function_is_handed_no_labels(tables):
    def find(frames, **_):
        frames["labels"]

    rule = Rule("planted", "A rule", "what was found out", (), (), ("tank_days",), "", find=find)
    with pytest.raises(KeyError):
        replay(rule, {}, tables, DAYS)


def test_the_docs_list_the_functions_that_a_rule_may_call():
    told = (ROOT / "docs" / "backtest.md").read_text(encoding="utf-8").split("list equal to the code's:\n\n")[1]
    listed = told.split("\n\nTables are made")[0].split()
    assert sorted(set(listed)) == sorted(name for name in PURE if name[0].isalpha())
