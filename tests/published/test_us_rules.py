"""Published values: 40 CFR part 280 and the statistics of leak tests."""

import numpy as np
import pytest

from pipeline.physics import regulatory
from tests.support.reference_tables import rows

US_GAL = 3.785411784


def test_figures_of_the_rule():
    """40 CFR 280.43, 280.44, in litres."""
    assert pytest.approx(492.1035, abs=5e-5) == regulatory.MONTHLY_CONSTANT_L
    assert pytest.approx(0.75708, abs=5e-6) == regulatory.TANK_TEST_L_PER_H
    assert pytest.approx(0.37854, abs=5e-6) == regulatory.TIGHTNESS_TEST_L_PER_H
    assert pytest.approx(11.356, abs=5e-4) == regulatory.LINE_DETECTOR_L_PER_H
    assert pytest.approx(18.170, abs=5e-4) == 24.0 * regulatory.TANK_TEST_L_PER_H


@pytest.mark.parametrize(
    ("throughput_l", "allowed_l"), [(10_000 * US_GAL, 230.0 * US_GAL), (37_854.11784, 870.645), (0.0, 492.1035)]
)
def test_monthly_allowance(throughput_l, allowed_l):
    """280.43(a): 1.0 % of flow-through and 130 gal."""
    assert regulatory.monthly_allowance_l(throughput_l) == pytest.approx(allowed_l, abs=5e-4)


@pytest.mark.parametrize(("variance_gal", "within"), [(229.9, True), (-229.9, True), (230.1, False), (-230.1, False)])
def test_allowance_holds_either_way(variance_gal, within):
    allowed = regulatory.monthly_allowance_l(10_000 * US_GAL)
    assert (abs(variance_gal) * US_GAL <= allowed) is within


def test_a_stricter_state():
    """Wisconsin: 0.5 % of the month's throughput, no constant: 5 gal in 1000."""
    strict = regulatory.monthly_allowance_l(1000 * US_GAL, share=0.005, constant_l=0.0)
    assert strict / US_GAL == pytest.approx(5.0)


def test_manual_tank_gauging_table():
    """40 CFR 280.43(b), transcribed a second time."""
    code = [(r.up_to_gal, r.tank, r.weekly_gal, r.monthly_gal, r.least_hours) for r in regulatory.MANUAL_GAUGING]
    assert code == [tuple(row.values()) for row in rows("manual_tank_gauging")]


@pytest.mark.parametrize("row", rows("ust_method_statistics"), ids=lambda row: f"SD {row['spread']} B {row['bias']}")
def test_statistics_of_a_leak_test(row):
    """EPA/530/UST-90/006 §7.1 (from memory), computed by separate code."""
    spread, tests, at = row["spread"], int(row["tests"]), {"threshold": row["threshold"], "bias": row["bias"]}
    alarm = regulatory.false_alarm_probability(spread, tests, **at)
    found = regulatory.detection_probability(spread, tests, leak=0.2, **at)
    assert alarm == pytest.approx(row["false_alarm"], abs=1e-6)
    assert found == pytest.approx(row["detection_0_2"], abs=1e-6)
    assert regulatory.least_detectable_rate(spread, tests) == pytest.approx(row["least_detectable"], abs=1e-6)
    # Twenty-four differences with exactly this mean and spread.
    ranks = np.arange(24.0) - 11.5
    differences = row["bias"] + spread * ranks / np.std(ranks, ddof=1)
    induced = np.tile([0.0, 0.1, 0.2, 0.3], 6)
    judged = regulatory.method_evaluation(induced + differences, induced, threshold=row["threshold"], leak=0.2)
    assert judged.bias_t == pytest.approx(row["bias_t"], abs=1e-6)
    assert judged.false_alarm == pytest.approx(row["false_alarm"], abs=1e-6)
    assert judged.mean_square == pytest.approx(row["bias"] ** 2 + spread**2 * 23.0 / 24.0, rel=1e-9)
    assert not judged.bias_is_significant


def test_largest_spread_that_passes():
    """24 unbiased tests find 0.2 gal/h at a threshold of 0.1 with 95 % up to a spread of 0.0583474 gal/h."""
    found = regulatory.detection_probability(0.0583474, 24, threshold=0.1, leak=0.2)
    assert found == pytest.approx(0.95, abs=1e-5)


@pytest.mark.parametrize(("tests", "factor"), [(20, 2.39600), (24, 2.30929)])
def test_one_sided_tolerance_factor(tests, factor):
    """Tables of the one-sided normal tolerance factor, 95 % of the population with 95 % confidence."""
    assert regulatory.one_sided_tolerance_factor(tests) == pytest.approx(factor, abs=5e-6)


def test_an_evaluation_needs_pairs_that_differ():
    with pytest.raises(ValueError, match="two pairs or more"):
        regulatory.method_evaluation([0.1, 0.1], [0.0, 0.0], threshold=0.1, leak=0.2)
