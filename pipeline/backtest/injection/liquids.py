"""Faults of what stands in the tank: water that enters, a blend that splits, a drop of another density, a jump."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.backtest.injection.fault import (
    DAY_S,
    HOUR_S,
    CannotHoldError,
    Course,
    Injection,
    Outcome,
    Tables,
)  # fmt: skip
from pipeline.backtest.injection.levels import GRIDS_MM, Gauge, moved_levels, rounded
from pipeline.backtest.injection.pool import Pool, outcome, put_levels, put_litres, stamps
from pipeline.backtest.injection.stock import end_of, next_drop
from pipeline.ledger.gauge import seconds

Floats = NDArray[np.float64]
Maker = Callable[[Injection, Pool, Tables, np.random.Generator], Outcome]

LEAST_SEEN_L: Final = 0.5
"""Less water than this lifts no float. No source."""
FLOAT_NOISE_MM: Final = 0.3
"""SD of a water float's reading where the tank shows none of its own. No source."""
GROWS_S: Final = 3.0 * DAY_S
SPLITS_S: Final = 6.0 * HOUR_S
DRAWN_SHARE: Final = 0.7
"""Share of a blend's ethanol that goes down when it splits; 40 to 80 % are reported."""
ETHANOL_SHARE: Final = {"gasoline_e5": 0.05, "gasoline_e10": 0.10}
SPLIT_KG_M3: Final = 0.6
"""By how much what is left above is lighter, for each per cent of ethanol that has gone down."""


