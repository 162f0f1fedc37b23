"""Kind of evidence: known truth by construction. A right set of results passes; each thing broken in it is named."""

import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.check import violations
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.run import PARQUET_TABLES
from pipeline.resources import query_names
from pipeline.settings import Settings
from pipeline.store import FILE, SCHEMAS, open_store
from tests.support.lakes import START, rows, tiny_lake

DAY = date(2024, 3, 29)


def _frame(table: str, *records: dict) -> pl.DataFrame:
    schema = polars_schema(SCHEMAS[table])
    return pl.DataFrame([{name: record.get(name) for name in schema} for record in records], schema=schema)


LEAK = {
    "case_id": "C1", "cause": "tank_leak", "site_id": "S1", "tank_id": "T1", "raised_on": date(2024, 3, 31),
    "ts_start": START, "litres": -30.0, "litres_low": -36.0, "litres_high": -24.0, "rate_l_per_h": 0.5,
    "probability": 0.9, "urgency": "today", "action": "Test the tank for tightness.", "summary": "T1 loses 0.5 l/h.",
}  # fmt: skip
SKEW = {
    "case_id": "C2", "cause": "clock_skew", "site_id": "S1", "raised_on": DAY, "ts_start": START, "probability": 0.8,
    "urgency": "watch", "action": "Set the till's clock.", "summary": "The till is 90 s ahead.",
}  # fmt: skip
SHORT = {
    **LEAK, "case_id": "C3", "cause": "short_delivery", "delivery_id": "D1", "rate_l_per_h": None,
    "raised_on": DAY,
}  # fmt: skip
DRIFT = {**LEAK, "case_id": "C4", "cause": "meter_drift", "meter_id": "M-T1", "meter_error_pct": 0.8, "litres": 30.0,
         "litres_low": 20.0, "litres_high": 40.0, "rate_l_per_h": None}  # fmt: skip


def _right() -> dict[str, pl.DataFrame]:
    """Results of two tanks, joined by a siphon, that keep every rule."""
    figures = {
        "opening_stock_l": 9500.0, "deliveries_l": 0.0, "sales_l": 240.0, "book_stock_l": 9260.0,
        "closing_stock_l": 9250.0, "variance_l": -10.0, "is_anomalous": False,
    }  # fmt: skip
    days = [{"tank_id": tank, "trading_day": DAY, **figures} for tank in ("T1", "T2")]
    parts = [
        {"tank_id": tank, "trading_day": DAY, "part": part, "litres": litres}
        for tank in ("T1", "T2")
        for part, litres in (("tank_leak", -11.5), ("thermal", 0.25), ("residual", 1.25))
    ]
    month = {"month": date(2024, 3, 1), "leak_rate_l_per_h": 0.5, "leak_rate_low": 0.4, "leak_rate_high": 0.6,
             "detectable_l_per_h": 0.3, "verdict": "fail"}  # fmt: skip
    lake = tiny_lake()
    ticket = {"delivery_id": "D1", "tank_id": "T1", "ts_ticket": START, "ticket_volume_l": 5000.0}
    return {
        **lake,
        "tanks": lake["tanks"].with_columns(manifold_id=pl.lit("siphon")),
        "deliveries": rows("deliveries", ticket),
        "cases": _frame("cases", LEAK, SKEW, SHORT, DRIFT),
        "tank_days": _frame("tank_days", *days),
        "variance_parts": _frame("variance_parts", *parts),
        "statements": _frame("statements", *({"tank_id": tank, **month} for tank in ("T1", "T2"))),
        "quarantine": _frame("quarantine", {"table": "sales", "row": '{"sale_id": "x"}', "reason": "volume_l_missing"}),
        "evidence": _frame("evidence", {"case_id": "C1", "seq": 1, "kind": "rate", "name": "leak", "value": 0.5}),
    }


@pytest.fixture(scope="module")
def right(tmp_path_factory) -> Path:
    """A folder of right results, for copies."""
    out = tmp_path_factory.mktemp("right")
    (out / "report").mkdir(parents=True)
    (out / "report" / "index.html").write_text("<p>a report</p>")
    tables = _right()
    with open_store(out) as store, store.transaction():
        for name, schema in SCHEMAS.items():
            store.replace(name, tables.get(name, schema.create_empty()))
    for name in PARQUET_TABLES:
        tables[name].write_parquet(out / f"{name}.parquet")
    return out


