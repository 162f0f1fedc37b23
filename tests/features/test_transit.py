"""How a sudden move went. Evidence: by hand, both sides of each edge."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.transit import drawn_share, is_jump, is_large, moves_of_steps, surface_l_per_mm, transit
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
        (-551.0, 60.0, 0, True), (-551.0, 60.0, 1, False), (-76.0, 60.0, 0, False), (-78.0, 60.0, 0, True),
        (-137.0, 10.0, 0, True),
    ],
)  # fmt: skip
def test_a_gauge_jumps_from_one_reading_to_the_next(litres, transit_s, samples, jumped):
    """Readings a minute apart: 77 l between two of them a pump gives as seldom as a gauge jumps."""
    assert is_jump(move_of(HOUR, litres, samples=samples, transit_s=transit_s)) is jumped


@pytest.mark.parametrize(("litres", "jumped"), [(-380.0, False), (-390.0, True)])
def test_the_further_apart_readings_are_the_more_a_pump_draws_between_two(litres, jumped):
    """Five minutes: 77 l a minute are 385 l."""
    far = replace(move_of(HOUR, litres, samples=0, transit_s=300.0), nominal_s=300.0)
    assert is_jump(far) is jumped


@pytest.mark.parametrize(
    ("litres", "samples", "share"),
    [
        # ln(550 ÷ 110) + 110 ÷ 550 − 1 = 0.8094 of ln(550 ÷ 20) = 3.3142: 0.2442; three draws a jump: 0.7327 ÷ 1.7327.
        (-550.0, 0, 0.4229),
        # No slower than 20 l/min: ln 27.5 + 50 ÷ 2750 − 50 ÷ 100 = 2.8324 of 3.3142: 0.8546; 2.5639 ÷ 3.5639.
        (-50.0, 0, 0.7194),
        (-2_750.0, 0, 0.0), (-9_000.0, 0, 0.0), (-550.0, 1, 1.0),
    ],
)  # fmt: skip
def test_a_fall_between_two_readings_is_a_draw_as_far_as_pumps_are_quick_enough(litres, samples, share):
    """Five minutes apart, worked by hand."""
    assert drawn_share(move_of(HOUR, litres, samples=samples, transit_s=300.0)) == pytest.approx(share, abs=1e-4)


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