def water_ingress(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """Water enters at `size` l/h: the float rises through the chart, and the product on top of it."""
    gauge = _own_gauge(injection, pool)
    _require_float(injection, tables)
    end_s = end_of(injection, pool)
    litres = injection.size * (end_s - injection.start_s) / HOUR_S
    water = Course(np.array([injection.start_s, end_s]), np.array([0.0, litres]))
    put_litres(tables, pool, water, rng)
    _put_water(tables, gauge, water, rng)
    return outcome(injection, pool, litres=litres)


def phase_separation(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """`size` litres of water come in over three days under an ethanol blend, which then splits within hours.

    The layer that the float rests on takes most of the ethanol, and what is above grows lighter. The stock is as
    before, but for the water.
    """
    gauge, product = _own_gauge(injection, pool), str(pool.tanks["product"][0])
    if product not in ETHANOL_SHARE:
        raise CannotHoldError(f"tank {injection.tank_id} holds {product}, which does not split")
    _require_float(injection, tables)
    done_s = injection.start_s + GROWS_S
    if done_s + SPLITS_S > pool.last_s:
        raise CannotHoldError(f"tank {injection.tank_id} has too little data after the fault's start")
    went = DRAWN_SHARE * ETHANOL_SHARE[product]
    stock = float(pool.volume_l(np.array([done_s]))[0])
    water = Course(np.array([injection.start_s, done_s]), np.array([0.0, injection.size]))
    layer = Course(
        np.array([injection.start_s, done_s, done_s + SPLITS_S]),
        np.array([0.0, injection.size, injection.size + went * stock]),
    )
    put_litres(tables, pool, water, rng)
    _put_water(tables, gauge, layer, rng)
    lighter = Course(np.array([done_s, done_s + SPLITS_S]), np.array([0.0, -SPLIT_KG_M3 * 100.0 * went]))
    _put_density(tables, injection.tank_id, lighter)
    return outcome(injection, pool, end_s=None)


def wrong_product(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """A drop whose density is `size` kg/m³ off.

    The ticket shows it where it shows a density, and the gauge, where it has a densitometer, in the share that the drop
    has of what stands in the tank, until later drops thin it.
    """
    drop = next_drop(injection, pool)
    row = pool.tickets.row(drop.tickets[0], named=True)
    has_density = any(tables.readings_of(name)["density_kg_m3"].is_not_null().any() for name in pool.members)
    if row["ticket_density_15_kg_m3"] is None and not has_density:
        raise CannotHoldError(f"tank {injection.tank_id} has no density by which it could be told")
    shown = pl.when(pl.col("delivery_id") == row["delivery_id"]).then(injection.size).otherwise(0.0)
    density = (pl.col("ticket_density_15_kg_m3") + shown).round(1)
    tables.put("deliveries", tables["deliveries"].with_columns(ticket_density_15_kg_m3=density))
    at, off, share = [0.0, drop.start_s], [0.0, 0.0], 0.0
    for later in (one for one in pool.drops if one.start_s >= drop.start_s):
        before = float(pool.volume_l(np.array([later.start_s - 1.0]))[0])
        arrived = later.gain_l / max(before + later.gain_l, 1.0)
        at.append(later.start_s)
        off.append(injection.size * share)
        share = share * (1.0 - arrived) + (arrived if later is drop else 0.0)
        at.append(max(later.end_s, later.start_s + 1.0))
        off.append(injection.size * share)
    for name in pool.members:
        _put_density(tables, name, Course(np.array(at), np.array(off)))
    return outcome(injection, pool, start_s=drop.start_s, end_s=drop.end_s, delivery_id=row["delivery_id"])


def probe_fault(injection: Injection, pool: Pool, tables: Tables, rng: np.random.Generator) -> Outcome:
    """The level jumps by `size` mm and stays off until it is mended."""
    gauge = _own_gauge(injection, pool)
    end_s = np.inf if injection.end_s is None else injection.end_s
    bottom, top = gauge.strapping.span_mm()

    def shift_of(at_s: Floats) -> Floats:
        return np.where((at_s >= injection.start_s) & (at_s < end_s), injection.size, 0.0)

    moved = moved_levels(gauge, shift_of, rng)
    put_levels(tables, gauge.tank_id, moved.ts_s, np.clip(moved.level_mm, bottom, top))
    return outcome(injection, pool)


def _own_gauge(injection: Injection, pool: Pool) -> Gauge:
    return next(gauge for gauge in pool.gauges if gauge.tank_id == injection.tank_id)


def _require_float(injection: Injection, tables: Tables) -> None:
    if not tables.readings_of(injection.tank_id)["water_mm"].is_not_null().any():
        raise CannotHoldError(f"tank {injection.tank_id} has no water float, so water would look like product")


def _put_water(tables: Tables, gauge: Gauge, layer: Course, rng: np.random.Generator) -> None:
    """Let the water float rise by a layer's litres, on its own grid and with its own noise."""
    rows = tables.readings_of(gauge.tank_id)
    once = rows.filter(pl.col("water_mm").is_finite()).unique("ts", keep="first").sort("ts")
    at, water = seconds(once["ts"]), once["water_mm"].to_numpy()
    seen = water[water > 0.0]
    grid = max((size for size in GRIDS_MM if len(seen) and _fits(seen, size)), default=1.0)
    noise = _float_noise_mm(seen)
    strap = gauge.strapping
    bottom, top = strap.span_mm()
    total = strap.volume_l(np.clip(water, bottom, top), at) + layer.until(at)
    heights = np.linspace(bottom, top, 4001)
    level = np.interp(total, strap.volume_l(heights, np.full(len(heights), at[-1])), heights)
    level = np.where(water > 0.0, level, level + noise * rng.normal(0.0, 1.0, len(at)))
    risen = np.where(layer.until(at) > LEAST_SEEN_L, np.maximum(rounded(level, grid), 0.0), water)
    new = pl.DataFrame({"ts": stamps(at), "_new": risen})
    joined = rows.join(new, on="ts", how="left", maintain_order="left")
    kept = pl.when(pl.col("water_mm").is_not_null() & pl.col("_new").is_not_null()).then("_new").otherwise("water_mm")
    tables.readings[gauge.tank_id] = joined.with_columns(water_mm=kept).drop("_new")


def _float_noise_mm(seen: Floats) -> float:
    if len(seen) < 100:
        return FLOAT_NOISE_MM
    return max(1.4826 * float(np.median(np.abs(np.diff(seen)))) / float(np.sqrt(2.0)), 0.05)


def _fits(values: Floats, size: float) -> bool:
    return bool(np.mean(np.abs(values / size - np.round(values / size)) < 1e-4) > 0.999)


def _put_density(tables: Tables, tank_id: str, off: Course) -> None:
    """Let the densities that a tank shows be off by a course, to a tenth."""
    rows = tables.readings_of(tank_id)
    shift = off.until(seconds(rows["ts"]))
    moved = (pl.col("density_kg_m3") + pl.Series(shift)).round(1)
    density = pl.when(pl.Series(shift != 0.0)).then(moved).otherwise(pl.col("density_kg_m3"))
    tables.readings[tank_id] = rows.with_columns(density_kg_m3=density)


MAKERS: Final[Mapping[str, Maker]] = {
    "water_ingress": water_ingress,
    "phase_separation": phase_separation,
    "wrong_product": wrong_product,
    "probe_fault": probe_fault,
}
"""Causes that change what a gauge says beyond litres of product."""
