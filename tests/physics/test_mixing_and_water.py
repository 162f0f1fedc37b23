"""Properties of mixing and of water under fuel."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physics import water
from pipeline.physics.mixing import Parcel, mass_kg, mixed_density_15_kg_m3, mixed_temp_c, mixture, volume_15_l

parcels = st.builds(Parcel, st.floats(10.0, 40_000.0), st.floats(-10.0, 35.0), st.floats(725.0, 765.0))


@given(parcels, parcels)
def test_mass_and_litres_at_15_c_are_kept(stock, drop):
    mixed = mixture(stock, drop, "gasoline_e5")
    for amount in (mass_kg, volume_15_l):
        parts = amount(stock, "gasoline_e5") + amount(drop, "gasoline_e5")
        assert amount(mixed, "gasoline_e5") == pytest.approx(parts, rel=1e-9)


@given(parcels, parcels)
def test_mixture_lies_between_and_does_not_care_who_came_first(stock, drop):
    temp = mixed_temp_c(stock, drop, "gasoline_e5")
    density = mixed_density_15_kg_m3(stock, drop, "gasoline_e5")
    low, high = sorted([stock.temp_c, drop.temp_c])
    assert low - 1e-9 <= temp <= high + 1e-9
    low, high = sorted([stock.density_15_kg_m3, drop.density_15_kg_m3])
    assert low - 1e-9 <= density <= high + 1e-9
    assert mixed_temp_c(drop, stock, "gasoline_e5") == pytest.approx(temp, rel=1e-12, abs=1e-12)


def test_equal_masses_meet_half_way():
    """By hand."""
    stock = Parcel(10_000.0, 10.0, 840.0)
    drop = Parcel(
        10_000.0 * volume_15_l(stock, "diesel_b0") / volume_15_l(Parcel(10_000.0, 30.0, 840.0), "diesel_b0"),
        30.0,
        840.0,
    )
    assert mixed_temp_c(stock, drop, "diesel_b0") == pytest.approx(20.0, abs=1e-9)


def test_a_drop_of_nothing_changes_nothing_and_nothing_into_nothing_is_not_known():
    stock = Parcel(5000.0, 12.0, 745.0)
    mixed = mixture(stock, Parcel(0.0, 30.0, 760.0), "gasoline_e5")
    assert (mixed.volume_l, mixed.temp_c, mixed.density_15_kg_m3) == pytest.approx((5000.0, 12.0, 745.0))
    assert np.isnan(mixed_temp_c(Parcel(0.0, 12.0, 745.0), Parcel(0.0, 12.0, 745.0), "gasoline_e5"))


def test_parcels_may_be_arrays():
    stock = Parcel(np.array([1000.0, np.nan]), np.array([10.0, 10.0]), 745.0)
    mixed = mixture(stock, Parcel(1000.0, 20.0, 745.0), "gasoline_e5")
    assert mixed.volume_l.shape == (2,)
    assert np.isnan(mixed.volume_l[1])


@given(st.floats(-30.0, 40.0), st.floats(0.1, 5.0), st.sampled_from(["gasoline_e5", "gasoline_e10"]))
def test_cold_blends_hold_less_water(temp_c, warmer, product):
    cold, warm = water.water_tolerance(product, temp_c), water.water_tolerance(product, temp_c + warmer)
    assert 0.0 <= cold.low_pct <= cold.pct <= cold.high_pct
    assert cold.pct <= warm.pct


@pytest.mark.parametrize("product", ["gasoline_e0", "gasoline_e85", "diesel_b7", "kerosene"])
def test_no_tolerance_is_made_up(product):
    assert np.isnan(water.water_tolerance(product, 10.0).pct)


def test_band_widens_where_nothing_was_measured():
    known, hot = (water.water_tolerance("gasoline_e10", t) for t in (10.0, 35.0))
    assert hot.high_pct - hot.low_pct > known.high_pct - known.low_pct


@given(st.floats(100.0, 40_000.0), st.floats(1.0, 200.0), st.floats(0.0, 1.0))
def test_split_layer_lies_between_ethanol_and_water(blend_l, water_l, share):
    layer = water.split_layer("gasoline_e10", blend_l, water_l, ethanol_share=share, temp_c=15.0)
    assert 793.4 < layer.density_kg_m3 < 999.2
    # Ethanol and water shrink as they mix, by at most 4 %.
    apart = water_l + 0.1 * share * blend_l
    assert 0.955 * apart < layer.volume_15_l <= apart * 1.0001


def test_water_float_rides_by_density():
    """Lighter than the layer it lifts, heavier it stays down, lighter than the fuel it tells nothing."""
    lift = water.float_lift([999.0, 820.0, 999.0, np.nan], [745.0, 745.0, 745.0, 745.0], [900.0, 900.0, 700.0, 900.0])
    np.testing.assert_array_equal(lift, [1.0, 0.0, np.nan, np.nan])


def test_what_does_not_split_is_refused():
    with pytest.raises(ValueError, match="only an ethanol blend splits"):
        water.split_layer("diesel_b7", 1000.0, 1.0, ethanol_share=0.5, temp_c=15.0)
    with pytest.raises(ValueError, match=r"ethanol_share 0\.\.1"):
        water.split_layer("gasoline_e10", 1000.0, 1.0, ethanol_share=1.5, temp_c=15.0)
    with pytest.raises(ValueError, match="product must be one of"):
        water.water_tolerance("petrol", 10.0)
    with pytest.raises(ValueError, match=r"temp_c must be 0\.\.40"):
        water.water_density_kg_m3(-1.0)