@pytest.fixture
def leave(right, tmp_path):
    """Leaves right results in a folder, but for the tables that are given."""

    def left(**changed: pl.DataFrame) -> Path:
        out = shutil.copytree(right, tmp_path / "out")
        if changed:
            with open_store(out) as store, store.transaction():
                for name, frame in changed.items():
                    store.replace(name, frame)
        for name in changed.keys() & set(PARQUET_TABLES):
            changed[name].write_parquet(out / f"{name}.parquet")
        return out

    return left


def test_right_results_keep_the_contract(leave):
    assert violations(leave()) == []


def _first(**values):
    """Change to the first row of a table."""
    is_first = pl.int_range(pl.len()) == 0
    return lambda frame: frame.with_columns(
        **{name: pl.when(is_first).then(pl.lit(value)).otherwise(pl.col(name)) for name, value in values.items()}
    ).cast(dict(frame.schema))


def _add(**values):
    """Another row like the first, but for some values."""
    return lambda frame: pl.concat([frame, _first(**values)(frame.head(1))])


def _case(case, **values):
    """All cases replaced by one, changed."""
    return lambda frame: _frame("cases", {**case, **values})


BROKEN = [
    ("variance_parts", _first(litres=-11.4), "checks/parts_add_up"),
    ("variance_parts", lambda frame: frame.filter(pl.col("tank_id") == "T1"), "checks/parts_add_up"),
    ("variance_parts", _add(trading_day=date(2024, 3, 30)), "checks/parts_have_a_day"),
    ("variance_parts", _first(part="magic"), "variance_parts: part_known"),
    ("tank_days", _first(sales_l=241.0), "checks/days_close"),
    ("tank_days", _first(closing_stock_l=9251.0), "checks/days_close"),
    ("tank_days", _first(opening_stock_l=None), "checks/days_close"),
    ("tank_days", _first(closing_stock_l=None), "checks/days_close"),
    ("tank_days", _add(tank_id="T9", variance_l=None), "checks/days_of_known_tanks"),
    ("tank_days", _add(), "tank_days: key is not unique"),
    ("cases", _case(LEAK, tank_id="T9"), "checks/days_of_known_tanks"),
    ("cases", _case(LEAK, site_id="S9"), "checks/cases_name_what_is_known"),
    ("cases", _case(DRIFT, meter_id="M9"), "checks/cases_name_what_is_known"),
    ("cases", _case(SHORT, delivery_id="D9"), "checks/cases_name_what_is_known"),
    ("cases", _case(SHORT, delivery_id=None), "checks/cases_name_what_their_cause_asks"),
    ("cases", _case(DRIFT, meter_id=None), "checks/cases_name_what_their_cause_asks"),
    ("cases", _case(DRIFT, meter_error_pct=None), "checks/cases_name_what_their_cause_asks"),
    ("cases", _case(LEAK, rate_l_per_h=None), "checks/cases_name_what_their_cause_asks"),
    ("cases", _case(LEAK, tank_id=None), "checks/cases_name_what_their_cause_asks"),
    ("cases", _case(SKEW, tank_id="T1"), "checks/cases_name_what_their_cause_asks"),
    ("cases", _case(SKEW, litres=-3.0, litres_low=-4.0, litres_high=-2.0), "cases: litres_only_where_meant"),
    ("cases", lambda frame: _frame("cases", LEAK, SKEW, {**SKEW, "case_id": "C9"}), "checks/cases_once"),
    ("cases", _case(LEAK, litres=30.0, litres_low=20.0, litres_high=40.0), "checks/cases_with_signed_litres"),
    ("cases", _case(LEAK, litres_low=None), "checks/cases_with_signed_litres"),
    ("cases", _case(LEAK, litres=None), "checks/cases_with_signed_litres"),
    ("cases", _case(LEAK, litres_low=-29.0), "cases: litres_in_interval"),
    ("cases", _case(LEAK, raised_on=date(2024, 4, 2)), "checks/cases_raised_in_time"),
    ("cases", _case(LEAK, raised_on=date(2024, 3, 28)), "checks/cases_raised_in_time"),
    ("cases", _case(LEAK, raised_on=date(2024, 3, 28)), "cases: raised_after_start"),
    ("cases", _case(LEAK, ts_end=datetime(2024, 3, 28, tzinfo=UTC)), "cases: ends_after_start"),
    ("cases", _case(LEAK, action=" "), "checks/cases_say_what_to_do"),
    ("cases", _case(LEAK, probability=1.2), "cases: probability_in_0_to_1"),
    ("cases", _case(LEAK, urgency="soon"), "cases: urgency_known"),
    ("cases", _case(SHORT), "checks/evidence_has_a_case"),
    ("statements", lambda frame: frame.head(1), "checks/statements_cover_the_days"),
    ("statements", _add(month=date(2024, 4, 1)), "checks/statements_cover_the_days"),
    ("statements", _add(month=date(2024, 3, 2)), "statements: first_of_month"),
    ("statements", _first(verdict="pass"), "checks/statements_follow_their_rule"),
    ("statements", _first(leak_rate_l_per_h=0.42, leak_rate_low=0.4), "checks/joined_tanks_agree"),
    ("statements", _first(leak_rate_low=0.55), "statements: leak_rate_in_interval"),
    ("statements", lambda frame: frame.with_columns(detectable_l_per_h=pl.lit(0.8)),
     "checks/statements_follow_their_rule"),
    ("statements", lambda frame: frame.with_columns(leak_rate_l_per_h=pl.lit(None, pl.Float64)),
     "checks/statements_follow_their_rule"),
    ("statements", lambda frame: frame.with_columns(leak_rate_l_per_h=pl.lit(None, pl.Float64),
     verdict=pl.lit("inconclusive")), "checks/statements_say_why"),
    ("quarantine", _first(row="sale x"), "checks/quarantine_tells"),
    ("quarantine", _first(table="labels"), "checks/quarantine_tells"),
    ("quarantine", _first(reason=""), "checks/quarantine_tells"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "change", "rule"), BROKEN, ids=lambda value: value if isinstance(value, str) else "")
