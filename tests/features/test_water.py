"""Water below the product by the hour. Evidence: by hand."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.features.water import water_points
from tests.support.hand_unit import at_s, gauge_of, unit_of

HOURS = np.arange(0.0, 12.0, 1.0)


def points(water_mm, **more):
    series = replace(gauge_of(HOURS, 1_000.0), water_mm=np.array(water_mm, float))
    return water_points(series, unit_of(series).strappings[0], **more)


def test_each_four_hours_have_their_median_and_its_litres():
    """Of 10, 11, 12 and 99 mm the median is 11.5: 57.5 l of a tank of 5 l a millimetre."""
    told = points([10, 11, 12, 99, 20, 20, 20, 20, 0, 0, 0, 0])
    assert [one.water_mm for one in told] == [11.5, 20.0, 0.0]
    assert [one.water_l for one in told] == pytest.approx([57.5, 100.0, 0.0])
    assert [one.surface_l_per_mm for one in told] == pytest.approx([5.0, 5.0, 0.0])
    assert [one.count for one in told] == [4, 4, 4]
    # Away from 11.5 by 1.5, 0.5, 0.5 and 87.5 mm: a median of 1.
    assert [one.spread_mm for one in told] == pytest.approx([1.4826, 0.0, 0.0])
    assert [one.ts_s for one in told] == pytest.approx(at_s([1.5, 5.5, 9.5]).tolist())


def test_what_was_not_read_is_no_water():
    told = points([np.nan] * 5 + [8.0, np.nan, 8.0] + [np.nan] * 4)
    assert [(one.water_mm, one.count) for one in told] == [(8.0, 2)]
    assert points([np.nan] * 12) == []


def test_the_stretches_may_be_longer():
    assert len(points([5.0] * 12, hours=6.0)) == 2
