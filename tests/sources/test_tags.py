"""Kind of evidence: known truth by construction. Values of tags become readings, held or at one instant."""

from datetime import timedelta

import polars as pl
import pytest
from pydantic import ValidationError

from pipeline.sources.table_config import Tag, TagForm
from pipeline.sources.tag_map import named
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


def test_a_gauge_s_api_gravity_is_brought_to_the_reading_s_temperature():
    """API MPMS 11.1-2004, example 4: relative density 0.7943, 85 °F, CTL 0.986832406683; a tank's own density stays."""
    tags = [Tag(tag="A", tank_id="T1", column="density_kg_m3", unit="api"), *TAGS]
    tags += [Tag(tag="D", tank_id="T2", column="density_kg_m3")]
    values = _values(
        ("A", 0, 141.5 / 0.7943 - 131.5, "good"), ("T", 0, (85.0 - 32.0) / 1.8, "good"), ("D", 0, 740.0, "good"),
        ("A", 1, 36.0, "good"), ("L", 1, 10.0, "good"),
    )  # fmt: skip
    found = from_tags("readings", values, tags).rows.sort("tank_id", "ts")["density_kg_m3"].to_list()
    assert found == [pytest.approx(0.7943 * 999.016 * 0.986832406683, abs=2e-6), None, 740.0]


FORM = TagForm(
    form="{site}_TK{no}.{signal}", tank_id="{site}-{no}",
    signals={"LVL": "level_mm", "LVL.WTR": {"column": "water_mm", "unit": "cm"}},
)  # fmt: skip
METERS = TagForm(form="P{no}/{signal}", meter_id="M{no}", signals={"TOTAL": "total_l"})


@pytest.mark.parametrize(
    ("name", "is_of", "column", "unit"),
    [
        ("NORD_TK1.LVL", "NORD-1", "level_mm", None), ("NORD_TK1.LVL.WTR", "NORD-1", "water_mm", "cm"),
        ("A_B_TK02.LVL", "A_B-02", "level_mm", None), ("P7/TOTAL", "M7", "total_l", None),
        ("NORD_TK1.PRESSURE", None, None, None), ("NORD_TK1xLVL", None, None, None), ("_TK1.LVL", None, None, None),
    ],
)  # fmt: skip
def test_a_tag_is_told_by_its_name(name, is_of, column, unit):
    found = named([name], TAGS, [FORM, METERS])[len(TAGS) :]
    assert [(tag.tank_id or tag.meter_id, tag.column, tag.unit) for tag in found] == (
        [] if is_of is None else [(is_of, column, unit)]
    )


def test_what_the_map_says_of_a_name_goes_before_its_form():
    tag = Tag(tag="NORD_TK1.LVL", tank_id="other", column="temp_c")
    assert named([tag.tag], [tag], [FORM]) == [tag]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"form": "{site}.{tank}"}, "it takes {signal}"), ({"form": "{no}{no}{signal}"}, "each other part once"),
        ({"tank_id": "{place}"}, "there is no {place} in it"), ({"signals": {}}, "it takes {signal}"),
        ({"tank_id": None}, "neither which tank nor which meter"),
        ({"signals": {"L": "height"}}, "height is not a column"),
        ({"signals": {"L": {"column": "level_mm", "unit": "degF"}}}, "unit degF does not measure level_mm"),
    ],
)  # fmt: skip
def test_a_form_that_cannot_be_is_refused(given, said):
    with pytest.raises(ValidationError) as caught:
        TagForm(**{"form": "{no}.{signal}", "tank_id": "{no}", "signals": {"L": "level_mm"}, **given})
    (error,) = caught.value.errors()
    assert said in error["msg"]
    assert "\n" not in error["msg"]
