"""Properties of the chart look-up, and oddities planted in a chart."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physics.charts import (
    Chart,
    chart_findings,
    chart_level_mm,
    chart_slope_l_per_mm,
    chart_volume_l,
    nominal_chart,
    product_volume_l,
    water_bottom_l,
)
from pipeline.physics.geometry import TankShape, capacity_l, surface_l_per_mm, volume_l

TANK = TankShape("horizontal_cylinder", "torispherical", 2500.0, 8000.0)
CAPACITY_L = capacity_l(TANK)
LEVELS = np.arange(0.0, 2501.0, 10.0)
LITRES = volume_l(LEVELS, TANK)
CHART = Chart(LEVELS, LITRES)


@st.composite
def charts(draw):
    """Uneven rows, some a micrometre apart, from anywhere near the bottom."""
    steps = draw(st.lists(st.one_of(st.floats(1e-3, 0.1), st.floats(1.0, 200.0)), min_size=1, max_size=60))
    rises = draw(st.lists(st.floats(0.01, 500.0), min_size=len(steps), max_size=len(steps)))
    first = draw(st.sampled_from([0.0, 5.0, 37.5]))
    return Chart(first + np.cumsum([0.0, *steps]), first + np.cumsum([0.0, *rises]))


@given(charts(), st.lists(st.floats(-0.1, 1.1), min_size=1, max_size=50))
def test_look_up_is_linear_interpolation(chart, shares):
    """Naive twin: numpy's interpolation, by search."""
    low, high = chart.level_mm[0], chart.level_mm[-1]
    levels = np.concatenate([low + np.array(shares) * (high - low), chart.level_mm])
    expected = np.interp(levels, chart.level_mm, chart.volume_l, left=np.nan, right=np.nan)
    slack = 1e-9 * np.abs(np.diff(chart.volume_l) / np.diff(chart.level_mm)).max()
    np.testing.assert_allclose(chart_volume_l(levels, chart), expected, rtol=1e-9, atol=1e-9 + slack)


@given(charts(), st.floats(0.0, 1.0))
def test_level_of_the_volume_is_the_level(chart, share):
    level = chart.level_mm[0] + share * (chart.level_mm[-1] - chart.level_mm[0])
    level = min(level, chart.level_mm[-1])
    found = chart_level_mm(chart_volume_l(level, chart), chart)
    assert np.isnan(found) or found == pytest.approx(level, rel=1e-9, abs=1e-4)


@given(charts())
def test_volume_and_slope_rise_with_a_rising_chart(chart):
    levels = np.linspace(chart.level_mm[0], chart.level_mm[-1], 301)
    assert (np.diff(chart_volume_l(levels, chart)) > -1e-9).all()
    slope = chart_slope_l_per_mm(levels, chart)
    assert (slope >= -1e-12 * slope.max()).all()


def test_slope_of_a_chart_is_the_tanks_surface():
    """Known truth by construction: 10 mm rows of the geometry give its slope within 0.1 %, away from the ends."""
    levels = np.linspace(200.0, 2300.0, 500)
    np.testing.assert_allclose(chart_slope_l_per_mm(levels, CHART), surface_l_per_mm(levels, TANK), rtol=1e-3)


def test_nominal_chart_is_the_geometry():
    chart = nominal_chart(TANK, tilt_mm_per_m=8.0, probe_position_mm=1000.0, roll_deg=1.0)
    levels = np.linspace(0.0, 2500.0, 1777)
    exact = volume_l(levels, TANK, tilt_mm_per_m=8.0, probe_position_mm=1000.0, roll_deg=1.0)
    np.testing.assert_allclose(chart_volume_l(levels, chart), exact, atol=0.1)


def test_interpolation_by_hand():
    """Wisconsin's training for tank keepers: 33 in is 337 gal and 34 in 345 gal, so 33¼ in is 339 gal."""
    inches = Chart(np.array([33.0, 34.0]), np.array([337.0, 345.0]))
    assert chart_volume_l(33.25, inches) == pytest.approx(339.0)


