"""Published values: tanks of D. Jones, Archimedes' hoof, and a tank that others measured."""

import numpy as np
import pytest
from fluids.geometry import TANK, V_horiz_ellipsoidal, V_horiz_spherical, V_horiz_torispherical

from pipeline.physics.geometry import TankShape, capacity_l, volume_l
from pipeline.physics.profiles import (
    ellipsoidal_end,
    mirrored,
    shell,
    spherical_end,
    torispherical_depth,
    torispherical_end,
)
from pipeline.physics.sections import along_axis, segment_area
from tests.support.reference_tables import rows

IN3_PER_L = 1e6 / 25.4**3


def jones_pieces(row):
    radius, half = row["diameter"] / 2.0, row["shell_length"] / 2.0
    if row["ends"] == "ellipsoidal":
        end = ellipsoidal_end(radius, half, row["end_depth"])
    elif row["ends"] == "spherical":
        end = spherical_end(radius, half, row["end_depth"])
    elif row["ends"] == "torispherical":
        crown, knuckle = (row["diameter"] * row[key] for key in ("crown_diameters", "knuckle_diameters"))
        end = torispherical_end(radius, half, crown=crown, knuckle=knuckle)
    else:
        end = []
    middle = [shell(radius, half)] if half else []
    return [*(mirrored(end) if row["heads"] == 2 else []), *middle, *end]


@pytest.mark.parametrize(
    "row", rows("jones_horizontal_tanks"), ids=lambda r: f"{r['heads']:g} {r['ends']} {r['diameter']:g} {r['level']:g}"
)
def test_jones_tanks(row):
    """D. Jones, "Calculating Tank Volume", 2004, closed forms: 1e-9."""
    above = np.array([row["level"] - row["diameter"] / 2.0])
    assert along_axis(jones_pieces(row), above, 0.0, segment_area)[0] == pytest.approx(row["volume"], rel=1e-9)


@pytest.mark.parametrize(
    ("diameter", "crown", "knuckle", "depth"),
    [(108.0, 1.0, 0.06, 18.288462280484797), (96.0, 0.9, 0.2, 25.684268924767125)],
)
def test_depth_of_torispherical_ends(diameter, crown, knuckle, depth):
    """Jones' formula as computed by the library `fluids`."""
    found = torispherical_depth(diameter / 2.0, crown=crown * diameter, knuckle=knuckle * diameter)
    assert found == pytest.approx(depth, rel=1e-12)


@pytest.mark.parametrize("level_in", [1.0, 9.0, 30.0, 54.0, 77.0, 100.0, 108.0])
@pytest.mark.parametrize(
    ("end_shape", "judge"),
    [
        ("hemispherical", lambda h: V_horiz_spherical(108.0, 156.0, 54.0, h)),
        ("elliptical_2_1", lambda h: V_horiz_ellipsoidal(108.0, 156.0, 27.0, h)),
        ("torispherical", lambda h: V_horiz_torispherical(108.0, 156.0, 1.0, 0.1, h)),
        ("spherical_cap", lambda h: V_horiz_spherical(108.0, 156.0, 20.0, h)),
    ],
)
def test_each_end_against_closed_forms(end_shape, judge, level_in):
    """Jones' closed forms in the library `fluids`, an independent judge: 1e-9."""
    depth = 20.0 * 25.4 if end_shape == "spherical_cap" else None
    tank = TankShape("horizontal_cylinder", end_shape, 108.0 * 25.4, 156.0 * 25.4, depth)
    assert volume_l(level_in * 25.4, tank) * IN3_PER_L == pytest.approx(judge(level_in), rel=1e-9)


@pytest.mark.parametrize("level_m", [0.05, 0.4, 1.2, 3.0, 4.4])
@pytest.mark.parametrize(
    ("end_shape", "options"),
    [
        ("hemispherical", {"sideA": "spherical", "sideB": "spherical", "sideA_a": 1.25, "sideB_a": 1.25}),
        ("elliptical_2_1", {"sideA": "ellipsoidal", "sideB": "ellipsoidal", "sideA_a": 0.625, "sideB_a": 0.625}),
        (
            "torispherical",
            {"sideA": "torispherical", "sideB": "torispherical", "sideA_f": 1.0, "sideB_f": 1.0}
            | {"sideA_k": 0.1, "sideB_k": 0.1},
        ),
        ("flat", {}),
    ],
)
def test_upright_tanks_against_closed_forms(end_shape, options, level_m):
    """The library `fluids`, bottom head included in the level: 1e-9."""
    tank = TankShape("vertical_cylinder", end_shape, 2500.0, 4000.0)
    judge = TANK(D=2.5, L=4.0, horizontal=False, **options)
    if level_m * 1000.0 <= tank.depth_mm:
        assert volume_l(level_m * 1000.0, tank) == pytest.approx(1000.0 * judge.V_from_h(level_m), rel=1e-9)
    assert capacity_l(tank) == pytest.approx(1000.0 * judge.V_total, rel=1e-9)


