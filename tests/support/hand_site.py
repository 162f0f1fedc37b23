"""A site whose every litre is written by hand: what its books must say follows by arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from tests.support.lakes import rows

START = datetime(2026, 1, 5, tzinfo=UTC)
L_PER_MM = 5.0
FIRST_L = 6_000.0
STEP_S = 60


def at(hours: float) -> datetime:
    """The instant so many hours after the data begin."""
    return START + timedelta(hours=hours)


@dataclass(frozen=True)
class Poured:
    """Litres that run at an even pace from `hour` on for `minutes`: out of the tank, or in where they are a drop."""

    hour: float
    litres: float
    minutes: float = 2.0


@dataclass(frozen=True)
class HandTank:
    """A tank of 15 °C diesel, upright, 5 l to the millimetre; `sales` leave by its own meter, `lost` by none."""

    tank_id: str = "T1"
    capacity_l: float = 10_000.0
    manifold_id: str | None = None
    sales: Sequence[Poured] = ()
    drops: Sequence[Poured] = ()
    lost: Sequence[Poured] = ()

    def stock_l(self, at_s: np.ndarray) -> np.ndarray:
        """Litres in the tank at seconds after `START`."""
        total = np.full(len(at_s), FIRST_L)
        for sign, moved in ((-1.0, self.sales), (1.0, self.drops), (-1.0, self.lost)):
            for one in moved:
                total += sign * one.litres * np.clip((at_s / 3600.0 - one.hour) * 60.0 / one.minutes, 0.0, 1.0)
        return total


def steady_sales(days: int, *, litres: float = 20.0) -> list[Poured]:
    """A sale each half hour from six to ten."""
    return [Poured(24.0 * day + 6.0 + 0.5 * k, litres) for day in range(days) for k in range(32)]


@dataclass
class HandSite:
    """What a hand-made site holds; tickets are (delivery_id, tank_id, hour, litres).

    Levels are exact, or have `noise_mm` of white noise.
    """

    tanks: list[HandTank]
    days: int = 5
    timezone: str = "UTC"
    trading_day_start: str = "04:00"
    tickets: list[tuple[str, str, float, float]] = field(default_factory=list)
    returns: list[tuple[str, float, float]] = field(default_factory=list)
    noise_mm: float = 0.0

    def tables(self) -> dict[str, pl.DataFrame]:
        """The site's contract tables."""
        names = [tank.tank_id for tank in self.tanks]
        site: dict[str, Any] = {"site_id": "S1", "name": "Ferrow Cross", "timezone": self.timezone}
        return {
            "sites": rows("sites", site | {"trading_day_start": self.trading_day_start}),
            "tanks": rows("tanks", *(_tank(tank) for tank in self.tanks)),
            "strapping": rows(
                "strapping",
                *(
                    {"tank_id": name, "valid_from": at(-1000.0), "level_mm": float(mm), "volume_l": L_PER_MM * mm}
                    for name in names
                    for mm in range(0, 2001, 100)
                ),
            ),
            "meters": rows(
                "meters", *({"meter_id": f"M-{n}", "site_id": "S1", "dispenser": "1", "hose": n} for n in names)
            ),
            "meter_feeds": rows(
                "meter_feeds",
                *({"meter_id": f"M-{n}", "tank_id": n, "share": 1.0, "valid_from": at(-1000.0)} for n in names),
            ),
            "readings": pl.concat([self._readings(tank) for tank in self.tanks]),
            "sales": self._sales(),
            "meter_totals": rows("meter_totals"),
            "deliveries": rows("deliveries", *(_ticket(*ticket) for ticket in self.tickets)),
            "events": rows("events"),
        }

    def _readings(self, tank: HandTank) -> pl.DataFrame:
        """A reading a minute; joined tanks stand level with each other."""
        at_s = np.arange(0.0, self.days * 86_400.0, STEP_S)
        pool = [one for one in self.tanks if one is tank or (one.manifold_id and one.manifold_id == tank.manifold_id)]
        stock = np.mean([one.stock_l(at_s) for one in pool], axis=0)
        noise_mm = np.random.default_rng(5).normal(0.0, 1.0, len(at_s)) * self.noise_mm
        frame = pl.DataFrame(
            {
                "tank_id": pl.repeat(tank.tank_id, len(at_s), eager=True),
                "ts": [START + timedelta(seconds=float(one)) for one in at_s],
                "level_mm": stock / L_PER_MM + noise_mm,
                "water_mm": np.zeros(len(at_s)),
                "temp_c": np.full(len(at_s), 15.0),
                "density_kg_m3": np.full(len(at_s), 840.0),
                "quality": pl.repeat("good", len(at_s), eager=True),
            }
        )
        return frame.cast(rows("readings").schema)  # type: ignore[arg-type]

    def _sales(self) -> pl.DataFrame:
        found = [
            _sale(f"M-{tank.tank_id}", one.hour, one.litres, one.minutes, kind="sale")
            for tank in self.tanks
            for one in tank.sales
        ]
        found += [_sale(meter, hour, litres, 2.0, kind="test_return") for meter, hour, litres in self.returns]
        return rows("sales", *found)


def _tank(tank: HandTank) -> dict[str, Any]:
    return {
        "tank_id": tank.tank_id, "site_id": "S1", "product": "diesel_b7", "capacity_l": tank.capacity_l,
        "safe_fill_l": 0.95 * tank.capacity_l, "shape": "vertical_cylinder", "end_shape": "flat",
        "diameter_mm": 2523.1, "length_mm": 2000.0, "buried": True, "wall_count": 2, "manifold_id": tank.manifold_id,
    }  # fmt: skip


def _sale(meter: str, hour: float, litres: float, minutes: float, *, kind: str) -> dict[str, Any]:
    return {
        "sale_id": f"{meter}-{hour:.4f}-{kind}", "meter_id": meter, "ts_start": at(hour),
        "ts_end": at(hour + minutes / 60.0), "volume_l": litres, "kind": kind,
    }  # fmt: skip


def _ticket(delivery_id: str, tank_id: str, hour: float, litres: float) -> dict[str, Any]:
    return {
        "delivery_id": delivery_id, "tank_id": tank_id, "ts_ticket": at(hour), "ticket_volume_l": litres,
        "ticket_temp_c": 15.0,
    }  # fmt: skip
