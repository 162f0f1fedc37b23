"""What the store's tables of a lake hang on. Evidence: contract."""

from datetime import date

import pytest

from pipeline.lake import find_parts
from pipeline.load import fingerprint
from pipeline.other_charts import read_other_charts
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


def test_other_charts_are_another_fingerprint_by_what_the_file_holds(lake, tmp_path):
    """A store made by other charts is not taken for one made by the lake's, nor for one by yet others."""
    marks = {fingerprint(lake, find_parts(lake), None)}
    head = "tank_id,valid_from,level_mm,volume_l\n"
    for name, litres in (("one", 9_000), ("two", 11_000), ("same", 9_000)):
        (tmp_path / f"{name}.csv").write_text(f"{head}T1,2024-03-29,0,0\nT1,2024-03-29,2000,{litres}\n")
        marks.add(fingerprint(lake, find_parts(lake), None, read_other_charts(tmp_path / f"{name}.csv")))
    assert len(marks) == 3