def test_what_is_broken_is_named_in_one_line(leave, table, change, rule):
    found = violations(leave(**{table: change(_right()[table])}))
    assert any(line.startswith(f"{rule}: ") for line in found), found
    assert all("\n" not in line for line in found)


def test_every_check_has_a_case_that_breaks_it():
    assert set(query_names("checks")) == {rule for _, _, rule in BROKEN if rule.startswith("checks/")}


def test_verdicts_are_judged_by_the_settings_of_their_run(leave):
    out = leave()
    with open_store(out) as store:
        store.remember({"settings": Settings(fail_leak_rate_l_per_h=0.6).as_text()})
    assert [line.split(":")[0] for line in violations(out)] == ["checks/statements_follow_their_rule"]


def test_files_that_are_gone_or_say_something_else(leave):
    out = leave()
    (out / "cases.parquet").unlink()
    (out / "report" / "index.html").unlink()
    (out / "statements.parquet").write_bytes(b"PAR1")
    _right()["tank_days"].head(1).write_parquet(out / "tank_days.parquet")
    parts = _right()["variance_parts"].with_columns(pl.col("litres").cast(pl.Float32))
    parts.write_parquet(out / "variance_parts.parquet")
    assert violations(out) == [
        "cases: cases.parquet is missing",
        "tank_days: tank_days.parquet and the store's table differ",
        "variance_parts: columns are not the contract's: litres Float64",
        "statements: statements.parquet cannot be read as Parquet",
        "report: report/index.html is missing",
    ]


def test_many_rows_are_counted_and_few_are_shown(leave):
    many = pl.concat([_right()["quarantine"].with_columns(reason=pl.lit(""))] * 8)
    (line,) = violations(leave(quarantine=many))
    assert line.startswith("checks/quarantine_tells: 8 rows: table=sales, ")
    assert line.endswith(" and 3 more")


def test_a_store_without_results(tmp_path):
    with open_store(tmp_path) as store:
        store.replace("cases", SCHEMAS["cases"].create_empty())
    assert (tmp_path / FILE).is_file()
    assert "store: table tank_days is missing" in violations(tmp_path)
