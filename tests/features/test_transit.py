"""How a sudden move went. Evidence: by hand, both sides of each edge."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.transit import is_jump, is_large, moves_of_steps, surface_l_per_mm, transit
from tests.support.hand_unit import FIRST_DAY, flow_of, gauge_of, move_of, step_of

MINUTES = np.arange(0.0, 360.0, 1.0)
HOUR = 3.0


def ramp(litres: float, minutes: float, *, sold_l: float = 0.0):
    """A level that goes evenly in so many minutes from hour 3 on, and by a sale under it."""
    share = np.clip((MINUTES - 180.0) / max(minutes, 1e-6), 0.0, 1.0)
    sold = sold_l * np.clip((MINUTES - 181.0) / 2.0, 0.0, 1.0)
    return gauge_of(MINUTES / 60.0, 1_000.0 + (litres * share - sold) / 5.0, nominal_s=60.0)


@pytest.mark.parametrize("litres", [-300.0, 300.0])
def test_an_even_ramp_takes_eight_tenths_of_its_time_and_a_reading_at_each_end(litres):
    """20 minutes: from a tenth after 2 to nine tenths after 18; the readings before and after those."""
    lasted, between = transit(ramp(litres, 20.0), [], step_of(HOUR, litres, minutes=20.0))
    assert lasted == pytest.approx(18.0 * 60.0, abs=60.0)
    assert between == lasted / 60.0 - 1


def test_a_jump_has_no_reading_between():
    assert transit(ramp(-300.0, 0.0), [], step_of(HOUR, -300.0, minutes=1.0)) == (60.0, 0)


def test_sales_meanwhile_are_added_back():
    """20 minutes of a draw, and 90 l sold within its first three."""
    flow = flow_of((HOUR + 3 / 60, 90.0))
    with_sale = transit(ramp(-300.0, 20.0, sold_l=90.0), [flow], step_of(HOUR, -300.0, minutes=20.0))
    assert with_sale == transit(ramp(-300.0, 20.0), [], step_of(HOUR, -300.0, minutes=20.0))


@pytest.mark.parametrize(
    ("litres", "transit_s", "samples", "jumped"),
    [
        (50.0, 60.0, 0, True), (50.0, 60.0, 1, False),  # a gain that is no drop
        (-551.0, 60.0, 0, True), (-551.0, 60.0, 1, False), (-59.0, 60.0, 0, False), (-61.0, 60.0, 0, True),
        (-137.0, 10.0, 0, True),
    ],
)  # fmt: skip
def test_a_gauge_jumps_from_one_reading_to_the_next(litres, transit_s, samples, jumped):
    """Readings a minute apart: 60 l between two of them is more than a hose gives."""
    assert is_jump(move_of(HOUR, litres, samples=samples, transit_s=transit_s)) is jumped


@pytest.mark.parametrize(("litres", "jumped"), [(-2_000.0, False), (-3_000.0, True)])
def test_where_readings_are_far_apart_only_what_no_pump_draws_is_a_jump(litres, jumped):
    """Five minutes: 550 l a minute are 2,750 l."""
    far = replace(move_of(HOUR, litres, samples=0, transit_s=300.0), nominal_s=300.0)
    assert is_jump(far) is jumped


@pytest.mark.parametrize(
    ("litres", "sd_l", "large"), [(15.1, 2.0, True), (14.9, 2.0, False), (15.1, 2.2, False), (-15.1, 2.0, True)]
)
def test_a_jump_is_large_beyond_three_millimetres_and_seven_sds(litres, sd_l, large):
    assert is_large(gauge_of(MINUTES / 60.0, 1_000.0), move_of(HOUR, litres, sd_l=sd_l)) is large


def test_the_slope_is_that_of_the_readings_up_to_the_move():
    series = gauge_of(MINUTES / 60.0, 1_000.0)
    series = replace(series, surface_l_per_mm=np.where(MINUTES <= 205.0, 5.0, 50.0))
    assert surface_l_per_mm(series, move_of(HOUR, -300.0)) == 5.0


def test_each_step_is_a_move_with_the_day_that_saw_it():
    (move,) = moves_of_steps(ramp(-300.0, 20.0), [], [(FIRST_DAY, step_of(HOUR, -300.0, minutes=20.0))])
    assert (move.day, move.nominal_s, move.undone) == (FIRST_DAY, 60.0, False)
    assert move.samples > 10
