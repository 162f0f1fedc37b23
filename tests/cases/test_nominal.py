"""A tank without a chart is judged by what needs none. Evidence: known truth by construction."""

from datetime import timedelta

import polars as pl
import pytest

from pipeline.analysis import analyse
from pipeline.cases.finding import Finding
from pipeline.cases.nominal import without_charts
from pipeline.ledger.nominal import with_nominal_charts
from tests.support.lakes import START, tiny_lake

DAYS = 6
DRAWN_MM, L_PER_MM = 100.0, 5.0
"""Five hundred litres leave the tank without a chart in the fourth night, between two readings."""
AT = START + timedelta(days=3, hours=2, minutes=25)
NO_CHART, NEIGHBOUR = pl.col("tank_id") == "T2", pl.col("tank_id") == "T1"


def lake(*, chart):
    tables = tiny_lake(days=DAYS)
    drawn = pl.when(NO_CHART & (pl.col("ts") > AT)).then(DRAWN_MM).otherwise(0.0)
    tables["readings"] = tables["readings"].with_columns(pl.col("level_mm") - drawn)
    return tables if chart else {**tables, "strapping": tables["strapping"].filter(~NO_CHART)}


@pytest.fixture(scope="module")
def made():
    return {chart: analyse(lake(chart=chart)) for chart in (True, False)}


def test_a_draw_is_told_with_the_doubt_of_the_nominal_tank(made):
    """Upright, 2,523.1 mm across: 5 l a millimetre. Its litres are sure to 3 % (SD), and the case says why."""
    (case,) = made[False]["cases"].filter(NO_CHART).iter_rows(named=True)
    assert case["cause"] == "bulk_theft"
    assert case["litres"] == pytest.approx(-DRAWN_MM * L_PER_MM, rel=0.03)
    assert case["litres_high"] - case["litres_low"] > 2.0 * 1.96 * 0.029 * DRAWN_MM * L_PER_MM
    names = made[False]["evidence"].filter(pl.col("case_id") == case["case_id"])["name"].to_list()
    assert any("the tank has no chart" in name for name in names)


def test_no_stock_and_no_variance_is_told_of_it(made):
    days = made[False]["tank_days"].filter(NO_CHART)
    assert days.height >= DAYS - 1
    assert days["variance_l"].null_count() == days.height
    assert days["sales_l"].sum() == 24 * DAYS * 10.0
    assert made[False]["statements"].filter(NO_CHART)["verdict"].unique().to_list() == ["inconclusive"]


def test_its_neighbour_s_days_are_the_same(made):
    with_it, without = (made[chart]["tank_days"].filter(NEIGHBOUR).drop("forest_score") for chart in (True, False))
    assert with_it.equals(without)
    assert with_it["variance_l"].count() >= DAYS - 1


def test_what_a_chart_alone_tells_is_not_said():
    def finding(cause, unit_id):
        return Finding(cause, "S1", unit_id, unit_id, 1, 0.0, None, 3.0, litres=-100.0, sd_l=4.0)

    causes = ("tank_leak", "chart_error", "short_delivery", "meter_drift", "bulk_theft")
    found = without_charts([finding(cause, unit) for cause in causes for unit in ("T1", "T2")], {"T2"})
    assert [one.cause for one in found if one.unit_id == "T1"] == list(causes)
    (left,) = [one for one in found if one.unit_id == "T2"]
    assert (left.cause, left.litres, left.sd_l) == ("bulk_theft", -100.0, 5.0)


def test_a_nominal_chart_is_for_tanks_that_have_readings_and_no_chart():
    tables, names = with_nominal_charts(lake(chart=False))
    assert names == {"T2"}
    chart = tables["strapping"].filter(NO_CHART).sort("level_mm")
    assert chart["level_mm"].max() == 2_000.0
    assert chart["volume_l"].max() == pytest.approx(10_000.0, rel=1e-4)
    assert chart["volume_l"].is_sorted()
    silent = lake(chart=False)
    silent["readings"] = silent["readings"].filter(~NO_CHART)
    assert with_nominal_charts(silent)[1] == frozenset()
