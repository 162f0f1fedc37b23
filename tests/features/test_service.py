"""When a tank was out of service. Evidence: by hand, both sides of each edge."""

import numpy as np
import pytest

from pipeline.features.service import is_within, out_of_service_s
from tests.support.hand_unit import at_s, gauge_of, unit_of

GAUGE = gauge_of(np.arange(0.0, 24.0), 1_000.0)


def spans(*events: tuple[str, float]):
    return out_of_service_s(unit_of(GAUGE, events=events).events)


@pytest.mark.parametrize(("hour", "is_out"), [(8.9, False), (9.1, True), (14.9, True), (15.1, False)])
def test_from_an_hour_before_it_was_taken_out_until_it_was_put_back(hour, is_out):
    told = spans(("tank_out_of_service", 10.0), ("water_removed", 12.0), ("tank_in_service", 15.0))
    assert is_within(told, float(at_s(hour))) is is_out


def test_one_that_was_not_put_back_is_still_out_and_one_that_begins_never_was():
    assert is_within(spans(("tank_out_of_service", 10.0)), float(at_s(9_000.0)))
    assert not is_within(spans(("tank_in_service", 10.0)), float(at_s(5.0)))
    assert spans().shape == (0, 2)
