"""Thirty days of a small fleet, and what a lake that a source fills has to end in."""

from datetime import timedelta

import polars as pl
import pytest

from pipeline.load import lake_tables, take_in
from pipeline.store import open_store
from tests.support.lakes import START, rows, tiny_lake

DAYS = 30


def thirty_days(*, with_uncertain: bool = True) -> dict[str, pl.DataFrame]:
    """The tiny lake over a month, a clock change in it, with readings that are uncertain or bad, and two deliveries."""
    tables = tiny_lake(days=DAYS)
    nth = (pl.col("ts") - START).dt.total_minutes() // 15
    is_bad = nth % 101 == 7
    quality = pl.when(is_bad).then(pl.lit("bad"))
    if with_uncertain:
        quality = quality.when(nth % 97 == 5).then(pl.lit("uncertain"))
    tables["readings"] = tables["readings"].with_columns(
        level_mm=pl.when(~is_bad).then("level_mm"),
        temp_c=15.0 + (nth % 8) * 0.5,
        quality=quality.otherwise(pl.lit("good")),
    )
    tables["deliveries"] = rows(
        "deliveries",
        {"delivery_id": "D1", "tank_id": "T1", "ts_ticket": START + timedelta(days=3, hours=9),
         "ticket_volume_l": 3000.0, "ticket_temp_c": 12.5, "ticket_density_15_kg_m3": 834.0, "carrier": "Larchway"},
        {"delivery_id": "D2", "tank_id": "T2", "ts_ticket": START + timedelta(days=12, hours=2),
         "ticket_volume_l": 2500.0, "ticket_temp_c": None, "ticket_density_15_kg_m3": None, "carrier": None},
    )  # fmt: skip
    return tables


def store_tables(lake, out) -> dict[str, pl.DataFrame]:
    """What the store holds of a lake after a load."""
    out.mkdir(exist_ok=True)
    with open_store(out) as store:
        take_in(store, lake)
        return lake_tables(store) | {"quarantine": store.table("quarantine")}


def assert_same(found: dict[str, pl.DataFrame], expected: dict[str, pl.DataFrame]) -> None:
    for name, frame in expected.items():
        order = frame.columns
        assert found[name].sort(order).equals(frame.sort(order)), name


@pytest.fixture
def clean_environment(monkeypatch):
    """No setting and no key of this machine has a say in a test."""
    for name in ("TANKDRIFT_LAKE", "TANKDRIFT_OUT", "AWS_PROFILE", "AWS_ENDPOINT_URL"):
        monkeypatch.delenv(name, raising=False)
