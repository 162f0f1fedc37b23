"""Kind of evidence: known truth by hand, and a property. Readings that slipped into another unit are left out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ledger.gauge import in_another_unit

HOUR_S = 3600.0
TOP_MM = 2000.0


def _slipped(*levels_mm, every_s=HOUR_S / 4):
    return in_another_unit(np.arange(len(levels_mm)) * every_s, np.array(levels_mm, dtype=float), TOP_MM).tolist()


@pytest.mark.parametrize("unit_mm", [25.4, 10.0, 1000.0, 304.8])
def test_a_level_that_turns_to_another_unit_and_back(unit_mm):
    found = _slipped(1300, 1298, 1296 / unit_mm, 1294 / unit_mm, 1292, 1290)
    assert found == [False, False, True, True, False, False]


def test_a_level_that_does_not_come_back():
    assert _slipped(1300, 1298 / 25.4, 1296 / 25.4) == [False, True, True]


@pytest.mark.parametrize("left_mm", [325.0, 140.0, 120.0, 60.0])
def test_a_draw_that_leaves_anything_else_is_none(left_mm):
    assert not any(_slipped(1300, left_mm, left_mm - 1))


def test_a_level_that_falls_to_a_tenth_over_a_day_is_none():
    assert not any(_slipped(1300, 130, 129, every_s=24 * HOUR_S))


def test_a_tank_that_was_emptied_to_a_tenth_counts_again_once_it_cannot_be_centimetres():
    assert _slipped(1000, 100, 150, 200, 210, 250) == [False, True, True, True, False, False]


@settings(max_examples=200)
@given(
    st.lists(st.sampled_from([1300.0, 1290.0, 51.2, 51.0, 130.0, 700.0, 1.3, 27.6]), min_size=2, max_size=12), st.data()
)
def test_no_later_reading_changes_an_earlier_verdict(levels_mm, data):
    cut = data.draw(st.integers(1, len(levels_mm)))
    assert _slipped(*levels_mm)[:cut] == _slipped(*levels_mm[:cut])
