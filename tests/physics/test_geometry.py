"""Properties of the tank geometry, and naive twins of it where nothing is published."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from pipeline.physics.geometry import (
    END_SHAPES,
    TankShape,
    capacity_l,
    gauge_table,
    level_mm,
    surface_l_per_mm,
    volume_l,
)


@st.composite
def tanks(draw, shapes=("horizontal_cylinder", "vertical_cylinder")):
    end_shape = draw(st.sampled_from(END_SHAPES))
    diameter = draw(st.floats(800.0, 4000.0))
    depth = draw(st.floats(0.02, 0.5)) * diameter if end_shape == "spherical_cap" else None
    return TankShape(draw(st.sampled_from(shapes)), end_shape, diameter, draw(st.floats(1500.0, 15_000.0)), depth)


@st.composite
def poses(draw, tank):
    reach = tank.length_mm if tank.shape == "horizontal_cylinder" else tank.diameter_mm
    roll = draw(st.floats(-10.0, 10.0)) if tank.shape == "horizontal_cylinder" else 0.0
    return {
        "tilt_mm_per_m": draw(st.floats(-60.0, 60.0)),
        "probe_position_mm": draw(st.floats(-0.5, 0.5)) * reach,
        "roll_deg": roll,
    }


shares = st.floats(0.0, 1.0)


@given(st.data(), tanks())
def test_volume_rises_with_level(data, tank):
    pose = data.draw(poses(tank))
    litres = volume_l(np.linspace(0.0, tank.depth_mm, 200), tank, **pose)
    assert (np.diff(litres) > -1e-9).all()
    assert litres[0] > -1e-9
    assert litres[-1] <= capacity_l(tank) * (1.0 + 1e-12)


@given(tanks())
def test_level_tank_is_empty_at_nought_full_at_the_brim_half_at_half(tank):
    litres = volume_l([0.0, tank.depth_mm / 2.0, tank.depth_mm], tank)
    np.testing.assert_allclose(litres, capacity_l(tank) * np.array([0.0, 0.5, 1.0]), rtol=1e-10, atol=1e-9)


@given(st.data(), tanks(), shares)
def test_filled_and_empty_part_make_the_tank(data, tank, share):
    """The empty part is the filled part of the tank turned over, which tilts the other way."""
    pose = data.draw(poses(tank))
    level = share * tank.depth_mm
    over = pose | {"tilt_mm_per_m": -pose["tilt_mm_per_m"]}
    both = volume_l(level, tank, **pose) + volume_l(tank.depth_mm - level, tank, **over)
    assert both == pytest.approx(capacity_l(tank), rel=1e-9)


@given(st.data(), tanks(), shares)
def test_mirrored_tank_holds_the_same(data, tank, share):
    pose = data.draw(poses(tank))
    mirror = pose | {key: -pose[key] for key in pose}
    level = share * tank.depth_mm
    assert volume_l(level, tank, **pose) == pytest.approx(volume_l(level, tank, **mirror), rel=1e-10, abs=1e-9)


@given(st.data(), tanks(), shares, st.floats(-500.0, 500.0))
def test_probe_can_move_along_the_surface(data, tank, share, step_mm):
    """The same liquid, read elsewhere: the level there is higher by tilt times the way."""
    pose = data.draw(poses(tank)) | {"roll_deg": 0.0}
    level = share * tank.depth_mm
    elsewhere = level + pose["tilt_mm_per_m"] * step_mm / 1000.0
    assume(0.0 <= elsewhere <= tank.depth_mm)
    moved = pose | {"probe_position_mm": pose["probe_position_mm"] + step_mm}
    assert volume_l(elsewhere, tank, **moved) == pytest.approx(volume_l(level, tank, **pose), rel=1e-9, abs=1e-6)


@given(tanks(), shares)
def test_tilt_that_fades_becomes_level(tank, share):
    level = share * tank.depth_mm
    almost = volume_l(level, tank, tilt_mm_per_m=1e-7)
    assert almost == pytest.approx(volume_l(level, tank), rel=1e-7, abs=1e-3)


@given(tanks(shapes=("horizontal_cylinder",)), shares, st.floats(-15.0, 15.0))
def test_roll_shortens_the_reading_about_the_axis(tank, share, roll_deg):
    """(h - R) cos(roll) + R, by drawing a triangle."""
    level, radius = share * tank.diameter_mm, tank.diameter_mm / 2.0
    depth = (level - radius) * math.cos(math.radians(roll_deg)) + radius
    assert volume_l(level, tank, roll_deg=roll_deg) == pytest.approx(volume_l(depth, tank), rel=1e-10, abs=1e-9)


@given(st.data(), tanks(), st.floats(0.001, 0.999))
def test_level_of_the_volume_is_the_level(data, tank, share):
    pose = data.draw(poses(tank))
    level = share * tank.depth_mm
    litres = volume_l(level, tank, **pose)
    found = level_mm(litres, tank, **pose)
    assert volume_l(found, tank, **pose) == pytest.approx(litres, abs=1e-9 * capacity_l(tank))
    if surface_l_per_mm(level, tank, **pose) > 1e-3:
        assert found == pytest.approx(level, abs=1e-3)


@given(st.data(), tanks(), st.floats(0.05, 0.95))
def test_surface_is_the_slope_of_the_volume(data, tank, share):
    pose = data.draw(poses(tank))
    level, step = share * tank.depth_mm, 0.05
    slope = (volume_l(level + step, tank, **pose) - volume_l(level - step, tank, **pose)) / (2.0 * step)
    assert surface_l_per_mm(level, tank, **pose) == pytest.approx(slope, rel=1e-4, abs=1e-3)


@given(st.data(), tanks(), shares)
def test_twice_the_size_is_eight_times_the_litres(data, tank, share):
    pose = data.draw(poses(tank))
    depth = None if tank.end_depth_mm is None else 2.0 * tank.end_depth_mm
    large = TankShape(tank.shape, tank.end_shape, 2.0 * tank.diameter_mm, 2.0 * tank.length_mm, depth)
    wide = pose | {"probe_position_mm": 2.0 * pose["probe_position_mm"]}
    level = share * tank.depth_mm
    doubled = volume_l(min(2.0 * level, large.depth_mm), large, **wide)
    assert doubled == pytest.approx(8.0 * volume_l(level, tank, **pose), rel=1e-9, abs=1e-6)


@given(st.data(), tanks())
def test_gauge_table_interpolates_within_a_tenth_of_a_litre(data, tank):
    pose = data.draw(poses(tank))
    levels, litres = gauge_table(tank, step_mm=50.0, **pose)
    anywhere = np.linspace(0.0, tank.depth_mm, 997)
    between = np.interp(anywhere, levels, litres)
    assert (np.diff(levels) > 0.0).all()
    assert np.abs(between - volume_l(anywhere, tank, **pose)).max() < 0.1


def torispherical_radius(x, radius, half):
    """From the drawing: crown of one diameter, knuckle of a tenth; x from mid-length."""
    crown, knuckle = 2.0 * radius, 0.2 * radius
    out = abs(x) - half
    if out <= 0.0:
        return radius
    # The circles touch where their centres and the point are in line.
    depth = crown - math.sqrt((crown - knuckle) ** 2 - (radius - knuckle) ** 2)
    centre = depth - crown
    touch = centre + (0.0 - centre) * crown / (crown - knuckle)
    if out <= touch:
        return radius - knuckle + math.sqrt(max(knuckle**2 - out**2, 0.0))
    return math.sqrt(max(crown**2 - (out - centre) ** 2, 0.0))


@pytest.mark.parametrize(
    ("level", "tilt", "probe"), [(40.0, 15.0, 1000.0), (1100.0, -20.0, 2500.0), (2450.0, 10.0, -3000.0)]
)
def test_tilted_torispherical_tank_against_thin_slices(level, tilt, probe):
    """Naive twin: 40 000 slices by the midpoint rule, segment area by arccos."""
    radius, half = 1250.0, 3000.0
    reach = half + 2.0 * radius - math.sqrt((1.8 * radius) ** 2 - (0.8 * radius) ** 2)
    slices, total = 40_000, 0.0
    for number in range(slices):
        x = -reach + 2.0 * reach * (number + 0.5) / slices
        r = torispherical_radius(x, radius, half)
        above = level + tilt * (x - probe) / 1000.0 - radius
        if above >= r:
            total += math.pi * r * r
        elif above > -r:
            total += r * r * math.acos(-above / r) + above * math.sqrt(r * r - above * above)
    tank = TankShape("horizontal_cylinder", "torispherical", 2.0 * radius, 2.0 * half)
    found = volume_l(level, tank, tilt_mm_per_m=tilt, probe_position_mm=probe)
    assert found == pytest.approx(total * 2.0 * reach / slices / 1e6, rel=2e-6)


@pytest.mark.parametrize(
    ("level", "tilt", "probe"), [(10.0, 40.0, 300.0), (2000.0, 25.0, -800.0), (3990.0, -30.0, 500.0)]
)
def test_tilted_upright_tank_against_columns(level, tilt, probe):
    """Naive twin: depth of 2000 x 1 columns across the floor, cut off at floor and roof."""
    diameter, height = 2500.0, 4000.0
    x = (np.arange(200_000) + 0.5) / 200_000 * diameter - diameter / 2.0
    depth = np.clip(level + tilt * (x - probe) / 1000.0, 0.0, height)
    across = 2.0 * np.sqrt((diameter / 2.0) ** 2 - x**2)
    tank = TankShape("vertical_cylinder", "flat", diameter, height)
    found = volume_l(level, tank, tilt_mm_per_m=tilt, probe_position_mm=probe)
    assert found == pytest.approx(float(np.mean(depth * across)) * diameter / 1e6, rel=1e-5)


def test_outside_the_tank_is_not_known():
    tank = TankShape("horizontal_cylinder", "flat", 2000.0, 5000.0)
    litres = volume_l([-0.1, 0.0, 2000.0, 2000.1, np.nan], tank, tilt_mm_per_m=10.0)
    assert list(np.isnan(litres)) == [True, False, False, True, True]
    assert list(np.isnan(level_mm([-1.0, 15_709.0, np.nan], tank))) == [True, True, True]


def test_a_number_gives_a_number_and_an_array_its_shape():
    tank = TankShape("horizontal_cylinder", "hemispherical", 2000.0, 5000.0)
    assert type(volume_l(500.0, tank)) is float
    assert type(level_mm(5000.0, tank)) is float
    assert volume_l(np.full((3, 2), 500.0), tank).shape == (3, 2)
    assert volume_l(np.array([]), tank).shape == (0,)


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("sphere", "flat", 2000.0, 5000.0), "shape must be one of"),
        (("horizontal_cylinder", "round", 2000.0, 5000.0), "end_shape must be one of"),
        (("horizontal_cylinder", "flat", 0.0, 5000.0), "must be positive"),
        (("horizontal_cylinder", "flat", 2000.0, math.nan), "must be positive"),
        (("horizontal_cylinder", "spherical_cap", 2000.0, 5000.0), "end_depth_mm must be in"),
        (("horizontal_cylinder", "spherical_cap", 2000.0, 5000.0, 1001.0), "end_depth_mm must be in"),
    ],
)
def test_what_is_no_tank_is_refused(arguments, complaint):
    with pytest.raises(ValueError, match=complaint):
        TankShape(*arguments)


def test_a_pose_that_is_not_finite_is_refused():
    tank = TankShape("horizontal_cylinder", "flat", 2000.0, 5000.0)
    with pytest.raises(ValueError, match="must be finite"):
        volume_l(500.0, tank, tilt_mm_per_m=math.nan)
    with pytest.raises(ValueError, match="step_mm must be positive"):
        gauge_table(tank, step_mm=0.0)
