"""Gauge against metered flow in five-minute steps: what each step moved that no meter and no drop accounts for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ledger.drops import Drop
from pipeline.ledger.gauge import GaugeSeries, kept, longest_hold_s
from pipeline.ledger.movements import MeterFlow, cumulative_l, open_spans
from pipeline.ledger.stretches import is_inside, stretches
from pipeline.physics.ranks import RunningMedian

Floats = NDArray[np.float64]

STEP_S = 300.0
SETTLE_S = 2400.0
"""How long a step is, and how long after a drop the surface settles. No source. [s]"""
READ = ("ts_s", "stock_l", "surface_l_per_mm", "level_mm")
LONGEST_HOLD_S = 3600.0
"""No step stands in for a silence longer than this: a move within it could not be told. No source."""


@dataclass(frozen=True)
class Moves:
    """A unit's stock and its site's sales in steps of `STEP_S` (or its readings' spacing), gaps left out; arrays (k,).

    `stock_l` mean gauge stock; `sold_l` (k, meters) mean litres sold so far by each meter in `meters`; `own` (k,
    meters) the share of each meter's litres that is taken to come from this unit at that time;
    `at_rest` that no own hose was open in the step nor shortly before; `in_drop` that a drop was going on or settling;
    `surface_l_per_mm` the chart's slope; `known_s` the reading that it took to know the step: the one after, where the
    step had none of its own. Two steps further apart than `gap_s` have a gap between them.
    """

    ts_s: Floats
    known_s: Floats
    stock_l: Floats
    sold_l: Floats
    own: Floats
    at_rest: NDArray[np.bool_]
    in_drop: NDArray[np.bool_]
    surface_l_per_mm: Floats
    level_mm: Floats
    meters: tuple[str, ...]
    step_s: float
    gap_s: float

    def __len__(self) -> int:
        """How many steps there are."""
        return len(self.ts_s)

    @cached_property
    def _slopes(self) -> RunningMedian:
        return RunningMedian(self.surface_l_per_mm)

    def usual_l_per_mm(self, until_s: float) -> float:
        """The chart's usual slope up to an instant. [l/mm]"""
        return self._slopes.of_first(max(int(np.searchsorted(self.ts_s, until_s)), 1))

    def moved_l(self) -> Floats:
        """Stock with what the unit's own meters sold added back, so that it moves only for other reasons. [l]"""
        sold = np.diff(self.sold_l, axis=0, prepend=self.sold_l[:1])
        return np.asarray(self.stock_l + np.cumsum((sold * self.own).sum(axis=1)))

    def with_own(self, own: Floats) -> Moves:
        """The same moves with other meters taken to be the unit's own."""
        return replace(self, own=own)


def moves_of(series: GaugeSeries, flows: list[MeterFlow], shares: list[Floats], drops: list[Drop]) -> Moves:
    """Five-minute means of stock and sales.

    `flows` of the site's meters, whole, and of each, `shares` shape (n,), the part that the unit supplies at each
    reading. Steps without a reading hold the last one, for a while.
    """
    step_s = max(STEP_S, series.nominal_s)
    names = [f"sold_{number}" for number in range(len(flows))]
    key = np.floor(series.ts_s / step_s).astype(np.int64)
    steps = pl.concat([_means(kept(series, here), flows, key[here]) for here in stretches(key)])
    used = [_while_used(flow, share, series.ts_s) for flow, share in zip(flows, shares, strict=True)]
    hold_s = longest_hold_s(series.ts_s, 2.5 * step_s, LONGEST_HOLD_S)
    steps = _held(steps, step_s, hold_s)
    steps = steps.filter(pl.Series(_still(steps, used)))
    ts_s = steps["ts_s"].to_numpy()
    sold = steps.select(names).to_numpy().copy() if names else np.zeros((len(ts_s), 0))
    held = steps["is_held"].to_numpy()
    for number, flow in enumerate(flows):
        sold[held, number] = cumulative_l(flow, ts_s[held])
    nearest = np.minimum(np.searchsorted(series.ts_s, ts_s), len(series) - 1)
    own = np.column_stack([share[nearest] for share in shares]) if shares else np.zeros((len(ts_s), 0))
    in_drop = is_inside(ts_s, [(drop.start_s - 0.5 * step_s, drop.end_s + SETTLE_S) for drop in drops])
    return Moves(
        ts_s=ts_s,
        known_s=steps["known_s"].to_numpy(),
        stock_l=steps["stock_l"].to_numpy(),
        sold_l=sold,
        own=own,
        at_rest=open_spans(used).rest_s(ts_s) >= 120.0 + 0.5 * step_s,
        in_drop=in_drop,
        surface_l_per_mm=steps["surface_l_per_mm"].to_numpy(),
        level_mm=steps["level_mm"].to_numpy(),
        meters=tuple(flow.meter_id for flow in flows),
        step_s=step_s,
        gap_s=max(3.0 * step_s, hold_s),
    )


def _means(series: GaugeSeries, flows: list[MeterFlow], key: NDArray[np.int64]) -> pl.DataFrame:
    """A row for each step with readings, of which `key`, shape (n,), says which step each is in: means and the last."""
    frame = pl.DataFrame(
        {
            "key": key,
            "ts_s": series.ts_s,
            "stock_l": series.gauge_l,
            "surface_l_per_mm": series.surface_l_per_mm,
            "level_mm": series.level_mm,
            **{f"sold_{number}": cumulative_l(flow, series.ts_s) for number, flow in enumerate(flows)},
        }
    )
    last = [pl.col(name).last().name.prefix("last_") for name in READ]
    return frame.group_by("key", maintain_order=True).agg(pl.exclude("key").mean(), *last)


def _held(steps: pl.DataFrame, step_s: float, longest_s: float) -> pl.DataFrame:
    """The steps with the silent ones between put in, each holding the last reading, where the silence is short."""
    if steps.height < 2:
        return steps.with_columns(is_held=pl.lit(value=False), known_s="ts_s")
    keys = pl.DataFrame({"key": pl.int_range(steps["key"][0], steps["key"][-1] + 1, eager=True)})
    silence = pl.col("next").sub(pl.col("ts_s")).le(longest_s + step_s)
    known = steps.with_columns(next=pl.col("ts_s").shift(-1)).with_columns(holds=silence.fill_null(value=False))
    full = keys.join(known, on="key", how="left").with_columns(is_held=pl.col("ts_s").is_null())
    last = [f"last_{name}" for name in READ]
    full = full.with_columns(pl.col(*last, "holds", "next").forward_fill())
    full = full.with_columns(
        *(pl.col(name).fill_null(pl.col(f"last_{name}")) for name in READ if name != "ts_s"),
        ts_s=pl.col("ts_s").fill_null((pl.col("key").cast(pl.Float64) + 0.5) * step_s),
    )
    full = full.with_columns(known_s=pl.when("is_held").then("next").otherwise("ts_s"))
    return full.filter(~pl.col("is_held") | pl.col("holds")).drop("holds", "next")


def _while_used(flow: MeterFlow, share: Floats, at_s: Floats) -> MeterFlow:
    """The sales at whose end the unit supplied the meter; `share` at each reading of `at_s`, none without readings."""
    if not len(at_s):
        return MeterFlow(flow.meter_id, flow.start_s[:0], flow.end_s[:0], flow.volume_l[:0])
    used = share[np.maximum(np.searchsorted(at_s, flow.end_s, "right") - 1, 0)] > 0
    return MeterFlow(flow.meter_id, flow.start_s[used], flow.end_s[used], flow.volume_l[used])


def _still(steps: pl.DataFrame, used: list[MeterFlow]) -> NDArray[np.bool_]:
    """Which steps to keep: those read, and those held while the sales had moved the level by less than a millimetre."""
    now_s, read_s = steps["ts_s"].to_numpy(), steps["last_ts_s"].to_numpy()
    sold = sum((cumulative_l(flow, now_s) - cumulative_l(flow, read_s) for flow in used), np.zeros(len(now_s)))
    return np.asarray(~steps["is_held"].to_numpy() | (sold < steps["surface_l_per_mm"].to_numpy()))
