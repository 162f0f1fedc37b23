"""What the meters booked about a sudden draw. Evidence: by hand, both sides of each edge."""

import numpy as np
import pytest

from pipeline.features.booked import booked_before, booked_l
from tests.support.hand_unit import at_s, flow_of, gauge_of, step_of

MINUTES = np.arange(0.0, 480.0, 5.0)
DRAW_H = 5.0


def test_litres_are_those_between_two_instants():
    """A sale of two minutes that ends at hour 2: half of it by a minute before."""
    flows = [flow_of((2.0, 40.0), (3.0, 10.0)), flow_of((2.5, 7.0), meter="M2")]
    start, middle, end = (float(at_s(hour)) for hour in (1.0, 2.0 - 1 / 60, 3.5))
    assert booked_l(flows, start, end) == pytest.approx(57.0)
    assert booked_l(flows, start, middle) == pytest.approx(20.0)
    assert booked_l([], start, end) == 0.0


def told(*, sold_h: float = 4.0, sold_l: float = 100.0, drawn_l: float = -100.0, had_left: bool = False,
         sd_l: float = 2.0) -> bool:  # fmt: skip
    """A sale at an hour whose litres leave at hour 5, or had left already when they were booked."""
    hours = MINUTES / 60.0
    level = 1_000.0 + drawn_l / 5.0 * (hours > DRAW_H) - (sold_l / 5.0 if had_left else 0.0) * (hours >= sold_h)
    return booked_before(gauge_of(hours, level), [flow_of((sold_h, sold_l))], step_of(DRAW_H, drawn_l, sd_l=sd_l))


def test_a_draw_that_only_takes_out_what_was_booked_before_is_none():
    assert told()


@pytest.mark.parametrize(
    ("case", "is_booked"),
    [
        ({"had_left": True}, False), ({"drawn_l": 100.0}, False), ({"sold_l": 69.0}, False), ({"sold_l": 88.0}, True),
        ({"sold_l": 78.0}, False), ({"sold_l": 122.0}, False), ({"sold_h": 2.3}, True), ({"sold_h": 2.2}, False),
        ({"sold_l": 69.0, "sd_l": 15.0}, False), ({"sold_l": 71.0, "sd_l": 15.0}, True),
    ],
)  # fmt: skip
def test_it_is_as_much_as_was_booked_within_three_hours_and_had_not_left(case, is_booked):
    """Alike within 15 % of the draw and three SDs of 2 l: 79 to 121 l of 100; at least 70 % of it booked.

    Three readings, five minutes apart, tell what was there before the sale; the first of them is at 2:05.
    """
    assert told(**case) is is_booked
