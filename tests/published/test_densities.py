"""Published values: water (IAPWS) and ethanol (OIML R 22)."""

import iapws
import numpy as np
import pytest

from pipeline.physics import ethanol, water
from tests.support.reference_tables import rows


@pytest.mark.parametrize("row", rows("water_density"), ids=lambda row: f"{row['temp_c']:g} °C")
def test_water_against_iapws_95(row):
    assert water.water_density_kg_m3(row["temp_c"]) == pytest.approx(row["density_kg_m3"], abs=0.005)


@pytest.mark.parametrize("temp_c", [1.0, 8.0, 15.0, 22.0, 33.0])
def test_water_against_an_independent_implementation(temp_c):
    """IAPWS industrial formulation of 1997, which is itself within 0.004 kg/m³ of IAPWS-95 here."""
    judge = iapws.IAPWS97(T=temp_c + 273.15, P=0.101325).rho
    assert water.water_density_kg_m3(temp_c) == pytest.approx(judge, abs=0.005)


def test_water_at_60_f():
    """API MPMS 11.1 refers relative density to water of 999.016 kg/m³."""
    assert water.water_density_kg_m3((60.0 - 32.0) / 1.8) == pytest.approx(999.016, abs=0.005)


@pytest.mark.parametrize(
    "row", rows("ethanol_water_density"), ids=lambda row: f"{row['ethanol_mass_fraction']:g} at {row['temp_c']:g} °C"
)
def test_ethanol_and_water_by_oiml_r_22(row):
    density = ethanol.ethanol_water_density_kg_m3(row["ethanol_mass_fraction"], row["temp_c"])
    assert density == pytest.approx(row["density_kg_m3"], abs=0.006)


@pytest.mark.parametrize(("temp_c", "vcf"), [(25.0, 0.989223), (30.0, 0.983796), (0.0, 1.016017)])
def test_ethanol_to_15_c(temp_c, vcf):
    """OIML R 22, ratio of its densities."""
    ratio = ethanol.ethanol_density_kg_m3(temp_c) / ethanol.ethanol_density_kg_m3(15.0)
    assert ratio == pytest.approx(vcf, abs=1e-6)


def test_no_ethanol_is_water():
    """Two publications meet: OIML R 22 at mass fraction 0, and Tanaka et al. 2001."""
    temp = np.linspace(1.0, 39.0, 20)
    both = ethanol.ethanol_water_density_kg_m3(0.0, temp), water.water_density_kg_m3(temp)
    np.testing.assert_allclose(*both, atol=0.01, rtol=0)


@pytest.mark.parametrize(("temp_c", "density"), [(15.0, 793.69), (20.0, 789.42)])
def test_ethanol_against_another_equation_of_state(temp_c, density):
    """Schroeder et al. 2014, evaluated by an open implementation: 0.03 %."""
    assert ethanol.ethanol_density_kg_m3(temp_c) == pytest.approx(density, rel=3e-4)


@pytest.mark.parametrize(
    ("temp_c", "pct"),
    [
        # Quoted by the trade from D. Korotney's EPA memorandum of 1995: 3.8 and 2.8 US tsp a US gal at 60 and 20 °F.
        (15.56, 0.4948),
        (-6.67, 0.3646),
        # Quoted without a source: 0.5 % at 60 °F, 0.3 % at 10 °F.
        (15.56, 0.5),
        (-12.22, 0.3),
        # University of Nebraska, 3.06 US tsp a US gal, temperature not stated (room taken).
        (20.0, 0.398),
    ],
)
def test_e10_holds_water_within_the_band(temp_c, pct):
    band = water.water_tolerance("gasoline_e10", temp_c)
    assert band.low_pct <= pct <= band.high_pct


def test_dissolved_water_hardly_shows_in_density():
    """0.5 % in E10 adds about 1.2 kg/m³ (ideal mixing, separate calculation): below an alarm at 3 kg/m³."""
    assert water.wet_density_15_kg_m3(745.0, 0.5) - 745.0 == pytest.approx(1.2, abs=0.1)


def test_a_split_layer_lies_between_fuel_and_water():
    """18 US gal of water in 6000 of E10, of whose ethanol 40 to 80 % goes down (trade leaflet)."""
    for share in water.SPLIT_ETHANOL_SHARE:
        layer = water.split_layer("gasoline_e10", 22712.5, 68.1, ethanol_share=share, temp_c=15.0)
        assert 800.0 < layer.density_kg_m3 < 825.0
        assert layer.volume_15_l > 68.1 + 0.9 * share * 2271.0
        assert water.float_lift(layer.density_kg_m3, 745.0, 900.0) == 0.0
        assert water.float_lift(layer.density_kg_m3, 745.0, 780.0) == 1.0
