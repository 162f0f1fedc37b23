"""Kind of evidence: known truth by hand. Readings that stand alone in time are a clock's mistake, and refused."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.intake import lone_days
from pipeline.lake import read_lake
from tests.support.lakes import tiny_lake, write


def _days(*rows):
    """What `lone_days` is asked of one tank: days from 2024-01-01 on, and rows on each."""
    return pl.DataFrame(
        [("T1", date(2024, 1, 1) + timedelta(days=day), n) for day, n in rows],
        schema={"tank_id": pl.String, "day": pl.Date, "n": pl.UInt32},
        orient="row",
    )


_BULK = [(day, 96) for day in range(30)]


@pytest.mark.parametrize(
    ("more", "lone"),
    [
        ([(-800, 1)], [-800]),
        ([(-800, 40), (-799, 30)], [-800, -799]),  # a clock that was reset and told old times for a day and a half
        ([(-800, 4), (-799, 4), (-798, 4)], []),  # three days are a past, however few rows they have
        ([(-800, 200)], []),  # more than a twentieth of all
        ([(-170, 1)], []),
        ([(300, 12)], [300]),
        ([(300, 13)], []),  # a tank that is back after a silence
        ([(-800, 1), (300, 1), (900, 1)], [-800, 300, 900]),
    ],
)
def test_what_stands_alone_in_time(more, lone):
    found = lone_days(_days(*more, *_BULK))
    assert [(day - date(2024, 1, 1)).days for day in found["day"].sort()] == lone


def test_of_a_few_rows_none_stands_alone():
    assert lone_days(_days((-800, 1), (0, 1))).is_empty()


def test_a_lone_reading_is_refused_and_a_neighbour_s_is_not(tmp_path):
    tables = tiny_lake()
    stray = tables["readings"].head(1).with_columns(ts=pl.lit(datetime(2001, 1, 1, tzinfo=UTC)))
    tables["readings"] = pl.concat([tables["readings"], stray, stray.with_columns(tank_id=pl.lit("T2"))])
    lake = read_lake(write(tmp_path / "lake", tables))
    assert lake.quarantine["reason"].to_list() == ["far_from_the_rest"] * 2
    assert lake.tables["readings"].equals(tiny_lake()["readings"].sort("tank_id", "ts"))
