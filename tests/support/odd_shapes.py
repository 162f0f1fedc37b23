"""One tank that trades steadily, of any shape: its lake."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.support.lakes import rows

Floats = NDArray[np.float64]
START = datetime(2026, 3, 2, tzinfo=UTC)
SOLD_L = 20.0
"""Litres of the sale of each hour."""


@dataclass(frozen=True)
class Trade:
    """What is traded: from `most_l` litres on, in drops of `drop_l`; `level_of` litres in mm, `seed` of the noise."""

    level_of: Callable[[float], float]
    most_l: float
    drop_l: float
    days: int
    seed: int


def traded(trade: Trade, tank_id: str) -> dict[str, list[dict[str, Any]]]:
    """Sales, drops and a reading each quarter of an hour, by the name of their table."""
    rng = np.random.default_rng(trade.seed)
    sales, drops, readings = [], [], []
    stock = trade.most_l
    for quarter in range(96 * trade.days):
        at = START + timedelta(minutes=15 * quarter)
        if quarter % 4 == 1:
            stock -= SOLD_L
            begun = int(rng.integers(2, 14))
            sales.append(
                {"sale_id": f"S{quarter:05}", "meter_id": "M1", "ts_start": at - timedelta(minutes=begun),
                 "ts_end": at - timedelta(minutes=begun - 1), "volume_l": SOLD_L, "unit_price": 1.5, "kind": "sale"}
            )  # fmt: skip
        if quarter % 4 == 3 and stock + trade.drop_l < trade.most_l - SOLD_L:
            stock += trade.drop_l
            drops.append(
                {"delivery_id": f"D{quarter:05}", "tank_id": tank_id, "ts_ticket": at - timedelta(minutes=8),
                 "ticket_volume_l": trade.drop_l, "ticket_temp_c": 15.0}
            )  # fmt: skip
        noisy_mm = trade.level_of(stock) + rng.normal(0.0, 0.3)
        readings.append(
            {"tank_id": tank_id, "ts": at, "level_mm": round(noisy_mm, 1), "water_mm": 0.0, "temp_c": 15.0,
             "quality": "good"}
        )  # fmt: skip
    return {"sales": sales, "deliveries": drops, "readings": readings}


def lake_of_one(
    tank: Mapping[str, Any], chart: tuple[Floats, Floats], trade: Trade, events: tuple[dict[str, Any], ...] = ()
) -> dict[str, pl.DataFrame]:
    """The lake of a tank with what its papers say, `tank`, and its `chart`: levels [mm] and litres."""
    tank_id = tank["tank_id"]
    held = {
        "sites": [{"site_id": "S1", "name": "A", "timezone": "UTC", "trading_day_start": "06:00"}],
        "tanks": [{"site_id": "S1", "product": "diesel_b0", "buried": True, "wall_count": 2, **tank}],
        "strapping": [
            {"tank_id": tank_id, "valid_from": START, "level_mm": mm, "volume_l": round(litres, 1)}
            for mm, litres in zip(chart[0].tolist(), chart[1].tolist(), strict=True)
        ],
        "meters": [{"meter_id": "M1", "site_id": "S1", "dispenser": "1", "hose": "1"}],
        "meter_feeds": [{"meter_id": "M1", "tank_id": tank_id, "share": 1.0, "valid_from": START}],
        "events": list(events),
        **traded(trade, tank_id),
    }
    return {name: rows(name, *each) for name, each in held.items()}