def test_outside_the_chart_is_not_known():
    chart = Chart(np.array([10.0, 20.0]), np.array([50.0, 120.0]))
    assert list(np.isnan(chart_volume_l([9.9, 10.0, 20.0, 20.1, np.nan], chart))) == [True, False, False, True, True]
    assert list(np.isnan(chart_level_mm([49.0, 50.0, 120.0, 121.0, np.nan], chart))) == [True, False, False, True, True]
    assert np.isnan(chart_slope_l_per_mm([9.0, 21.0, np.nan], chart)).all()


def test_water_is_taken_off_by_the_same_chart():
    both = product_volume_l([1000.0, 1000.0, 1000.0, 40.0], [50.0, 0.0, np.nan, 50.0], CHART)
    assert both[0] == pytest.approx(chart_volume_l(1000.0, CHART) - chart_volume_l(50.0, CHART))
    assert both[1] == pytest.approx(chart_volume_l(1000.0, CHART))
    assert np.isnan(both[2:]).all()


def test_no_water_is_no_litres_where_the_chart_starts_above_the_bottom():
    chart = Chart(np.array([10.0, 20.0]), np.array([50.0, 120.0]))
    litres = water_bottom_l([0.0, 5.0, 15.0, np.nan], chart)
    assert litres[0] == 0.0
    assert np.isnan(litres[1])
    assert litres[2] == pytest.approx(85.0)
    assert np.isnan(litres[3])


@pytest.mark.parametrize(
    ("level", "volume", "complaint"),
    [
        ([0.0], [0.0], "two rows or more"),
        ([0.0, 1.0], [0.0, 1.0, 2.0], "two rows or more"),
        ([0.0, np.nan], [0.0, 1.0], "must be finite"),
        ([0.0, 10.0, 10.0], [0.0, 1.0, 2.0], "levels must rise, got 10.0 then 10.0 mm in row 2"),
    ],
)
def test_what_is_no_chart_is_refused(level, volume, complaint):
    with pytest.raises(ValueError, match=complaint):
        Chart(np.array(level), np.array(volume))


def test_a_chart_cannot_be_changed_behind_its_index():
    with pytest.raises(ValueError, match="read-only"):
        CHART.volume_l[3] = 0.0


def test_no_level_from_a_chart_that_does_not_rise():
    with pytest.raises(ValueError, match="volumes do not rise"):
        chart_level_mm(5.0, Chart(np.array([0.0, 1.0, 2.0]), np.array([0.0, 9.0, 9.0])))


def findings_of(litres, **options):
    return {(f.name, f.level_mm) for f in chart_findings(Chart(LEVELS, litres), TANK, CAPACITY_L, **options)}


def test_sound_charts_have_no_findings():
    """Rounded to litres, tilted by a degree, scaled by a percent: all ordinary."""
    assert findings_of(LITRES) == set()
    assert findings_of(np.round(LITRES)) == set()
    assert findings_of(LITRES * 0.99) == set()
    tilted = volume_l(LEVELS, TANK, tilt_mm_per_m=17.0, probe_position_mm=500.0)
    assert findings_of(tilted) == set()


def test_planted_oddities_are_named_where_they_are():
    swapped = LITRES.copy()
    swapped[150] = swapped[149] - 5.0
    assert ("not_rising", 1500.0) in findings_of(swapped)
    mistyped = LITRES.copy()
    mistyped[80] += 120.0
    assert findings_of(mistyped) == {("jump_between_rows", 800.0), ("jump_between_rows", 810.0)}
    assert findings_of(LITRES * 1.01) == {("above_capacity", 2500.0)}
    assert ("disagrees_with_geometry", 2500.0) in findings_of(LITRES * 0.97)


def test_a_tilt_that_is_known_is_allowed_for():
    steep = {"tilt_mm_per_m": 40.0, "probe_position_mm": 2000.0}
    tilted = volume_l(LEVELS, TANK, **steep)
    assert {name for name, _ in findings_of(tilted)} == {"disagrees_with_geometry"}
    assert findings_of(tilted, **steep) == set()