@pytest.mark.parametrize(("depth", "share"), [(0.25, 0.195501), (0.75, 0.804499), (0.5, 0.5)])
def test_quarter_depth_is_not_a_quarter(depth, share):
    """Exact: 2/3 · arccos … of a circle; pages that say 'about 21 %' at a quarter are wrong."""
    tank = TankShape("horizontal_cylinder", "flat", 2000.0, 5000.0)
    assert volume_l(2000.0 * depth, tank) / capacity_l(tank) == pytest.approx(share, abs=5e-7)


@pytest.mark.parametrize("row", rows("tilted_flat_cylinder"), ids=lambda r: f"{r['fall_mm_per_m']:g} {r['level_mm']:g}")
def test_tilted_flat_cylinder(row):
    """No publication; 30-digit arithmetic by separate code: 1e-6."""
    tank = TankShape("horizontal_cylinder", "flat", row["diameter_mm"], row["length_mm"])
    # +x is the low end of a positive tilt.
    probe = row["length_mm"] / 2.0 - row["probe_from_low_end_mm"]
    found = volume_l(row["level_mm"], tank, tilt_mm_per_m=row["fall_mm_per_m"], probe_position_mm=probe)
    assert found == pytest.approx(row["volume_l"], rel=1e-6)


@pytest.mark.parametrize(("radius_mm", "run_mm"), [(1000.0, 5000.0), (1250.0, 3000.0)])
def test_archimedes_hoof(radius_mm, run_mm):
    """The Method, proposition 11: liquid as deep as the radius at the low end that runs out after l is 2/3 R² l."""
    tank = TankShape("horizontal_cylinder", "flat", 2.0 * radius_mm, 2.0 * run_mm)
    tilt = 1000.0 * radius_mm / run_mm
    litres = volume_l(radius_mm, tank, tilt_mm_per_m=tilt, probe_position_mm=run_mm)
    assert litres == pytest.approx(2.0 / 3.0 * radius_mm**2 * run_mm / 1e6, rel=1e-6)


def elliptical_l(level_mm, **pose):
    """A flat tank of elliptical section is a round one stretched sideways: 0.89 to 0.60."""
    round_tank = TankShape("horizontal_cylinder", "flat", 1200.0, 2450.0)
    return volume_l(level_mm, round_tank, **pose) * 0.89 / 0.60


MEASURED = rows("measured_elliptical_tank")


@pytest.mark.parametrize("row", MEASURED, ids=lambda r: f"{r['lie']} {r['level_mm']:g}")
def test_level_geometry_of_the_measured_tank(row):
    """Modelling contest of China 2010, problem A: what the level tank's geometry reads, by separate code."""
    assert elliptical_l(row["level_mm"]) == pytest.approx(row["level_tank_l"], rel=3e-5)


def test_measured_tank_differs_by_a_scale_alone():
    """78 measured points upright: geometry over measured litres is 1.03487 to 1.03492 from 312 to 3969 l."""
    upright = [row for row in MEASURED if row["lie"] == "upright"]
    ratios = [elliptical_l(row["level_mm"]) / row["measured_l"] for row in upright]
    assert min(ratios) > 1.03486
    assert max(ratios) < 1.03493


@pytest.mark.parametrize(
    ("level_mm", "level_bias_l", "tilted_bias_l"),
    [(411.29, 241.0, 13.0), (892.92, 206.0, -21.0), (1035.36, 129.0, -62.0)],
)
def test_tilt_cuts_the_bias_of_the_measured_tank(level_mm, level_bias_l, tilted_bias_l):
    """The stated 4.1° does not fit the data to the litre, but it takes most of the level chart's bias away."""
    measured = next(row["measured_l"] for row in MEASURED if row["level_mm"] == level_mm)
    tilt = 1000.0 * np.tan(np.radians(4.1))
    tilted = elliptical_l(level_mm, tilt_mm_per_m=tilt, probe_position_mm=1225.0 - 400.0)
    assert elliptical_l(level_mm) / 1.0349 - measured == pytest.approx(level_bias_l, abs=2.0)
    assert tilted / 1.0349 - measured == pytest.approx(tilted_bias_l, abs=2.0)
