"""The simulated world as a whole: contract, balance, the same bytes again. Evidence: contract, property, naive twin."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import BY_DAY, LAKE_TABLES, OPTIONAL_TABLES
from pipeline.errors import ArgumentError
from pipeline.lake_write import write_lake
from pipeline.simulate import FleetSettings, simulate_fleet
from pipeline.simulate.model import Flow
from tests.support.runs import ROOT

SOUND = FleetSettings(quirks=False)


@pytest.fixture(scope="module")
def faulty() -> dict[str, pl.DataFrame]:
    return simulate_fleet(20, 25, seed=4)


@pytest.fixture(scope="module")
def sound() -> dict[str, pl.DataFrame]:
    return simulate_fleet(8, 14, seed=9, causes=[], settings=SOUND)


def digest(folder: Path) -> str:
    """Digest of the names and bytes of all files below `folder`."""
    total = hashlib.sha256()
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        total.update(str(path.relative_to(folder)).encode() + path.read_bytes())
    return total.hexdigest()


@pytest.mark.parametrize("table", LAKE_TABLES)
def test_a_table_has_the_contracts_columns_and_types_and_breaks_no_rule(faulty, table):
    """Contract. A gauge repeats rows, so readings are looked at once each."""
    frame = faulty[table]
    assert frame.schema == polars_schema(LAKE_TABLES[table])
    good, failures = LAKE_TABLES[table].filter(frame.unique() if table == "readings" else frame)
    assert failures.counts() == {}
    assert good.height or table in OPTIONAL_TABLES


def test_every_identifier_that_a_row_names_is_known(faulty):
    """Contract."""
    tanks, meters, sites = (
        set(faulty[n][k]) for n, k in (("tanks", "tank_id"), ("meters", "meter_id"), ("sites", "site_id"))
    )
    assert set(faulty["strapping"]["tank_id"]) == tanks == set(faulty["readings"]["tank_id"])
    assert set(faulty["meter_feeds"]["meter_id"]) == meters >= set(faulty["sales"]["meter_id"])
    assert set(faulty["tanks"]["site_id"]) == sites == set(faulty["meters"]["site_id"])
    assert set(faulty["deliveries"]["tank_id"]) <= tanks


def test_shares_of_a_meter_add_up_to_one(faulty):
    """Contract."""
    sums = faulty["meter_feeds"].group_by("meter_id", "valid_from").agg(pl.col("share").sum())["share"]
    assert np.allclose(sums, 1.0)


@pytest.mark.parametrize("n_tanks", [1, 2, 3, 7, 23])
def test_a_fleet_has_as_many_tanks_as_wanted_on_sites_of_at_most_five(n_tanks):
    """Property."""
    tanks = simulate_fleet(n_tanks, 1, seed=n_tanks, causes=[], settings=SOUND)["tanks"]
    assert tanks.height == n_tanks == tanks["tank_id"].n_unique()
    assert tanks.group_by("site_id").len()["len"].max() <= 5


def test_litres_at_15_c_are_conserved(faulty):
    """Property: what a pool holds at the end is what it opened with and all that moved."""
    balance = faulty["_truth_balance"]
    parts = ("opening_15_l", "dropped_15_l", "sold_15_l", "unmetered_15_l", "leak_15_l", "vapour_15_l")
    assert np.allclose(balance.select(pl.sum_horizontal(parts)).to_series(), balance["closing_15_l"], atol=1e-5)
    assert (balance["closing_15_l"] > 0.0).all()


def test_a_sound_gauge_shows_the_litres_that_the_tank_holds(sound):
    """Known truth: chart of the gauge's level against true litres, within what a sound chart and probe may be off."""
    for tank in sound["tanks"].filter(pl.col("manifold_id").is_null()).iter_rows(named=True):
        rows = sound["readings"].filter(pl.col("tank_id") == tank["tank_id"])
        chart = sound["strapping"].filter(pl.col("tank_id") == tank["tank_id"])
        stock = sound["_truth_stock"].filter(pl.col("pool") == tank["tank_id"])
        water_l = sound["_truth"].filter(pl.col("tank_id") == tank["tank_id"])["water_l"][0]
        gauge = np.interp(rows["level_mm"], chart["level_mm"], chart["volume_l"]) - water_l
        true = np.interp(rows["ts"].dt.timestamp(), stock["ts"].dt.timestamp(), stock["product_l"])
        off = np.median(gauge - true) / tank["capacity_l"]
        assert abs(off) < 0.012, tank


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path):
    """Property."""
    for name, seed in (("one", 3), ("again", 3), ("other", 4)):
        write_lake(simulate_fleet(3, 3, seed=seed), tmp_path / name)
    assert digest(tmp_path / "one") == digest(tmp_path / "again") != digest(tmp_path / "other")


