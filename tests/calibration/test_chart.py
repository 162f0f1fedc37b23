"""A tank's chart corrected from its own dips. Evidence: known truth by simulation; sensors and faults share no code."""

from dataclasses import replace
from functools import cache

import numpy as np

from pipeline.estimate.chart import ChartCalibration, NotCalibrated
from pipeline.estimate.chart_fleet import told_by_fleet
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.simulate.chart import TrueShape
from pipeline.simulate.model import Tank
from tests.support.charts import calibrate_chart, charted_fleet


@cache
def fleet() -> tuple[list[UnitWalk], dict[str, tuple[Tank, TrueShape]]]:
    return charted_fleet(seed=73_101, tanks=8, days=30)


@cache
def calibrated() -> list[tuple[ChartCalibration, Tank, TrueShape]]:
    walks, truth = fleet()
    found = [calibrate_chart(walk) for walk in walks]
    return [(one, *truth[one.tank_id]) for one in found if isinstance(one, ChartCalibration)]


def errors(found: ChartCalibration, tank: Tank, shape: TrueShape) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Error of the site's and of the corrected chart at forty levels seen, and the corrected one's SD. [l]"""
    level = np.linspace(*found.span_mm, 40)
    true_l = shape.volume_at(level - tank.gauge.offset_mm)
    rows = found.corrected
    chart, better, sd = (np.interp(level, rows.level_mm, of) for of in (rows.chart_l, rows.corrected_l, rows.sd_l))
    return chart - true_l, better - true_l, sd


def test_the_corrected_charts_are_nearer_to_the_truth():
    """Charts that are wrong by tilt, offset, scale or a dent: the median worst error falls by half or more."""
    worst = [(np.abs(before).max(), np.abs(after).max()) for before, after, _ in (errors(*one) for one in calibrated())]
    before, after = np.median(np.array(worst), axis=0)
    assert len(worst) >= 4
    assert after < 0.5 * before


def test_most_levels_lie_within_their_interval():
    """Nominal 95 %; with some two hundred correlated levels three quarters are the least that is borne."""
    inside = np.concatenate([np.abs(after) <= 1.96 * sd for _, after, sd in (errors(*one) for one in calibrated())])
    assert inside.mean() > 0.75


def test_every_estimate_lies_in_its_interval_and_says_whether_it_is_told():
    for found, _, _ in calibrated():
        assert {"tilt_mm_per_m", "datum_mm", "scale_pct"} <= {one.name for one in found.estimates}
        for one in found.estimates:
            assert not one.is_identified or one.low <= one.value <= one.high
        assert set(found.not_identified) == {one.name for one in found.estimates if not one.is_identified}


def test_the_litres_below_a_level_are_told_only_where_they_are_sure_to_015_percent_of_the_capacity():
    """The half-width against the tank's capacity is what decides, and what the note says."""
    for found, tank, _ in calibrated():
        stock = next(one for one in found.estimates if one.name == "stock_l")
        half_pct = 100.0 * (stock.high - stock.low) / 2.0 / tank.capacity_l
        assert stock.is_identified == (half_pct <= 0.15)
        assert abs(float(stock.note.split()[2]) - half_pct) < 0.0051 + 0.01 * half_pct
        widest = found.corrected.sd_l[found.corrected.is_visited].max()
        assert abs(half_pct / (100.0 * 1.96 * widest / tank.capacity_l) - 1.0) < 0.3


def test_told_by_its_fleet_a_tank_knows_its_scale_better():
    """Meters, carriers and usual charts of the other tanks leave less doubt than common practice does."""
    walks, _ = fleet()
    alone = [one for one, _, _ in calibrated()]
    told = told_by_fleet({one.tank_id: one.heard for one in alone})

    def width(found: ChartCalibration) -> float:
        scale = next(one for one in found.estimates if one.name == "scale_pct")
        return scale.high - scale.low

    by_tank = {walk.seen.unit.unit_id: walk for walk in walks}
    narrower = []
    for one in alone:
        again = calibrate_chart(by_tank[one.tank_id], told=told[one.tank_id])
        assert isinstance(again, ChartCalibration)
        narrower.append(width(again) < width(one))
    assert np.mean(narrower) > 0.7


def test_a_chart_of_too_few_rows_within_the_tank_is_not_judged():
    walk = fleet()[0][0]
    strapping = walk.seen.unit.strappings[0]
    few = tuple((level[-3:], volume[-3:]) for level, volume in strapping.charts)
    unit = replace(walk.seen.unit, strappings=(replace(strapping, charts=few),))
    found = calibrate_chart(replace(walk, seen=replace(walk.seen, unit=unit)))
    assert isinstance(found, NotCalibrated)
    assert found.reason == "3 rows of its chart lie within the tank, 4 are needed"


def test_too_few_dips_are_not_judged():
    walk = fleet()[0][0]
    short = {name: value[:150] if isinstance(value, np.ndarray) else value for name, value in vars(walk.dips).items()}
    assert isinstance(calibrate_chart(replace(walk, dips=type(walk.dips)(**short))), NotCalibrated)
