"""Published values: conduction into the ground, holes, lines and vapour."""

import numpy as np
import pytest

from pipeline.physics import flow, heat, losses


def test_buried_cylinder_shape_factor():
    """Incropera's table of conduction shape factors; D = 1, L = 3, z = 100 as in the documentation of `ht`."""
    assert heat.buried_shape_factor_m(1.0, 3.0, 100.0) == pytest.approx(3.146071454894645, rel=1e-12)


def test_time_constant_of_a_buried_tank():
    """By hand: 40 m³ of petrol, 740 kg/m³, 2200 J/kgK, D 2.5, L 8, axis at 2 m, 1.5 W/mK: S 48.011 m, 10.47 days."""
    shape = heat.buried_shape_factor_m(2.5, 8.0, 2.0)
    assert shape == pytest.approx(48.011, abs=1e-3)
    assert heat.time_constant_h(40_000.0, shape, density_kg_m3=740.0) / 24.0 == pytest.approx(10.47, abs=0.005)


def test_a_warm_drop_shrinks_by_more_than_the_leak_to_be_found():
    """By hand: 20 000 l arrive 10 °C warm in 40 m³: 22 l go in the first day; 0.2 gal/h is 18.17 l/day."""
    later = heat.temperature_after_h(20.0, 15.0, 24.0, 10.47 * 24.0)
    change = heat.thermal_change_l(40_000.0, "gasoline_e0", 20.0, later)
    assert change == pytest.approx(-22.0, abs=1.0)
    assert -change > 18.17


def test_ground_wave_fades_and_lags():
    """Kusuda and Achenbach 1965: α = 0.05 m²/day at 3 m damps by 0.288027 and lags 72.3066 days (by hand)."""
    days = np.linspace(0.0, 365.0, 36_501)
    temp = heat.ground_temp_c(days, 3.0, mean_c=0.0, amplitude_c=1.0, coldest_day=0.0)
    assert temp.max() == pytest.approx(0.288027, abs=1e-6)
    assert days[np.argmin(temp)] == pytest.approx(72.3066, abs=0.01)


def test_torricelli():
    """By hand: a hole of 1 mm, 2 m of head, Cd 0.61: 10.8022 l/h; 10 m² from 2 m run dry in 154.289 days."""
    assert flow.orifice_flow_l_per_h(1.0, 2000.0) == pytest.approx(10.8022, abs=5e-5)
    assert flow.drain_days(10.0, 2000.0, 1.0) == pytest.approx(154.289, abs=5e-4)


@pytest.mark.parametrize(("density", "hole"), [(740.0, 0.6945), (835.0, 0.7158)])
def test_hole_that_a_line_detector_has_to_find(density, hole):
    """By hand: 3 US gal/h at 10 psi."""
    head = flow.pressure_head_mm(10.0 * 6.894757, density)
    assert flow.hole_mm(3.0 * 3.785411784, head) == pytest.approx(hole, abs=1e-4)


@pytest.mark.parametrize(("psi", "gal_per_h"), [(20.0, 4.2426), (30.0, 5.1962), (45.0, 6.3640)])
def test_leak_at_other_line_pressures(psi, gal_per_h):
    """US EPA, UST Technical Compendium, Release Detection, question 3 (1990): 3 gal/h at 10 psi."""
    assert flow.rate_at_head_l_per_h(3.0, 10.0, psi) == pytest.approx(gal_per_h, abs=5e-5)


def test_a_line_gives_back_millilitres():
    """By hand: 100 l of petrol (933 MPa), 200 kPa less: 21.4 ml from the liquid alone."""
    assert flow.line_change_l(100.0, 200.0, bulk_modulus_mpa=933.0) == pytest.approx(0.0214, abs=5e-5)


def test_no_nozzle_gives_more_than_ten_gallons_a_minute():
    """40 CFR 80.22(j): 10 US gal/min is 37.854 l/min."""
    assert pytest.approx(37.854, abs=5e-4) == flow.NOZZLE_LIMIT_L_PER_MIN
    assert list(flow.exceeds_nozzle([37.8, 37.9], [60.0, 60.0])) == [0.0, 1.0]


def test_loading_loss():
    """AP-42 §5.2 equation 1, its example: S 1, 6.6 psia, 66 lb/mol, 540 °R: 10.051 lb/1000 gal."""
    found = losses.loading_loss_mg_per_l(1.0, 6.6 * 6.894757, 66.0, 300.0 - 273.15)
    assert found == pytest.approx(10.051 * 119.8264, rel=1e-3)


@pytest.mark.parametrize(("mg_per_l", "share"), [(120.0, 0.000179), (880.0, 0.00131), (1380.0, 0.00206)])
def test_vapour_as_liquid(mg_per_l, share):
    """AP-42 table 5.2-7 (from memory): breathing, submerged and splash filling, as condensate of 670 kg/m³."""
    assert losses.liquid_share(mg_per_l) == pytest.approx(share, rel=5e-3)