def test_a_lake_on_disk_is_laid_out_by_the_contract(tmp_path):
    """Contract: by UTC day, the key of the folder not stored; nothing of the truth."""
    frames = simulate_fleet(3, 3, seed=3)
    write_lake(frames, tmp_path / "lake")
    assert {p.name.removesuffix(".parquet") for p in (tmp_path / "lake").iterdir()} == set(LAKE_TABLES)
    for table in BY_DAY:
        days = sorted(p.name for p in (tmp_path / "lake" / table).iterdir())
        assert days == ["day=2026-03-01", "day=2026-03-02", "day=2026-03-03"]
        back = pl.concat(
            [
                pl.read_parquet(tmp_path / "lake" / table / day / "part-0.parquet", hive_partitioning=False)
                for day in days
            ]
        )
        assert back.columns == frames[table].columns
        assert back.sort(pl.all()).equals(frames[table].sort(pl.all()))


def test_a_folder_with_something_in_it_is_refused_or_its_lake_replaced(tmp_path):
    """Known behaviour: nothing of the user's is lost."""
    (tmp_path / "README.md").write_text("mine")
    frames = simulate_fleet(1, 1, seed=1, causes=[])
    with pytest.raises(ArgumentError, match="empty folder"):
        write_lake(frames, tmp_path)
    write_lake(frames, tmp_path, replace=True)
    first = digest(tmp_path)
    write_lake(frames, tmp_path, replace=True)
    assert digest(tmp_path) == first
    assert (tmp_path / "README.md").read_text() == "mine"


@pytest.mark.parametrize(("n_tanks", "days", "causes"), [(0, 5, None), (5, 0, None), (5, 5, ["rust"])])
def test_a_fleet_that_cannot_be_is_refused(n_tanks, days, causes):
    """Known behaviour."""
    with pytest.raises(ValueError, match=r"at least 1|unknown causes: rust"):
        simulate_fleet(n_tanks, days, seed=1, causes=causes)


@given(st.lists(st.tuples(st.integers(0, 500), st.integers(1, 90), st.floats(-50, 50)), min_size=1, max_size=20))
def test_movements_add_up_as_a_plain_loop_adds_them(moves):
    """Naive twin: each movement's share, one by one."""
    start, lasts, volume = (np.array(values, dtype=float) for values in zip(*moves, strict=True))
    at = np.linspace(-10.0, 700.0, 113)
    flow = Flow(start, start + lasts, volume)
    slow = [sum(v * min(max((t - s) / d, 0.0), 1.0) for s, d, v in moves) for t in at]
    assert np.allclose(flow.moved_by(at), slow, atol=1e-8)


def test_the_same_seed_gives_the_same_rows_in_any_process():
    """Contract: nothing hangs on the order of a set, which differs from process to process."""
    code = (
        "from pipeline.simulate import FleetSettings, simulate_fleet\n"
        "frames = simulate_fleet(8, 6, seed=5, settings=FleetSettings(fault_rate=2.0, second_fault_share=0.5))\n"
        "print(*(f'{name}:{frame.hash_rows().sum()}' for name, frame in frames.items() if name[0] != '_'))\n"
    )
    told = {
        subprocess.run(
            [sys.executable, "-c", code], cwd=ROOT, env={**os.environ, "PYTHONHASHSEED": seed}, capture_output=True,
            text=True, check=True,
        ).stdout
        for seed in ("1", "2", "3")
    }  # fmt: skip
    assert len(told) == 1
