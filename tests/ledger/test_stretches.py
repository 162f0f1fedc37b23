"""Readings a stretch at a time. Evidence: property and naive twin."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ledger.stretches import is_inside, stretches

KEYS = st.lists(st.integers(0, 9), max_size=60).map(sorted)


@given(KEYS, st.integers(1, 20))
def test_stretches_cover_all_once_and_part_no_key(keys, readings):
    key = np.array(keys, dtype=np.int64)
    parts = [key[here] for here in stretches(key, readings)]
    assert np.concatenate(parts).tolist() == keys
    assert all(before[-1] < after[0] for before, after in pairwise(parts))
    assert all(len(part) <= readings + 60 for part in parts)
    assert len(parts) >= 1


def test_stretches_are_no_longer_than_they_must_be():
    assert [len(range(*here.indices(9))) for here in stretches(np.arange(9), 4)] == [4, 4, 1]


@given(
    st.lists(st.integers(0, 30), max_size=20).map(sorted),
    st.lists(st.tuples(st.integers(-3, 33), st.integers(0, 9)), max_size=4),
)
def test_inside_is_between_the_ends(at, spans):
    """By the definition, instant by instant."""
    both = [(float(start), float(start + lasts)) for start, lasts in spans]
    expected = [any(start < one < end for start, end in both) for one in at]
    assert is_inside(np.array(at, dtype=np.float64), both).tolist() == expected
