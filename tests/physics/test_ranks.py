"""Medians and quantiles without NumPy's overhead. Evidence: naive twins, to the last bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.physics.ranks import RunningMedian, median, quantile

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40).map(np.array)


@given(NUMBERS)
def test_the_median_is_numpy_s(sample):
    assert median(sample) == np.median(sample)


@given(NUMBERS, st.floats(0.0, 1.0))
def test_the_quantile_is_numpy_s(sample, share):
    assert quantile(sample, share) == np.quantile(sample, share)


@given(NUMBERS, st.data())
def test_a_running_median_is_that_of_the_first_so_many(sample, data):
    """Whatever it was asked before, more or fewer."""
    counts = data.draw(st.lists(st.integers(1, len(sample)), max_size=6))
    running = RunningMedian(sample)
    assert [running.of_first(count) for count in counts] == [np.median(sample[:count]) for count in counts]


def test_more_than_there_are_is_all_of_them():
    assert RunningMedian(np.array([3.0, 1.0, 2.0, 9.0])).of_first(7) == pytest.approx(2.5)


def test_what_is_asked_of_is_left_as_it_was():
    sample = np.array([5.0, 1.0, 4.0, 2.0])
    median(sample), quantile(sample, 0.3), RunningMedian(sample).of_first(4)
    assert sample.tolist() == [5.0, 1.0, 4.0, 2.0]
