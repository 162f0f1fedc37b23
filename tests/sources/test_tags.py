"""Kind of evidence: known truth by construction. Values of tags become readings, held or at one instant."""

from datetime import timedelta

import polars as pl

from pipeline.sources.table_config import Tag
from pipeline.sources.tags import VALUES, from_tags
from tests.support.lakes import START

TAGS = [
    Tag(tag="L", tank_id="T1", column="level_mm", unit="in"),
    Tag(tag="T", tank_id="T1", column="temp_c"),
    Tag(tag="N", meter_id="M1", column="total_l"),
]


def _values(*records: tuple) -> pl.DataFrame:
    return pl.DataFrame(
        [(tag, START + timedelta(minutes=minute), value, quality) for tag, minute, value, quality in records],
        schema=VALUES, orient="row",
    )  # fmt: skip


def _rows(frame: pl.DataFrame) -> list[tuple]:
    minute = ((pl.col("ts") - START).dt.total_minutes()).alias("minute")
    return frame.select(minute, "level_mm", "temp_c", "quality").rows()


def test_at_one_instant_the_worst_quality_counts():
    values = _values(
        ("L", 0, 10.0, "good"), ("T", 0, 12.5, "uncertain"), ("L", 1, 20.0, "good"), ("T", 2, 13.0, "good")
    )
    assert _rows(from_tags("readings", values, TAGS).rows) == [
        (0, 254.0, 12.5, "uncertain"), (1, 508.0, None, "good"), (2, None, 13.0, "good"),
    ]  # fmt: skip


def test_held_values_last_so_long_and_no_longer():
    values = _values(
        ("T", 0, 12.5, "bad"), ("L", 5, 10.0, "good"), ("L", 10, 10.0, "uncertain"), ("L", 11, 10.0, "good"),
        ("T", 12, 13.0, "good"), ("L", 12, 20.0, "good"),
    )  # fmt: skip
    assert _rows(from_tags("readings", values, TAGS, hold_s=600).rows) == [
        (5, 254.0, 12.5, "bad"), (10, 254.0, 12.5, "bad"), (11, 254.0, None, "good"), (12, 508.0, 13.0, "good"),
    ]  # fmt: skip


def test_what_the_map_does_not_know_and_totals_that_are_not_good_are_refused():
    values = _values(("X", 0, 1.0, "good"), ("N", 0, 100.0, "good"), ("N", 1, 0.0, "bad"))
    found = from_tags("meter_totals", values, TAGS)
    assert found.rows["total_l"].to_list() == [100.0]
    assert sorted(found.refused["reason"]) == ["tag_unknown", "total_not_good"]
