"""What the store's tables of a lake hang on. Evidence: contract."""

from datetime import date

import pytest

from pipeline.lake import find_parts
from pipeline.load import fingerprint
from tests.support.lakes import tiny_lake, write


@pytest.fixture
def lake(tmp_path):
    return write(tmp_path / "lake", tiny_lake(tanks=1))


def test_another_cut_is_another_fingerprint(lake):
    """The same files cut after another day, or not at all, hold other rows: even where the cut names no file less."""
    parts = find_parts(lake)
    marks = {fingerprint(lake, parts, until) for until in (None, date(2024, 3, 30), date(2024, 3, 31))}
    assert len(marks) == 3


def test_nothing_changed_is_the_same_fingerprint(lake):
    assert fingerprint(lake, find_parts(lake), None) == fingerprint(lake, find_parts(lake), None)


def test_a_part_less_and_another_place_are_other_fingerprints(lake, tmp_path):
    parts = find_parts(lake)
    elsewhere = write(tmp_path / "elsewhere", tiny_lake(tanks=1))
    marks = {fingerprint(lake, parts, None), fingerprint(lake, parts[1:], None), fingerprint(elsewhere, parts, None)}
    assert len(marks) == 3


def test_a_row_that_was_refused_on_its_way_in_is_another_fingerprint(lake):
    before = fingerprint(lake, find_parts(lake), None)
    (lake / "_refused").mkdir()
    (lake / "_refused" / "part-0.parquet").write_bytes(b"one more")
    assert fingerprint(lake, find_parts(lake), None) != before
