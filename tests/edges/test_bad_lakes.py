"""Kind of evidence: known truth by construction. A lake that is wrong in one thing costs that thing and no more."""

import json

import polars as pl
import pytest

from flows.cli import main
from pipeline.store import open_store
from tests.support.bad_lakes import KINDS
from tests.support.lake_catalogue import BadLake, side_by_side
from tests.support.lake_verdicts import judged, run


@pytest.fixture(scope="module")
def together(tmp_path_factory, sound):
    """One lake with a site for each of `KINDS`: what was at fault with the run over it, and what it left."""
    kinds = [BadLake(name, spoil) for name, (spoil, _) in KINDS.items()]
    folder = tmp_path_factory.mktemp("together")
    return judged(side_by_side(kinds), folder, sound).faults, folder / "out"


@pytest.fixture(scope="module")
def refused_together(together):
    """What was refused of each kind, by the number that a row's keys end in."""
    with open_store(together[1], read_only=True) as store:
        refused = store.table("quarantine")
    numbered = refused.with_columns(number=pl.col("row").str.extract(r'@(\d\d)"').cast(pl.Int64))
    assert numbered["number"].null_count() == 0
    counts = numbered.group_by("number", "table", "reason").len().rows()
    return [{(table, reason): n for at, table, reason, n in counts if at == number} for number in range(len(KINDS))]


def test_bad_lakes_cost_nobody_else_anything(together):
    assert together[0] == ()


@pytest.mark.parametrize("name", KINDS)
def test_a_bad_lake_costs_what_is_bad_of_it(refused_together, name):
    assert refused_together[list(KINDS).index(name)] == KINDS[name][1]


def test_a_tank_without_a_chart_keeps_its_sales_and_its_neighbour_all(tmp_path):
    out = tmp_path / "out"
    run(BadLake("no chart", KINDS["no chart"][0]).write(tmp_path / "lake"), out)
    days = pl.read_parquet(out / "tank_days.parquet")
    without, neighbour = days.filter(tank_id="T1"), days.filter(tank_id="T2")
    assert without["variance_l"].null_count() == without.height
    assert without["sales_l"].sum() == 720.0  # ten litres an hour for three days
    assert neighbour["variance_l"].drop_nulls().len() >= 1
    page = (out / "report" / "data.html").read_text()
    assert page.count(">No chart<") == 1


def test_a_day_in_inches_is_no_loss_and_no_gain(together):
    """Without it, 6,000 l were drawn and 7,704 l dropped without a ticket."""
    out, tank = together[1], f"T1@{list(KINDS).index('levels in inches for a day'):02}"
    assert tank in pl.read_parquet(out / "tank_days.parquet")["tank_id"].to_list()
    assert tank not in pl.read_parquet(out / "cases.parquet")["tank_id"].to_list()
    with open_store(out, read_only=True) as store:
        troubles = store.table("data_health").filter(tank_id=tank)
        assert "unit_slip" in troubles["kind"].to_list()


def test_what_breaks_nevertheless_is_one_line(tmp_path, capsys):
    """A store of ours that somebody took a table out of; `report` once ended in a traceback."""
    with open_store(tmp_path):
        pass
    code = main(["report", str(tmp_path)])
    said = capsys.readouterr().err
    assert code == 2
    assert said.count("\n") == 1 and said.startswith("tankdrift: this is a mistake of tankdrift's own"), said
    (kept,) = tmp_path.glob("tankdrift-mistake-*.json")
    assert str(kept) in said
    known = json.loads(kept.read_text())
    assert known["command"] == "report" and known["error"] in said
    assert any(line.startswith("store.py:") for line in known["went_through"])
    assert str(tmp_path) not in kept.read_text() and "_state" not in kept.read_text()
