"""A measured tank's chart through the command. Kind of evidence: published values."""

import re
from contextlib import redirect_stdout
from io import StringIO

import numpy as np
import polars as pl
import pytest
from scipy.interpolate import PchipInterpolator

from flows.cli import main
from pipeline.chart_review import site_charts
from pipeline.estimate.chart import calibrated_chart
from pipeline.physics.geometry import TankShape, volume_l
from pipeline.sites import site_tables
from tests.support.lakes import rows, write
from tests.support.odd_shapes import START, Trade, lake_of_one
from tests.support.reference_tables import rows as published

TANK = "T1"
DIAMETER_MM, STRETCH = 1200.0, 0.89 / 0.60
SHAPE = TankShape("horizontal_cylinder", "flat", DIAMETER_MM, 2450.0 * STRETCH)
"""National undergraduate modelling contest of China, 2010, problem A, first annex: half-axes 0.89 m by 0.60 m, 2.45 m
long, flat ends. Lengthened by 0.89 / 0.60 a round tank holds as much at every level; along it, it falls by as much."""
PROBE_MM = (1225.0 - 400.0) * STRETCH
"""The probe stands 0.40 m from the low end."""
TILT_MM_PER_M = 1000.0 * float(np.tan(np.radians(4.1))) / STRETCH
"""How it is said to lie: 4.1°."""
MEASURED_SHARE = 1.0349
"""Upright, the geometry gives so many times what was measured, at every level; the chart of the level tank is by it."""
POINTS = [row for row in published("measured_elliptical_tank") if row["lie"] == "tilted"]
LEVEL_MM, MEASURED_L = (np.array([row[name] for row in POINTS]) for name in ("level_mm", "measured_l"))
BIAS_L = {411.29: (241.0, 13.0), 892.92: (206.0, -21.0), 1035.36: (129.0, -62.0)}
"""What the level chart gives too much, and the chart of the tank as it is said to lie (4.1°), at three levels."""
CAPACITY_L = 4110.146 / MEASURED_SHARE


def level_chart_l(level_mm):
    """The chart of the level tank."""
    return volume_l(level_mm, SHAPE) / MEASURED_SHARE


def lake_of_the_tank(*, is_measured=True):
    """Four weeks between the published levels; the papers say how the tank lies, and its chart is of the level tank."""
    levels = np.append(np.arange(0.0, DIAMETER_MM, 50.0), DIAMETER_MM)
    tank = {
        "tank_id": TANK, "capacity_l": round(CAPACITY_L, 1), "safe_fill_l": round(0.95 * CAPACITY_L, 1),
        "shape": SHAPE.shape, "end_shape": SHAPE.end_shape, "diameter_mm": DIAMETER_MM, "length_mm": SHAPE.length_mm,
        "tilt_mm_per_m": TILT_MM_PER_M, "probe_position_mm": PROBE_MM,
    }  # fmt: skip
    level_of = PchipInterpolator(MEASURED_L, LEVEL_MM)
    trade = Trade(lambda stock: float(level_of(stock)), most_l=MEASURED_L[-1], drop_l=2_300.0, days=28, seed=4)
    filled = {"event_id": "E1", "ts": START, "site_id": "S1", "tank_id": TANK, "kind": "stock_measured",
              "note": f"filled by a meter: {MEASURED_L[-1]} l"}  # fmt: skip
    return lake_of_one(tank, (levels, level_chart_l(levels)), trade, (filled,) if is_measured else ())


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("published")
    write(folder / "lake", lake_of_the_tank())
    assert main(["run", str(folder / "lake"), "--out", str(folder / "out"), "--direct"]) == 0
    with StringIO() as kept, redirect_stdout(kept):
        assert main(["chart", str(folder / "out"), "--step-mm", "1", "--csv", str(folder / "tables")]) == 0
        (folder / "said").write_text(kept.getvalue())
    return folder


@pytest.fixture(scope="module")
def bias_l(place):
    """What the site's chart and the corrected one give too much at each published level. Shape (2, n)."""
    table = pl.read_csv(place / "tables" / f"{TANK}.csv")
    corrected = np.interp(LEVEL_MM, table["level_mm"], table["volume_l"])
    return np.array([level_chart_l(LEVEL_MM), corrected]) - MEASURED_L


def test_the_bias_is_cut_as_the_published_tilt_cuts_it(bias_l):
    """And more: with the litres told that it was filled with, and the trading that the command has besides."""
    for level, (before, by_tilt) in BIAS_L.items():
        at = LEVEL_MM.tolist().index(level)
        assert bias_l[0, at] == pytest.approx(before, abs=2.0)
        assert abs(bias_l[1, at]) < max(abs(by_tilt), 0.0015 * CAPACITY_L)


def test_from_level_to_level_the_corrected_chart_is_right(bias_l):
    """The level chart is off by 140 l from one published level to another, the corrected one by 0.15 % of the tank."""
    assert np.ptp(bias_l[0]) == pytest.approx(269.5 - 128.6, abs=2.0)
    assert np.ptp(bias_l[1]) < 0.0015 * CAPACITY_L


def test_the_tilt_is_found(place):
    """The chart is a level tank's; the papers' 4.1° are borne out with an interval."""
    figures = pl.read_parquet(place / "out" / "charts" / "figures.parquet")
    tilt = figures.row(by_predicate=pl.col("name") == "tilt_mm_per_m", named=True)
    assert tilt["is_told"]
    assert tilt["low"] < TILT_MM_PER_M < tilt["high"]
    assert tilt["high"] - tilt["low"] < 0.2 * TILT_MM_PER_M


def test_of_a_lone_tank_each_figure_is_said_with_its_interval_or_that_it_cannot_be_told(place):
    """Roll acts as an offset does, and is never told."""
    lines = (place / "said").read_text().splitlines()
    (tilt,) = [line for line in lines if line.startswith("  Tilt along the axis: ")]
    value, low, high = (float(found) for found in re.findall(r"\d+\.\d+", tilt))
    assert low < TILT_MM_PER_M < high and low < value < high
    assert any(line.startswith("  Roll about the axis: cannot be told from this data") for line in lines)


def test_the_chart_is_named_wrong_and_worth_a_new_table(place):
    charts = pl.read_parquet(place / "out" / "charts" / "charts.parquet").row(0, named=True)
    assert charts["verdict"] == "new_table"
    assert "chart_error" in pl.read_parquet(place / "out" / "cases.parquet")["cause"]


def test_from_trading_alone_the_interval_of_the_litres_holds_the_measured_ones():
    """The papers' geometry is 75 l off from level to level: a shape that they cannot name, and is so believed."""
    (tables,) = site_tables({**lake_of_the_tank(is_measured=False), "meter_totals": rows("meter_totals")})
    found = calibrated_chart(site_charts(tables).charts[0])
    corrected = found.correction.at(LEVEL_MM)
    assert np.all(np.abs(corrected.corrected_l - MEASURED_L) < 1.96 * corrected.sd_l)
    assert not next(one for one in found.estimates if one.name == "stock_l").is_identified
    assert found.ways["shape"] > 0.5
