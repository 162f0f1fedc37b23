"""Gauge against metered flow in five-minute steps: what each step moved that no meter and no drop accounts for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ledger.drops import Drop
from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.movements import MeterFlow, cumulative_l, open_spans

Floats = NDArray[np.float64]

STEP_S = 300.0
SETTLE_S = 2400.0


@dataclass(frozen=True)
class Moves:
    """A unit's stock and its site's sales in steps of `STEP_S` (or its readings' spacing), gaps left out; arrays (k,).

    `stock_l` mean gauge stock; `sold_l` (k, meters) mean litres sold so far by each meter in `meters`; `own` (k, meters)
    the share of each meter's litres that is taken to come from this unit at that time;
    `at_rest` that no own hose was open in the step nor shortly before; `in_drop` that a drop was going on or settling;
    `surface_l_per_mm` the chart's slope.
    """

    ts_s: Floats
    stock_l: Floats
    sold_l: Floats
    own: Floats
    at_rest: NDArray[np.bool_]
    in_drop: NDArray[np.bool_]
    surface_l_per_mm: Floats
    level_mm: Floats
    meters: tuple[str, ...]
    step_s: float

    def __len__(self) -> int:
        return len(self.ts_s)

    def moved_l(self) -> Floats:
        """Stock with what the unit's own meters sold added back, so that it moves only for other reasons. [l]"""
        sold = np.diff(self.sold_l, axis=0, prepend=self.sold_l[:1])
        return self.stock_l + np.cumsum((sold * self.own).sum(axis=1))

    def with_own(self, own: Floats) -> Moves:
        """The same moves with other meters taken to be the unit's own."""
        return replace(self, own=own)


def moves_of(series: GaugeSeries, flows: list[MeterFlow], shares: list[Floats], drops: list[Drop]) -> Moves:
    """Five-minute means of stock and sales; `flows` of the site's meters, whole, and of each, `shares` shape (n,), the
    part that the unit supplies at each reading."""
    step_s = max(STEP_S, series.nominal_s)
    used = [flow for flow, share in zip(flows, shares, strict=True) if share.any()]
    rest_s = open_spans(used).rest_s(series.ts_s)
    in_drop = np.zeros(len(series), dtype=bool)
    for drop in drops:
        in_drop |= (series.ts_s > drop.start_s - 1.0) & (series.ts_s < drop.end_s + SETTLE_S)
    names = [f"sold_{number}" for number in range(len(flows))]
    frame = pl.DataFrame(
        {
            "key": np.floor(series.ts_s / step_s).astype(np.int64),
            "ts_s": series.ts_s,
            "stock_l": series.gauge_l,
            "rest_s": rest_s,
            "in_drop": in_drop,
            "surface_l_per_mm": series.surface_l_per_mm,
            "level_mm": series.level_mm,
            **{name: cumulative_l(flow, series.ts_s) for name, flow in zip(names, flows, strict=True)},
        }
    )
    steps = (
        frame.group_by("key", maintain_order=True)
        .agg(
            pl.col("stock_l", "ts_s", "surface_l_per_mm", "level_mm", *names).mean(),
            pl.col("rest_s").min(),
            pl.col("in_drop").any(),
        )
        .sort("key")
    )
    nearest = np.minimum(np.searchsorted(series.ts_s, steps["ts_s"].to_numpy()), len(series) - 1)
    return Moves(
        ts_s=steps["ts_s"].to_numpy(),
        stock_l=steps["stock_l"].to_numpy(),
        sold_l=steps.select(names).to_numpy() if names else np.zeros((steps.height, 0)),
        own=np.column_stack([share[nearest] for share in shares]) if shares else np.zeros((steps.height, 0)),
        at_rest=steps["rest_s"].to_numpy() >= 120.0,
        in_drop=steps["in_drop"].to_numpy(),
        surface_l_per_mm=steps["surface_l_per_mm"].to_numpy(),
        level_mm=steps["level_mm"].to_numpy(),
        meters=tuple(flow.meter_id for flow in flows),
        step_s=step_s,
    )
