"""A tank's chart corrected from its own dips. Evidence: known truth by simulation; sensors and faults share no code."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.chart_review import site_charts
from pipeline.contract.rules import litres_in_note
from pipeline.estimate.chart import ChartCalibration, NotCalibrated, calibrated_chart
from pipeline.estimate.chart_data import SMOOTH_OPEN_H, local_lines
from pipeline.estimate.chart_fleet import told_by_fleet
from pipeline.estimate.chart_terms import Estimate
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.physics.geometry import TankShape, volume_l
from pipeline.scoring.charts import chart_frames
from pipeline.simulate.chart import TrueShape
from pipeline.simulate.model import Tank
from pipeline.sites import site_tables
from tests.support.charts import calibrate_chart, charted_fleet, charted_lake
from tests.support.lakes import rows
from tests.support.odd_shapes import Trade, lake_of_one


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


# -- What somebody measured besides ----------------------------------------------------------------


def with_events(walk: UnitWalk, **more: Any) -> UnitWalk:
    """The same tank with something else told of it."""
    return replace(walk, seen=replace(walk.seen, unit=replace(walk.seen.unit, **more)))


def told_events(walk: UnitWalk, kind: str, at_s: list[float], litres: list[float]) -> pl.DataFrame:
    """The tank's log with entries of one kind, each with its litres."""
    unit = walk.seen.unit
    entries = [
        {"event_id": f"P{number}", "ts": datetime.fromtimestamp(at, UTC), "site_id": unit.site_id,
         "tank_id": unit.unit_id, "kind": kind, "note": f"by the meter {volume:.1f} l"}
        for number, (at, volume) in enumerate(zip(at_s, litres, strict=True))
    ]  # fmt: skip
    return pl.concat([unit.events, rows("events", *entries)])


def estimate(found: ChartCalibration | NotCalibrated, name: str) -> Estimate:
    assert isinstance(found, ChartCalibration)
    return next(one for one in found.estimates if one.name == name)


def by_tank() -> dict[str, UnitWalk]:
    return {walk.seen.unit.unit_id: walk for walk in fleet()[0]}


def test_litres_measured_in_the_tank_once_make_the_constant_known():
    """Without them no chart is sure to 0.17 % of its tank where least sure; with them each is, and right to 0.15 %."""
    for alone, tank, shape in calibrated():
        walk = by_tank()[alone.tank_id]
        middle = len(walk.dips) // 2
        true_l = float(shape.volume_at(walk.dips.level_mm[middle] - tank.gauge.offset_mm))
        log = told_events(walk, "stock_measured", [float(walk.dips.ts_s[middle])], [true_l])
        found = calibrate_chart(with_events(walk, events=log))
        assert isinstance(found, ChartCalibration)
        before, after = estimate(alone, "stock_l"), estimate(found, "stock_l")
        assert after.high - after.low < 0.0035 * tank.capacity_l < before.high - before.low
        assert np.abs(errors(found, tank, shape)[1]).max() < 0.0015 * tank.capacity_l


def test_what_proving_cans_say_of_the_meters_moves_the_scale_by_as_much_and_leaves_less_doubt():
    for alone, _, _ in calibrated()[:3]:
        walk = by_tank()[alone.tank_id]
        meters = [name.removeprefix("meter:") for name in walk.walk.balance.names if name.startswith("meter:")]
        at_s = float(walk.dips.ts_s[0])
        proved = [{name: ((at_s, share),) for name in meters} for share in (-0.002, 0.002)]
        low, high = (estimate(calibrate_chart(with_events(walk, proved=one)), "scale_pct") for one in proved)
        assert high.value - low.value == pytest.approx(0.4, abs=0.1)
        assert high.high - high.low < 0.75 * (estimate(alone, "scale_pct").high - estimate(alone, "scale_pct").low)


def test_a_metered_drop_counts_instead_of_its_ticket():
    """All drops said to be 1 % more than their tickets: the tank is so much larger, as far as its meters let it be."""
    alone, _, _ = calibrated()[0]
    walk = by_tank()[alone.tank_id]
    drops = [known.drop for known in walk.seen.drops if known.drop.tickets]
    written = walk.seen.unit.tickets["ticket_volume_l"]
    litres = [1.01 * float(written.gather(list(drop.tickets)).sum()) for drop in drops]
    log = told_events(walk, "drop_metered", [drop.end_s for drop in drops], litres)
    found = calibrate_chart(with_events(walk, events=log))
    assert estimate(found, "scale_pct").value > estimate(alone, "scale_pct").value + 0.1


