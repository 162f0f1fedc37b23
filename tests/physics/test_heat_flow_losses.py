"""Properties of heat, flow, vapour and legal errors."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physics import flow, heat, losses, metering
from pipeline.units import L_PER_US_GAL

heads = st.floats(1.0, 5000.0)
holes = st.floats(0.05, 20.0)


@given(holes, heads)
def test_four_times_the_head_is_twice_the_flow(hole, head):
    assert flow.orifice_flow_l_per_h(hole, 4.0 * head) == pytest.approx(2.0 * flow.orifice_flow_l_per_h(hole, head))


@given(holes, heads)
def test_hole_and_flow_there_and_back(hole, head):
    assert flow.hole_mm(flow.orifice_flow_l_per_h(hole, head), head) == pytest.approx(hole, rel=1e-9)


@given(heads, st.floats(700.0, 1000.0))
def test_head_and_pressure_there_and_back(head, density):
    assert flow.pressure_head_mm(flow.head_kpa(head, density), density) == pytest.approx(head, rel=1e-12)


@given(st.floats(0.1, 50.0), heads, heads)
def test_rate_at_another_head_there_and_back(rate, here, there):
    again = flow.rate_at_head_l_per_h(flow.rate_at_head_l_per_h(rate, here, there), there, here)
    assert again == pytest.approx(rate, rel=1e-12)


def test_no_head_no_flow_and_no_rate_from_nowhere():
    assert flow.orifice_flow_l_per_h(2.0, 0.0) == 0.0
    assert flow.orifice_flow_l_per_h(2.0, -100.0) == 0.0
    assert flow.rate_at_head_l_per_h(3.0, 10.0, -1.0) == 0.0
    assert np.isnan(flow.rate_at_head_l_per_h(3.0, 0.0, 10.0))
    assert np.isnan(flow.hole_mm(3.0, 0.0))


def test_groundwater_turns_a_leak_round():
    """Water stands as heavy as fuel at 745/999.1 of its head; above that it comes in."""
    balance = 1000.0 * 745.0 / 999.1
    heads_mm = np.array([0.0, balance - 50.0, balance + 50.0])
    out = flow.leak_flow_l_per_h(2.0, 1000.0, product_kg_m3=745.0, groundwater_head_mm=heads_mm)
    assert out[0] == pytest.approx(flow.orifice_flow_l_per_h(2.0, 1000.0), rel=1e-12)
    assert out[0] > out[1] > 0.0 > out[2]


def test_wall_gives_too():
    """By hand: a steel line, D/e 12, E 200 GPa, adds 6 % of the liquid's own give (933 MPa)."""
    stiff = flow.line_change_l(100.0, 200.0, bulk_modulus_mpa=933.0)
    steel = flow.line_change_l(100.0, 200.0, bulk_modulus_mpa=933.0, wall_modulus_mpa=2e5, diameter_over_wall=12.0)
    assert steel / stiff == pytest.approx(1.0 + 12.0 / 2e5 * 933.0, rel=1e-12)


def test_a_sale_without_time_is_not_judged():
    judged = flow.exceeds_nozzle([30.0, 30.0, np.nan], [0.0, 60.0, 60.0])
    np.testing.assert_array_equal(judged, [np.nan, 0.0, np.nan])


@given(st.floats(-10.0, 35.0), st.floats(0.0, 25.0), st.floats(0.1, 500.0), st.floats(1.0, 500.0))
def test_cooling_nears_the_ground_and_never_passes_it(start, ground, hours, tau):
    temp = heat.temperature_after_h(start, ground, hours, tau)
    assert min(start, ground) - 1e-9 <= temp <= max(start, ground) + 1e-9
    half_way = heat.temperature_after_h(start, ground, hours / 2.0, tau)
    assert heat.temperature_after_h(half_way, ground, hours / 2.0, tau) == pytest.approx(temp, abs=1e-9)


@given(st.floats(1000.0, 40_000.0), st.floats(-10.0, 35.0), st.floats(-10.0, 35.0))
def test_thermal_change_there_and_back(litres, here, there):
    change = heat.thermal_change_l(litres, "diesel_b7", here, there)
    assert (change <= 1e-9) == (there <= here) or abs(change) < 1e-6
    back = heat.thermal_change_l(litres + change, "diesel_b7", there, here)
    assert back == pytest.approx(-change, abs=1e-6)


def test_ground_at_the_surface_is_coldest_on_its_coldest_day():
    days = np.arange(1.0, 366.0)
    surface = heat.ground_temp_c(days, 0.0, mean_c=11.0, amplitude_c=9.0, coldest_day=30.0)
    assert days[np.argmin(surface)] == 30.0
    assert surface.min() == pytest.approx(2.0)
    deep = heat.ground_temp_c(days, 30.0, mean_c=11.0, amplitude_c=9.0, coldest_day=30.0)
    np.testing.assert_allclose(deep, 11.0, atol=1e-4)


def test_what_is_not_buried_is_refused():
    with pytest.raises(ValueError, match="no buried cylinder"):
        heat.buried_shape_factor_m(2.5, 8.0, 1.2)


