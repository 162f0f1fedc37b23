"""Sound tanks under worse gauges than theirs. Evidence: truth known by construction, no fault anywhere."""

import polars as pl
import pytest

from pipeline.analysis import analyse
from pipeline.simulate import simulate_fleet
from tests.support.fleets import clean

TANKS, DAYS, SEED = 3, 30, 8101
NO_TEMPERATURE = pl.lit(None, pl.Float64).alias("temp_c")


@pytest.fixture(scope="module")
def sound():
    """A small fleet without a fault."""
    frames = simulate_fleet(TANKS, DAYS, seed=SEED, causes=[])
    return {name: frame for name, frame in frames.items() if not name.startswith("_")}


def hourly(readings: pl.DataFrame) -> pl.DataFrame:
    return readings.group_by("tank_id", pl.col("ts").dt.truncate("1h").alias("hour"), maintain_order=True).first()


@pytest.mark.parametrize(
    "worse",
    [
        lambda readings: readings.with_columns(NO_TEMPERATURE),
        lambda readings: readings.with_columns(pl.col("temp_c").round(0)),
        lambda readings: hourly(readings).select(readings.columns),
    ],
    ids=["no thermometer", "whole degrees", "hourly"],
)
def test_a_sound_tank_under_a_worse_gauge_is_sound(sound, worse):
    """Nothing is lost and nothing gained: no case, and no month that fails."""
    made = analyse(clean({**sound, "readings": worse(sound["readings"])}))
    assert made["cases"].filter(pl.col("probability") > 0.5)["cause"].to_list() == []
    assert made["statements"].filter(pl.col("verdict") == "fail").height == 0
