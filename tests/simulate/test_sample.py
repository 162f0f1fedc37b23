"""The sample lake is what the simulator makes of it, byte for byte. Evidence: known truth, contract."""

import hashlib
from pathlib import Path

import polars as pl
import pytest

from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.vocabulary import CAUSES
from pipeline.lake_write import write_lake
from pipeline.simulate.sample import sample_frames

SAMPLE = Path(__file__).parents[2] / "sample_lake"
# Of the names and bytes of all Parquet files. After a meant change to the simulator: write the sample again with
# `tankdrift simulate --sample --out sample_lake` and put here the digest that this test then shows.
DIGEST = "124766f6be50ecbf397fabfd2763008a176401bdf601440b2013e506ed8c78c5"
MOST_BYTES = 25 * 2**20


def digest(folder: Path) -> str:
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*.parquet")):
        total.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return total.hexdigest()


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("sample")
    write_lake(sample_frames(), folder)
    return folder


def test_the_sample_in_the_tree_is_the_one_that_is_meant():
    assert digest(SAMPLE) == DIGEST


def test_the_sample_is_made_again_byte_for_byte(made):
    assert digest(made) == DIGEST


def test_the_sample_is_small_and_holds_every_table():
    assert sum(path.stat().st_size for path in SAMPLE.rglob("*.parquet")) <= MOST_BYTES
    names = {path.name.removesuffix(".parquet") for path in SAMPLE.iterdir()} - {"README.md"}
    assert names == set(LAKE_TABLES)


def test_every_cause_was_confirmed_once_and_half_of_the_tanks_are_sound():
    labels = pl.read_parquet(SAMPLE / "labels.parquet")
    confirmed = labels.filter(pl.col("verdict") == "confirmed")
    assert sorted(confirmed["cause"]) == sorted(CAUSES)
    tanks = pl.read_parquet(SAMPLE / "tanks.parquet")
    assert confirmed["tank_id"].drop_nulls().n_unique() <= tanks.height / 2


def test_the_sample_mixes_readings_every_minute_and_every_five():
    day = pl.read_parquet(SAMPLE / "readings" / "day=2026-04-20" / "part-0.parquet", hive_partitioning=False)
    steps = day.sort("tank_id", "ts").group_by("tank_id").agg(pl.col("ts").diff().dt.total_seconds().median())["ts"]
    assert {60.0, 300.0} <= set(steps)
