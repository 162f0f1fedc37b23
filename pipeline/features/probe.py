"""Is the gauge itself well? Sticking, noise and dropouts, day by day and from the readings alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ledger.gauge import GaugeSeries, kept, seconds
from pipeline.ledger.movements import MeterFlow, whole_sales_l
from pipeline.physics.ranks import median, quantile

Floats = NDArray[np.float64]

STUCK_SOLD_MM = 6.0
"""A reading that does not move while the sales would have lowered it by this much is stuck."""
STUCK_S = 1200.0
BESIDE_S = 300.0
"""A sale booked so near to its edge may have been drawn beyond it: tills are off by a minute or two, and people write
down the nearest five. No source."""
JOINED_STUCK_S = 3600.0
"""So long a level stands still before it is stuck; of joined tanks one may stand while the others give. No source."""
REST_S = 120.0
"""Two readings are at rest when no hose was open between them, nor so long before the first."""


@dataclass(frozen=True)
class StuckSpan:
    """Readings that stood still from `start_s` to `end_s` while `sold_l` litres were sold.

    `known_s` is the reading at which that was plain, `known_l` the litres sold by then. Sales that had begun before are
    not counted.
    """

    start_s: float
    end_s: float
    sold_l: float
    known_s: float
    known_l: float


def stuck_spans(
    series: GaugeSeries, flows: Sequence[MeterFlow], *, share: float = 1.0, least_s: float = STUCK_S
) -> list[StuckSpan]:
    """Runs of one and the same level, `least_s` or longer, in which sales should have lowered it by `STUCK_SOLD_MM`.

    `share` of the sales of `flows` counts, and only sales that lie well within the time in which the level stood still
    show it.
    """
    if len(series) < 3:
        return []
    same = np.abs(np.diff(series.level_mm)) < 1e-6
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    starts, ends = edges[0::2], edges[1::2]
    is_long = series.ts_s[ends] - series.ts_s[starts] >= least_s
    spans = []
    for first, last in zip(starts[is_long], ends[is_long], strict=True):
        since_s, at_s = float(series.ts_s[first]), series.ts_s[first : last + 1]
        sold = share * whole_sales_l(flows, since_s, at_s)
        surely = share * whole_sales_l(flows, since_s + BESIDE_S, at_s - BESIDE_S)
        plain = np.flatnonzero((at_s - since_s >= least_s) & (surely >= STUCK_SOLD_MM * series.surface_l_per_mm[first]))
        if len(plain):
            span = float(series.ts_s[first]), float(series.ts_s[last]), float(sold[-1])
            spans.append(StuckSpan(*span, float(series.ts_s[first + plain[0]]), float(sold[plain[0]])))
    return spans


def without_spans(series: GaugeSeries, spans: list[StuckSpan]) -> GaugeSeries:
    """The series without the readings inside the spans."""
    if not spans:
        return series
    keep = np.ones(len(series), dtype=bool)
    for span in spans:
        keep[slice(*_places(series.ts_s, span.start_s, span.end_s))] = False
    return kept(series, keep)


def _places(ts_s: Floats, start_s: float, end_s: float) -> tuple[int, int]:
    """The first of some instants in order from `start_s` on, and the first after `end_s`."""
    return int(np.searchsorted(ts_s, start_s, "left")), int(np.searchsorted(ts_s, end_s, "right"))


@dataclass(frozen=True)
class ProbeDay:
    """One tank's readings on one UTC day.

    `readings` all rows, `bad_share` those unusable of them, `gap_h` the longest silence [h], `scatter_mm` the robust
    SD of neighbouring readings' difference over √2 (NaN with too few), `hops` readings that leave their neighbours by
    more than eight times the usual scatter and come back; `resolution_mm` the smallest step of the level;
    `regular_share` the share of readings that follow the one before after the usual time.
    """

    day: int
    readings: int
    bad_share: float
    gap_h: float
    scatter_mm: float
    hops: int
    resolution_mm: float
    regular_share: float


def probe_days(readings: pl.DataFrame, series: GaugeSeries, rest_s: Floats) -> list[ProbeDay]:
    """Health of one tank's readings, each UTC day.

    Parameters
    ----------
    readings : frame
        The tank's `readings` rows, unusable ones too.
    series : GaugeSeries, n readings
        The usable ones.
    rest_s : ndarray, shape (n,)
        For how long no hose had been open at the reading.
    """
    day_s = seconds(readings["ts"])
    # A tank that was not filled yet shows no product, and loses no reading by it.
    is_filled = pl.Series(day_s >= (series.ts_s[0] if len(series) else np.inf))
    is_empty = (pl.col("level_mm") < 1.0) & is_filled
    bad = (pl.col("quality") == "bad") | pl.col("level_mm").is_null() | is_empty
    rows = readings.select(bad=bad.cast(pl.Float64)).with_columns(
        day=pl.Series(np.floor(day_s / 86400.0).astype(np.int64)), ts_s=pl.Series(day_s)
    )
    counted = rows.group_by("day").agg(pl.len().alias("n"), pl.col("bad").mean()).sort("day")
    found = []
    usable_day = np.floor(series.ts_s / 86400.0).astype(np.int64)
    for day, count, share in counted.iter_rows():
        low, high = np.searchsorted(usable_day, [day, day + 1])
        found.append(_one_day(series, rest_s, (int(low), int(high)), (int(day), int(count), float(share))))
    return found


def _one_day(series: GaugeSeries, rest_s: Floats, span: tuple[int, int], counted: tuple[int, int, float]) -> ProbeDay:
    low, high = span
    day, count, share = counted
    ts, level = series.ts_s[low:high], series.level_mm[low:high]
    edges = np.concatenate([[day * 86400.0], ts, [(day + 1) * 86400.0]])
    step = np.diff(level)
    gaps, away = np.diff(ts), np.abs(step)
    quiet = away[(rest_s[low:high][1:] >= gaps + REST_S) & (gaps <= 2.5 * series.nominal_s)]
    scatter = 1.4826 * median(quiet) / np.sqrt(2.0) if len(quiet) >= 20 else np.nan
    limit = max(8.0 * (scatter if np.isfinite(scatter) else 0.2), 3.0)
    back = (away[:-1] > limit) & (away[1:] > limit) & (step[:-1] * step[1:] < 0)
    regular = float(np.mean(np.abs(gaps - series.nominal_s) < 0.3 * series.nominal_s)) if len(gaps) else 0.0
    steps = away[away > 1e-4]
    resolution = quantile(steps, 0.02) if len(steps) else 0.1
    silence = float(np.diff(edges).max() / 3600.0)
    return ProbeDay(day, count, share, silence, scatter, int(back.sum()), resolution, regular)
