"""Settled dips: the readings of each half hour brought down to one point of stock, its sales and its noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ledger.drops import Drop
from pipeline.ledger.gauge import GaugeSeries, kept
from pipeline.ledger.movements import MeterFlow, OpenSpans, cumulative_l, open_spans
from pipeline.ledger.stretches import is_inside, stretches

Floats = NDArray[np.float64]

DIP_S = 1800.0
"""Length of the spans that give one dip each. [s]"""
REST_S = 180.0
"""After a hose closes the surface needs some three minutes to lie still: waves of 2 to 4 minutes (common practice)."""
SETTLE_S = 1500.0
"""After a drop the level is left alone for 25 minutes (common practice: 15 to 30)."""
SPAN = ("span", "part")
"""What makes a dip: the half hour, and how many drops and moves were over by then."""


@dataclass(frozen=True)
class Dips:
    """One settled point a span, in order of time; arrays of shape (k,), `sold_l` (k, meters), the meters in order.

    `state` is 0 at rest, 1 just closed, 2 with a hose open; `count` the readings behind the point; `spread_l` their
    robust spread about it; `gauge_l` gauge stock at ambient temperature; `apart_l` as of a `GaugeSeries`; `open_h`
    hours with a hose open so far; `meters` names the columns of `sold_l`.
    """

    ts_s: Floats
    state: NDArray[np.int8]
    count: NDArray[np.int64]
    spread_l: Floats
    gauge_l: Floats
    level_mm: Floats
    water_mm: Floats
    temp_c: Floats
    density_kg_m3: Floats
    surface_l_per_mm: Floats
    apart_l: Floats
    open_h: Floats
    sold_l: NDArray[np.float64]
    meters: tuple[str, ...]

    def __len__(self) -> int:
        """How many dips there are."""
        return len(self.ts_s)


def settled_dips(
    series: GaugeSeries, flows: list[MeterFlow], drops: list[Drop], holes: list[tuple[float, float]]
) -> Dips:
    """Dips of a tank: for each half hour the calmest readings, their median book-corrected stock and outliers cut.

    Parameters
    ----------
    series : GaugeSeries, n readings
    flows : list of MeterFlow
        Sales on the gauge's clock.
    drops : list of Drop
        Readings from a drop's start until `SETTLE_S` after its end are left out.
    holes : list of (start, end)
        Further spans whose readings are left out: sudden moves that are accounted for by themselves. [s]
    """
    spans = open_spans(flows)
    left_out = [*((drop.start_s, drop.end_s + SETTLE_S) for drop in drops), *holes]
    over_s = np.sort([end_s for _, end_s in left_out])
    span = np.floor(series.ts_s / max(DIP_S, series.nominal_s)).astype(np.int64)
    dips = [
        _reduced(_frame(part, flows, spans, over_s).filter(pl.Series(~is_inside(part.ts_s, left_out))))
        for part in (kept(series, here) for here in stretches(span))
    ]
    return _as_dips(pl.concat(dips), tuple(flow.meter_id for flow in flows))


def _frame(series: GaugeSeries, flows: list[MeterFlow], spans: OpenSpans, over_s: Floats) -> pl.DataFrame:
    """A row for each of some readings; `over_s` when drops and moves were over, in order."""
    rest = spans.rest_s(series.ts_s)
    state = np.where(rest >= REST_S, 0, np.where((rest > 20.0) & (spans.next_s(series.ts_s) > 20.0), 1, 2))
    sold = np.column_stack([np.zeros((len(series), 0)), *(cumulative_l(flow, series.ts_s) for flow in flows)])
    return pl.DataFrame(
        {
            "span": np.floor(series.ts_s / max(DIP_S, series.nominal_s)).astype(np.int64),
            # What stands on either side of a drop is no one dip, though both may lie in one span.
            "part": np.searchsorted(over_s, series.ts_s, "right"),
            "ts_s": series.ts_s,
            "state": state.astype(np.int8),
            "gauge_l": series.gauge_l,
            "level_mm": series.level_mm,
            "water_mm": series.water_mm,
            "temp_c": series.temp_c,
            "density_kg_m3": series.density_kg_m3,
            "surface_l_per_mm": series.surface_l_per_mm,
            "apart_l": series.apart_l,
            "open_h": spans.hours_until(series.ts_s),
            "moved_l": series.gauge_l + sold.sum(axis=1),
            **{f"sold_{number}": litres for number, litres in enumerate(sold.T)},
        }
    )


MEANS = ("ts_s", "gauge_l", "level_mm", "temp_c", "density_kg_m3", "surface_l_per_mm", "apart_l", "open_h")


def _reduced(frame: pl.DataFrame) -> pl.DataFrame:
    """A row for each dip of some readings, in order."""
    moved = pl.col("moved_l")
    calm = frame.filter(pl.col("state") == pl.col("state").min().over(SPAN))
    calm = calm.with_columns(off_l=(moved - moved.median().over(SPAN)).abs())
    calm = calm.with_columns(spread_l=1.4826 * pl.col("off_l").median().over(SPAN))
    calm = calm.filter(pl.col("off_l") <= 4.0 * pl.col("spread_l") + 1.0)
    return (
        calm.with_columns(pl.col("temp_c", "density_kg_m3", "water_mm").fill_nan(None))
        .group_by(SPAN, maintain_order=True)
        .agg(
            pl.col(*MEANS, r"^sold_\d+$").mean(),
            pl.col("water_mm").median(),
            pl.col("state", "spread_l").first(),
            pl.len().cast(pl.Int64).alias("count"),
        )
        .sort(SPAN)
    )


def _as_dips(dips: pl.DataFrame, meters: tuple[str, ...]) -> Dips:
    sold = dips.select(f"sold_{number}" for number in range(len(meters))).to_numpy()
    sold = sold if meters else np.zeros((dips.height, 0))
    values = {
        name: dips[name].cast(pl.Float64).to_numpy().astype(np.float64) for name in [*MEANS, "water_mm", "spread_l"]
    }
    return Dips(**values, state=dips["state"].to_numpy(), count=dips["count"].to_numpy(), sold_l=sold, meters=meters)
