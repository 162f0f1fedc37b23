"""A small simulated fleet and what is published of it, made once for all tests here."""

import polars as pl
import pytest

from pipeline.contract.lake import LAKE_TABLES
from pipeline.scoring.odd_days import OddDay
from pipeline.simulate import FleetSettings, simulate_fleet
from tests.support.site_run import published

Tables = dict[str, pl.DataFrame]


@pytest.fixture(scope="session")
def fleet() -> Tables:
    """Nine tanks over 34 days with faults of every kind, quirks and gaps; the truth stands beside them."""
    return simulate_fleet(9, 34, seed=42, settings=FleetSettings(fault_rate=0.6))


@pytest.fixture(scope="session")
def lake(fleet: Tables) -> Tables:
    """The fleet's contract tables, readings once each."""
    tables = {name: fleet[name] for name in LAKE_TABLES}
    return tables | {"readings": tables["readings"].unique(["tank_id", "ts"], keep="first").sort("tank_id", "ts")}


@pytest.fixture(scope="session")
def made(lake: Tables) -> tuple[Tables, list[OddDay]]:
    """What is published of the whole lake."""
    return published(lake)
