"""The density of what was dropped. Evidence: worked by hand, both sides of each window."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.cases.wrong_product import density_findings, dropped_density_15
from pipeline.physics.products import product_base_density_15_kg_m3
from tests.support.hand_unit import FIRST_DAY, drop_of, gauge_of, seen_of, site_of, unit_of

HOURS = np.arange(0.0, 72.0, 0.1)
DROP_H = 30.0
DROP = drop_of(DROP_H, 5_000.0, minutes=12.0)
ENDED_H = DROP_H + 0.2


def tank(before: float, after: float, *, after_from_h: float = ENDED_H, temp_c: float = 15.0):
    """5,000 l of one density, and with 5,000 l more another from an hour on."""
    density = np.where(after_from_h > HOURS, before, after)
    series = replace(
        gauge_of(HOURS, np.where(HOURS <= DROP_H, 1_000.0, 2_000.0)), density_kg_m3=density, temp_c=temp_c + 0.0 * HOURS
    )
    return seen_of(unit_of(series), drops=[DROP])


@pytest.mark.parametrize(("after", "came"), [(832.0, 824.0), (848.0, 856.0), (840.0, 840.0)])
def test_half_and_half_came_as_far_off_again_as_the_mixture_is(after, came):
    """By mass: 5,000 l of 840 with 5,000 l of 824 are 10,000 l of 832 kg/m³."""
    (told,), (doubt,) = dropped_density_15(tank(840.0, after))
    assert told == pytest.approx(came)
    assert doubt == pytest.approx(0.6 * (1.0 + 1.5))


def test_a_small_drop_into_much_turns_the_mixture_little():
    """1,000 l into 5,000: (5,000 · 840 + 1,000 · 780) ÷ 6,000 = 830."""
    known = replace(DROP, drop=replace(DROP.drop, gain_l=1_000.0))
    (told,), (doubt,) = dropped_density_15(replace(tank(840.0, 830.0), drops=[known]))
    assert told == pytest.approx(780.0)
    assert doubt == pytest.approx(0.6 * (1.0 + 1.5 * 5.0))


def test_densities_are_brought_to_15_degrees_before_they_are_mixed():
    at_15 = [float(product_base_density_15_kg_m3("diesel_b7", one, 25.0)) for one in (833.0, 825.0)]
    (told,), _ = dropped_density_15(tank(833.0, 825.0, temp_c=25.0))
    assert told == pytest.approx(2.0 * at_15[1] - at_15[0])
    assert at_15[0] == pytest.approx(840.0, abs=0.3)  # diesel loses 0.7 kg/m³ a kelvin


def test_what_stood_in_the_tank_before_the_last_drop_says_nothing_of_the_next():
    """A drop two hours before left 832 kg/m³ of 840: of the twelve hours before the second most had 840."""
    seen = tank(832.0, 828.0)
    density = np.where(HOURS < DROP_H - 2.0, 840.0, seen.unit.series.density_kg_m3)
    series = replace(seen.unit.series, density_kg_m3=density)
    first = drop_of(DROP_H - 2.0, 5_000.0, minutes=1.0)
    (_, told), _ = dropped_density_15(replace(seen, unit=replace(seen.unit, series=series), drops=[first, DROP]))
    assert told == pytest.approx(824.0)


@pytest.mark.parametrize(
    ("low_h", "high_h", "is_told"),
    # The tank's after is that from ten to 45 minutes after the end of the drop.
    [(ENDED_H + 10 / 60, ENDED_H + 45 / 60, True), (ENDED_H, ENDED_H + 10 / 60, False),
     (ENDED_H + 45.1 / 60, 72.0, False)],
)  # fmt: skip
def test_the_mixture_is_read_when_it_has_settled_and_before_the_drop_counts_as_seen(low_h, high_h, is_told):
    seen = tank(840.0, 832.0)
    series = seen.unit.series
    hidden = (HOURS > ENDED_H) & ~((low_h <= HOURS) & (high_h >= HOURS))
    blind = replace(series, density_kg_m3=np.where(hidden, np.nan, series.density_kg_m3))
    (told,), _ = dropped_density_15(replace(seen, unit=replace(seen.unit, series=blind)))
    assert np.isfinite(told) == is_told


@pytest.mark.parametrize(("hour", "is_told"), [(DROP_H - 11.9, True), (DROP_H - 12.1, False)])
def test_the_tank_s_before_is_that_of_half_a_day(hour, is_told):
    seen = tank(840.0, 832.0)
    blind = np.where((HOURS < DROP_H) & (abs(HOURS - hour) > 0.05), np.nan, seen.unit.series.density_kg_m3)
    blind[np.isclose(HOURS, DROP_H)] = np.nan
    series = replace(seen.unit.series, density_kg_m3=blind)
    (told,), _ = dropped_density_15(replace(seen, unit=replace(seen.unit, series=series)))
    assert np.isfinite(told) == is_told


@pytest.mark.parametrize(("after", "found"), [(790.0, 1), (832.0, 0)])
def test_a_petrol_in_diesel_is_another_product(after, found):
    """790 is half of 840 and half of 740: no diesel. 832 is half of 840 and half of 824: one that batches have."""
    findings = density_findings(site_of(tank(840.0, after)))
    assert len(findings) == found
    for one in findings:
        assert (one.cause, one.day, one.tank_id) == ("wrong_product", FIRST_DAY + 1, "T1")
        assert one.evidence[0].value == pytest.approx(740.0)
