"""Volume correction to 15 °C and the shapes of its answers. Evidence: properties, published values at a few points."""

import numpy as np
import pytest

from pipeline.physics.arrays import as_floats, like_inputs, nan_or_raise
from pipeline.physics.base_15 import density_15_kg_m3, density_60_kg_m3, observed_density_kg_m3, vcf_15


@pytest.mark.parametrize(
    ("density", "temp_c", "vcf"), [(840.0, 25.0, 0.9915), (840.0, 5.0, 1.0085), (745.0, 25.0, 0.9876)]
)
def test_litres_at_15_degrees(density, temp_c, vcf):
    """ASTM D1250 table 54B as commonly tabulated, from memory to four figures: 0.00085 and 0.00124 a kelvin."""
    assert vcf_15(temp_c, density) == pytest.approx(vcf, abs=3e-4)


@pytest.mark.parametrize("density", [720.0, 790.0, 845.0, 950.0])
def test_at_15_degrees_nothing_is_corrected(density):
    assert vcf_15(15.0, density) == pytest.approx(1.0, abs=1e-12)
    assert density_15_kg_m3(density, 15.0) == pytest.approx(density, rel=1e-9)


@pytest.mark.parametrize("temp_c", [-10.0, 5.0, 30.0, 60.0])
def test_observed_and_back_is_the_same_density(temp_c):
    base = np.array([730.0, 760.0, 830.0, 900.0])
    assert density_15_kg_m3(observed_density_kg_m3(base, temp_c), temp_c) == pytest.approx(base, rel=1e-8)
    assert observed_density_kg_m3(base, temp_c) == pytest.approx(base * vcf_15(temp_c, base))


def test_warmer_product_is_thinner_and_mass_is_kept():
    temp = np.array([0.0, 15.0, 40.0])
    density = observed_density_kg_m3(840.0, temp)
    assert (np.diff(density) < 0).all()
    assert density * (1.0 / np.asarray(vcf_15(temp, 840.0))) == pytest.approx(840.0)
    assert density_60_kg_m3(840.0, 15.0) < 840.0  # 60 °F is 15.56 °C


def test_a_number_gives_a_number_and_out_of_range_an_error_or_nan():
    assert isinstance(vcf_15(20.0, 840.0), float)
    assert np.isnan(vcf_15(np.array([20.0, 200.0, np.nan]), 840.0)).tolist() == [False, True, True]
    with pytest.raises(ValueError, match="temp_c must be"):
        vcf_15(200.0, 840.0)


def test_shapes_follow_their_inputs():
    assert like_inputs(np.array(3.0), 1.0, 2) == 3.0
    assert isinstance(like_inputs(np.array(3.0), 1.0), float)
    assert like_inputs(np.array([3.0]), [1.0]).shape == (1,)
    assert np.isnan(as_floats(None))
    nan_or_raise(False, "never", np.array([1.0]))
    nan_or_raise(False, "never", np.nan)
    with pytest.raises(ValueError, match="too far, got 7"):
        nan_or_raise(False, "too far", 7)