def test_a_note_without_its_litres_is_refused():
    """Two figures are asked for of a proving, one of a stock, none of others."""
    told = {
        ("meter_proved", "20.00 l shown, 19.97 l in the can"): True, ("meter_proved", "19.97 l"): False,
        ("stock_measured", "9 l"): True, ("stock_measured", "half full"): False, ("stock_measured", None): False,
        ("alarm", None): True,
    }  # fmt: skip
    entries = [{"event_id": str(number), "kind": kind, "note": note} for number, (kind, note) in enumerate(told)]
    assert rows("events", *entries).select(litres_in_note())["note"].to_list() == list(told.values())


def test_after_a_chart_was_replaced_the_new_one_alone_is_judged():
    """A chart that gives 4 % too much is worth a new table; once the right one holds, by all the dips, it is not."""
    lake, _ = charted_lake(seed=5, tanks=1, days=20, wrong=False)
    right = lake["strapping"]
    wrong = right.with_columns(volume_l=(1.04 * pl.col("volume_l")).round(1))
    since = right["valid_from"].max() + timedelta(days=10)
    verdicts = []
    for charts in (wrong, pl.concat([wrong, right.with_columns(valid_from=pl.lit(since))])):
        (tables,) = site_tables({**lake, "strapping": charts})
        found = site_charts(tables).charts
        said = chart_frames(found, [calibrated_chart(one) for one in found], {})["charts"]
        verdicts.append(said["verdict"].to_list())
    assert verdicts == [["new_table"], ["no_new_table"]]


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


def test_a_days_warmth_is_not_smoothed_away_in_the_open():
    """Published value: a tricube window of half width H takes (2 pi / 24)^2 (35/243) H^2 / 2 of a day's sine."""
    hours = np.arange(0.0, 96.0, 0.5)
    swing = np.sin(2.0 * np.pi * hours / 24.0)
    left = local_lines(hours, swing, SMOOTH_OPEN_H)[24:-24] @ swing[24:-24] / (swing[24:-24] @ swing[24:-24])
    assert left == pytest.approx(1.0 - (np.pi / 12.0) ** 2 * 35.0 / 243.0 * SMOOTH_OPEN_H**2 / 2.0, abs=0.003)
    assert left > 0.97


def test_a_shape_that_papers_cannot_name_is_believed_and_its_litres_are_unsure():
    """A suitcase, |x/a|^3 + |y/b|^3 = 1, with the chart of a round tank: the levels lie within their interval."""
    depth_mm, capacity_l = 1400.0, 6000.0
    level = np.linspace(0.0, depth_mm, 2001)
    width = (1.0 - np.abs((level[1:] + level[:-1]) / depth_mm - 1.0) ** 3) ** (1.0 / 3.0)
    litres = capacity_l * np.concatenate([[0.0], np.cumsum(width)]) / width.sum()
    papers = TankShape("horizontal_cylinder", "flat", depth_mm, capacity_l / (np.pi * (depth_mm / 2000.0) ** 2))
    tank = {
        "tank_id": "T1", "capacity_l": capacity_l, "safe_fill_l": 5700.0, "shape": papers.shape, "end_shape": "flat",
        "diameter_mm": depth_mm, "length_mm": papers.length_mm, "tilt_mm_per_m": 0.0, "probe_position_mm": 0.0,
    }  # fmt: skip
    trade = Trade(lambda stock: float(np.interp(stock, litres, level)), most_l=5400.0, drop_l=3300.0, days=28, seed=1)
    of_the_chart = np.append(np.arange(0.0, depth_mm, 20.0), depth_mm)
    lake = lake_of_one(tank, (of_the_chart, volume_l(of_the_chart, papers)), trade)
    (tables,) = site_tables({**lake, "meter_totals": rows("meter_totals")})
    found = calibrated_chart(site_charts(tables).charts[0])
    at = np.linspace(*found.span_mm, 40)
    corrected = found.correction.at(at)
    assert found.ways["shape"] > 0.9
    assert np.all(np.abs(corrected.corrected_l - np.interp(at, level, litres)) < 1.96 * corrected.sd_l)
