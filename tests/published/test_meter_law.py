"""Published values: what the law allows a fuel meter to err by."""

import pytest

from pipeline.physics import metering
from tests.support.reference_tables import rows

US_GAL = 3.785411784
IN3 = 0.016387064


@pytest.mark.parametrize("row", rows("meter_errors"), ids=lambda row: f"class {row['accuracy_class']:g}")
def test_classes_of_the_measuring_instruments_directive(row):
    """2014/32/EU, Annex VII, point 2.1, table 2."""
    label = row["accuracy_class"]
    assert metering.max_permissible_error_l(100.0, label) == pytest.approx(row["system_pct"])
    assert metering.max_permissible_error_l(100.0, label, meter_alone=True) == pytest.approx(row["meter_pct"])


@pytest.mark.parametrize(
    ("volume_l", "allowed_l"),
    [(20.0, 0.100), (2.0, 0.010), (1.5, 0.010), (1.0, 0.010), (0.5, 0.005), (0.3, 0.004), (0.15, 0.003), (0.05, 0.002)],
)
def test_steps_below_two_litres(volume_l, allowed_l):
    """2014/32/EU, Annex VII, point 2.2, class 0.5."""
    assert metering.max_permissible_error_l(volume_l) == pytest.approx(allowed_l, rel=1e-12)


@pytest.mark.parametrize(("volume_l", "allowed_l"), [(5.0, 0.05), (2.0, 0.05), (20.0, 0.1)])
def test_least_error_of_the_least_delivery(volume_l, allowed_l):
    """Points 2.3 and 2.4 (formula from memory): 5 l marked gives 0.05 l, so 5 l may err by that, not by 0.025."""
    assert metering.max_permissible_error_l(volume_l, least_delivery_l=5.0) == pytest.approx(allowed_l)


@pytest.mark.parametrize(("maintenance", "cubic_inches", "pct"), [(False, 3.0, 0.2597), (True, 6.0, 0.5195)])
def test_older_us_rule_on_five_gallons(maintenance, cubic_inches, pct):
    """NIST Handbook 44, older T.2.1.2; 40 CFR 280.43(a)(5): 6 in³ in 5 gal."""
    allowed = metering.old_us_tolerance_l(5.0 * US_GAL, maintenance=maintenance)
    assert allowed == pytest.approx(cubic_inches * IN3, rel=1e-9)
    assert 100.0 * allowed / (5.0 * US_GAL) == pytest.approx(pct, abs=5e-5)


def test_older_us_rule_never_below_one_cubic_inch():
    assert metering.old_us_tolerance_l(0.5 * US_GAL, maintenance=False) == pytest.approx(IN3)


@pytest.mark.parametrize("wrong", [0.4, 5.0])
def test_unknown_class_is_refused(wrong):
    with pytest.raises(ValueError, match="accuracy_class must be one of"):
        metering.max_permissible_error_l(20.0, wrong)
