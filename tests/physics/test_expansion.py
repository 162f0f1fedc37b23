"""Properties of the volume correction: there and back, order, ranges, what is not known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physics import expansion
from pipeline.physics.ethanol import ethanol_growth
from pipeline.physics.products import PRODUCTS

temps = st.floats(-30.0, 60.0)
densities = st.floats(680.0, 1000.0)
products = st.sampled_from(sorted(PRODUCTS))
mild = st.floats(-20.0, 40.0)


@given(temps, densities)
def test_density_there_and_back(temp_c, density_15):
    observed = expansion.observed_density_kg_m3(density_15, temp_c)
    assert expansion.density_15_kg_m3(observed, temp_c) == pytest.approx(density_15, rel=1e-9)


@given(products, mild)
def test_product_density_there_and_back(product, temp_c):
    density_15 = expansion.product_density_15_kg_m3(product)
    observed = density_15 * expansion.product_vcf(product, temp_c, density_15)
    assert expansion.product_base_density_15_kg_m3(product, observed, temp_c) == pytest.approx(density_15, rel=1e-8)


@given(densities)
def test_nothing_changes_at_15_c(density_15):
    assert expansion.vcf_15(15.0, density_15) == pytest.approx(1.0, abs=1e-12)
    assert expansion.density_15_kg_m3(density_15, 15.0) == pytest.approx(density_15, rel=1e-10)


@given(products)
def test_no_product_changes_at_15_c(product):
    assert expansion.product_vcf(product, 15.0) == pytest.approx(1.0, abs=1e-12)


@given(products, mild, st.floats(0.1, 5.0))
def test_warmer_fuel_takes_more_room(product, temp_c, warmer):
    high = min(temp_c + warmer, 40.0)
    if high - temp_c > 0.05:
        assert expansion.product_vcf(product, high) < expansion.product_vcf(product, temp_c)
    assert 0.0007 < expansion.expansion_per_k(product, min(temp_c, 39.0)) < 0.0014


@pytest.mark.parametrize("group", ["gasoline", "transition", "jet", "fuel_oil"])
def test_groups_meet_without_a_step(group):
    """The standard's groups share their borders; a density a hair to either side expands alike."""
    borders = {"gasoline": 770.3520, "transition": 787.5195, "jet": 838.3127, "fuel_oil": 838.3127}
    below, above = expansion.ctl_60f([borders[group] - 1e-6, borders[group] + 1e-6], 100.0)
    assert below == pytest.approx(above, abs=3e-5)


@pytest.mark.parametrize("product", sorted(PRODUCTS))
def test_a_blend_lies_between_its_parts(product):
    blend = PRODUCTS[product]
    parts = [float(expansion.vcf_15(30.0, blend.stock_15_kg_m3))]
    parts += [0.983796] if blend.ethanol_share else []  # OIML R 22, ethanol at 30 °C
    parts += [float(expansion.vcf_15(30.0, 883.0))] if blend.fame_share else []
    assert min(parts) - 1e-12 <= expansion.product_vcf(product, 30.0) <= max(parts) + 1e-12


def test_arrays_carry_what_is_not_known():
    vcf = expansion.vcf_15([20.0, np.nan, 20.0, 200.0, 20.0], [745.0, 745.0, np.nan, 745.0, 300.0])
    assert list(np.isnan(vcf)) == [False, True, True, True, True]
    base = expansion.density_15_kg_m3([735.0, np.nan, 735.0, 300.0, 5000.0], [25.0, 25.0, np.nan, 25.0, 25.0])
    assert base[0] == pytest.approx(744.0783, abs=1e-4)
    assert np.isnan(base[1:]).all()
    product = expansion.product_vcf("gasoline_e10", [20.0, np.nan, 20.0, 60.1], [745.0, 745.0, np.nan, 745.0])
    assert list(np.isnan(product)) == [False, True, True, True]
    ethanol = expansion.product_vcf("gasoline_e85", [20.0, 20.0], [785.0, np.nan])
    assert list(np.isnan(ethanol)) == [False, True]
    assert np.isnan(expansion.vcf_15(np.nan, 745.0))


def test_a_single_number_out_of_range_is_refused():
    with pytest.raises(ValueError, match=r"temp_c must be -50\.\.150, got 151"):
        expansion.vcf_15(151.0, 745.0)
    with pytest.raises(ValueError, match="out of the range"):
        expansion.density_15_kg_m3(300.0, 20.0)
    with pytest.raises(ValueError, match="density at 60 °F must be"):
        expansion.ctl_60f(300.0, 60.0)
    with pytest.raises(ValueError, match="group must be one of"):
        expansion.ctl_60f(745.0, 60.0, group="petrol")
    with pytest.raises(ValueError, match="product must be one of"):
        expansion.product_vcf("petrol", 20.0)
    with pytest.raises(ValueError, match="density at 15 °C must be"):
        expansion.table_54b_vcf(20.0, 300.0)


def test_shapes_follow_the_inputs():
    assert type(expansion.vcf_15(20.0, 745.0)) is float
    assert type(expansion.density_15_kg_m3(735.0, 25.0)) is float
    assert type(expansion.product_vcf("diesel_b7", 20.0)) is float
    assert expansion.vcf_15(np.zeros((4, 1)), np.full(3, 745.0)).shape == (4, 3)
    assert expansion.product_base_density_15_kg_m3("diesel_b7", np.full(3, 840.0), 20.0).shape == (3,)
    assert expansion.vcf_15(np.array([]), 745.0).shape == (0,)


@given(st.floats(-39.0, 59.0))
def test_ethanol_runs_on_smoothly_beyond_its_table(temp_c):
    """No step and no bend of note where OIML R 22 ends: the expansion stays within what it is near the edges."""
    per_k = np.log(ethanol_growth(temp_c + 0.5) / ethanol_growth(temp_c - 0.5))
    assert 0.00095 < per_k < 0.00125


def test_ethanol_beyond_its_table_keeps_near_its_curve():
    """Naive twin at 50 °C: the parabola through R 22 at 0, 20 and 40 °C; 0.1 %."""
    temp = np.array([0.0, 20.0, 40.0])
    curve = np.polyfit(temp, ethanol_growth(temp), 2)
    assert ethanol_growth(50.0) == pytest.approx(np.polyval(curve, 50.0), rel=1e-3)