def cooling_curve(tau_h, noise_c, seed, span_h=240.0):
    rng = np.random.default_rng(seed)
    hours = np.arange(0.0, span_h, 1.0)
    return hours, 12.0 + 8.0 * np.exp(-hours / tau_h) + noise_c * rng.standard_normal(hours.size)


def test_time_constant_is_found_with_its_interval():
    """Known truth by construction: of 100 noisy curves the 95 % interval holds the truth in 88 to 99."""
    held = 0
    for seed in range(100):
        fit = heat.fit_time_constant(*cooling_curve(84.0, 0.05, seed))
        assert fit.time_constant_h == pytest.approx(84.0, rel=0.05)
        assert fit.low_h <= fit.time_constant_h <= fit.high_h
        held += fit.low_h <= 84.0 <= fit.high_h
    assert 88 <= held <= 99


def test_noise_that_hangs_together_widens_the_interval():
    hours, temp = cooling_curve(84.0, 0.05, 7)
    slow = np.convolve(np.random.default_rng(3).standard_normal(hours.size + 11), np.ones(12), "valid") * 0.05
    plain, slow_fit = heat.fit_time_constant(hours, temp), heat.fit_time_constant(hours, temp + slow)
    assert slow_fit.high_h - slow_fit.low_h > 2.0 * (plain.high_h - plain.low_h)


def test_a_short_curve_has_no_upper_bound():
    """Six hours of a week's cooling look like a straight line."""
    fit = heat.fit_time_constant(*cooling_curve(168.0, 0.02, 1, span_h=8.0))
    assert fit.high_h == np.inf
    assert fit.low_h < 168.0


def test_no_curve_no_time_constant():
    rng = np.random.default_rng(5)
    hours = np.arange(48.0)
    assert heat.fit_time_constant(hours, np.full(48, np.nan)) is None
    assert heat.fit_time_constant(hours[:5], np.arange(5.0)) is None
    assert heat.fit_time_constant(hours, np.full(48, 12.0)) is None
    assert heat.fit_time_constant(hours, 12.0 + 0.05 * rng.standard_normal(48)) is None


@given(st.floats(0.0, 50_000.0), st.floats(0.0, 744.0))
def test_vapour_is_lost_never_gained(throughput, hours):
    assert losses.vapour_change_l("gasoline_e10", throughput, hours) <= 0.0
    assert losses.vapour_change_l("diesel_b7", throughput, hours) == 0.0


def test_vapour_by_hand():
    """10 000 l at 0.03 % and 24 h at 30 ml: 3 l and 0.72 l."""
    assert losses.vapour_change_l("gasoline_e10", 10_000.0, 24.0) == pytest.approx(-3.72)
    own = losses.vapour_change_l("gasoline_e10", 10_000.0, 24.0, throughput_share=0.001, breathing_l_per_h=0.0)
    assert own == pytest.approx(-10.0)


@pytest.mark.parametrize(("fahrenheit", "psi"), [(40.0, 3.4), (50.0, 4.2), (70.0, 6.2), (80.0, 7.4), (100.0, 10.5)])
def test_vapour_pressure_rises_with_temperature_as_tabulated(fahrenheit, psi):
    """AP-42 §7.1, true vapour pressure of motor gasoline of RVP 10, against 5.2 psi at 60 °F (from memory)."""
    ratio = losses.vapour_pressure_ratio("gasoline_e0", (fahrenheit - 32.0) / 1.8)
    base = losses.vapour_pressure_ratio("gasoline_e0", (60.0 - 32.0) / 1.8)
    assert ratio / base == pytest.approx(psi / 5.2, rel=0.04)


def test_vapour_pressure_is_as_at_15_degrees_where_nobody_tells_or_hardly_anything_evaporates():
    assert losses.vapour_pressure_ratio("gasoline_e5", 15.0) == 1.0
    assert losses.vapour_pressure_ratio("diesel_b7", 35.0) == 1.0
    ratios = losses.vapour_pressure_ratio("gasoline_e5", np.array([np.nan, 15.0, 1e9, -1e9]))
    assert ratios[:2] == pytest.approx([1.0, 1.0]) and np.isfinite(ratios).all()


@given(st.floats(0.01, 300.0), st.floats(1.0001, 2.0))
def test_more_litres_never_allow_less_error(volume, more):
    assert metering.max_permissible_error_l(volume * more) >= metering.max_permissible_error_l(volume) * (1.0 - 1e-12)


@given(st.floats(1e-3, 1e6))
def test_gallons_there_and_back(litres):
    """Exact by definition: 231 in³ a US gal."""
    assert pytest.approx(L_PER_US_GAL, rel=1e-15) == metering.L_PER_IN3 * 231.0
    assert litres / L_PER_US_GAL * 231.0 * metering.L_PER_IN3 == pytest.approx(litres, rel=1e-12)


def test_no_litres_no_legal_error():
    assert np.isnan(metering.max_permissible_error_l([0.0, np.nan])).all()
    with pytest.raises(ValueError, match="volume_l must be positive"):
        metering.max_permissible_error_l(0.0)
