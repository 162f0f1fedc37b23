"""Drops seen in the level alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from pipeline.ledger.gauge import FASTEST_DROP_L_PER_MIN, GaugeSeries
from pipeline.ledger.movements import STAMPED_S, MeterFlow, cumulative_l
from pipeline.physics.ranks import median

Floats = NDArray[np.float64]

SMALLEST_DROP_L = 300.0
"""A smaller rise is left to the test for steps. Common practice: a compartment holds 1,000 litres or more."""
RISE_L_PER_MIN = 30.0
"""Slowest mean rise, over one bucket, that counts as a drop going on. No source; gravity drops run at 400 to 1,200."""
SLOW_READINGS_S = 900.0
"""From so long between readings on, sales hide the beginning or end of a drop, and are added back. No source."""
EDGE_L = 60.0
"""A reading in mid-drop: so many litres between slow readings next to a drop are still of it. No source."""
SETTLED_S = 2400.0
"""So long after a drop its settled level is read, at the most. No source."""
MOST_PAUSES = 3
"""So many buckets without a rise a drop may pause for; of slow readings one of a quarter of an hour. No source."""
LONGEST_STEP_S = 2 * 3600.0
"""No drop lasts longer: where readings are further apart, each rise between two is a drop of its own. No source."""
RETURN_S, RETURN_SHARE = 1500.0, 1.1
"""What was drawn for a test is poured back within so long, and the level rises by no more than this share of it. No
source."""
LIKE_PACE = 0.5
"""A drop fills at one pace, but for this share of it. No source."""
MOST_HIDDEN = 12
"""So many buckets, an hour, may a load hide of a drop's beginning or end. No source."""
MINUTE_S = 60.0
MIXED_K = 0.5
"""SD of what the thermometer shows of the mean after a drop against before. No source. [K]"""


@dataclass(frozen=True)
class Drop:
    """One drop into a tank: when the level rose, by how many litres with the sales meanwhile added back, its tickets.

    `start_s` to `end_s` is the rise itself [s], `gain_l` its litres, `rate_l_per_min` the steepest rise over a minute
    or between two slower readings, `tickets` row numbers into the tank's tickets; `came_c` the temperature of what
    came, by what it did to the tank's, with `came_sd_k` (NaN where unknown). [°C, K]
    """

    start_s: float
    end_s: float
    gain_l: float
    rate_l_per_min: float
    tickets: tuple[int, ...] = ()
    came_c: float = np.nan
    came_sd_k: float = np.nan


def _bucket_medians(ts_s: Floats, values: Floats, width_s: float) -> tuple[Floats, Floats]:
    key = np.floor(ts_s / width_s).astype(np.int64)
    frame = (
        pl.DataFrame({"key": key, "value": values}).group_by("key", maintain_order=True).agg(pl.col("value").median())
    )
    return frame["key"].to_numpy() * width_s, frame["value"].to_numpy()


def _rising(rise_l: Floats, step_min: Floats) -> NDArray[np.bool_]:
    """The buckets in which something came, by their litres."""
    return np.asarray(rise_l > np.maximum(RISE_L_PER_MIN * np.minimum(step_min, 15.0), 120.0))


def _under_loads(up: NDArray[np.bool_], came_l: Floats, sold_l: Floats) -> NDArray[np.bool_]:
    """The rising buckets and those beside them in which as much came, while hoses drew what hid it from the level."""
    grown = up.copy()
    for first, last in _runs(np.flatnonzero(up)):
        pace_l = median(came_l[first : last + 1])
        is_like = (np.abs(came_l - pace_l) < LIKE_PACE * pace_l) & (sold_l > LIKE_PACE * came_l)
        for step, edge in ((-1, first), (1, last)):
            place = edge + step
            while 0 <= place < len(up) and is_like[place] and abs(place - edge) <= MOST_HIDDEN:
                grown[place] = True
                place += step
    return grown


def _runs(places: NDArray[np.intp]) -> list[tuple[int, int]]:
    """First and last of each run of neighbouring places."""
    return [
        (int(run[0]), int(run[-1])) for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1) if len(run)
    ]


def _rises(up: NDArray[np.bool_], width_s: float) -> list[tuple[int, int]]:
    """First and last bucket of each run of rises, a short pause inside a run allowed; slow ones are each by itself."""
    places = np.flatnonzero(up)
    if not len(places):
        return []
    pause = MOST_PAUSES if width_s < SLOW_READINGS_S else int(width_s <= SLOW_READINGS_S)
    breaks = np.flatnonzero(np.diff(places) > pause + 1) if width_s <= LONGEST_STEP_S else np.arange(len(places) - 1)
    firsts = np.concatenate([[places[0]], places[breaks + 1]])
    lasts = np.concatenate([places[breaks], [places[-1]]])
    return [(int(first), int(last) + 1) for first, last in zip(firsts, lasts, strict=True)]


def find_drops(series: GaugeSeries, sold_l: Floats) -> list[Drop]:
    """Drops of `SMALLEST_DROP_L` or more in the level alone.

    Parameters
    ----------
    series : GaugeSeries, n readings
    sold_l : ndarray, shape (n,)
        Litres sold up to each reading. [l]

    Across a gap, and between slow readings, the litres sold meanwhile are added back: a drop need not raise the level
    there.

    Returns
    -------
    list of Drop, in order of time; rises faster than any hose gives are left out.
    """
    if len(series) < 4:
        return []
    width_s = max(300.0, series.nominal_s)
    starts_s, stock = _bucket_medians(series.ts_s, series.gauge_l, width_s)
    _, moved = _bucket_medians(series.ts_s, series.gauge_l + sold_l, width_s)
    step_s = np.diff(starts_s)
    is_slow = step_s >= min(3.0 * width_s + 1.0, SLOW_READINGS_S)
    rise = np.where(is_slow, np.diff(moved), np.diff(stock))
    up = _rising(rise, step_s / 60.0)
    if width_s < SLOW_READINGS_S:
        up = _under_loads(up, np.diff(moved), np.diff(moved) - np.diff(stock))
    drops = []
    for rising in _rises(up, width_s):
        first, last = _whole(rising, rise) if SLOW_READINGS_S <= width_s <= LONGEST_STEP_S else rising
        drop = _refined(series, sold_l, (starts_s[first], starts_s[last] + width_s))
        if drop is not None and drop.gain_l >= SMALLEST_DROP_L and not _is_jump(drop, series):
            drops.append(drop)
    return drops


def without_stamps(drops: list[Drop], series: GaugeSeries, flows: Sequence[MeterFlow]) -> list[Drop]:
    """The drops of a slow gauge less what may be a sale's stamp alone.

    A till may write a sale when it begins or is paid: between slow readings the whole sale then stands on the other
    side of one from what was drawn, and seems to have come. What is left of a drop's litres without the sales near its
    two readings must be a drop.
    """
    if series.nominal_s < SLOW_READINGS_S:
        return drops
    return [drop for drop in drops if drop.gain_l - _near_edges_l(drop, flows) >= SMALLEST_DROP_L]


def without_returns(drops: list[Drop], returns: Sequence[MeterFlow]) -> list[Drop]:
    """The drops less what was drawn for a test and poured back: no more rose than some returns brought before it."""
    return [drop for drop in drops if drop.gain_l > RETURN_SHARE * _returned_l(drop, returns)]


def _returned_l(drop: Drop, returns: Sequence[MeterFlow]) -> float:
    """Litres of test returns that began before a rise ended, and ended no more than `RETURN_S` before it. [l]"""
    near = [(flow.start_s < drop.end_s) & (flow.end_s > drop.start_s - RETURN_S) for flow in returns]
    return sum(float(flow.volume_l[here].sum()) for flow, here in zip(returns, near, strict=True))


def _near_edges_l(drop: Drop, flows: Sequence[MeterFlow]) -> float:
    """Litres booked within `STAMPED_S` of a drop's first or last reading. [l]"""
    spans = [(drop.start_s - STAMPED_S, drop.start_s + STAMPED_S), (drop.end_s - STAMPED_S, drop.end_s + STAMPED_S)]
    if spans[0][1] > spans[1][0]:
        spans = [(spans[0][0], spans[1][1])]
    return sum(float(np.diff(cumulative_l(flow, np.array(span)))[0]) for flow in flows for span in spans)


def _whole(rising: tuple[int, int], rise_l: Floats) -> tuple[int, int]:
    """A run of rises with what of it came before a reading in its midst, or after one: first and last bucket."""
    first, last = rising
    if first > 0 and rise_l[first - 1] > EDGE_L:
        first -= 1
    if last < len(rise_l) and rise_l[last] > EDGE_L:
        last += 1
    return first, last


def _is_jump(drop: Drop, series: GaugeSeries) -> bool:
    quick = drop.rate_l_per_min > FASTEST_DROP_L_PER_MIN or (
        drop.end_s - drop.start_s <= 1.5 * series.nominal_s and drop.gain_l < 2500.0 and series.nominal_s <= 120.0
    )
    return quick and series.nominal_s <= 400.0


def _refined(series: GaugeSeries, sold_l: Floats, around_s: tuple[float, float]) -> Drop | None:
    """The rise's edges at full resolution and its litres, from the quiet before to the settled after."""
    # A slow gauge's next reading may hold the next drop.
    later_s = SETTLED_S if series.nominal_s < SETTLED_S else 0.0
    low, high = np.searchsorted(series.ts_s, [around_s[0] - 1200.0, around_s[1] + later_s])
    window = series.gauge_l[low:high] + sold_l[low:high]
    ts = series.ts_s[low:high]
    before, after = window[ts < around_s[0] + 1e-6], window[ts >= around_s[1] + 300.0]
    if not len(before):
        before = window[:1]
    if not len(after):
        after = window[-1:]
    base, top = float(np.median(before[-5:])), float(np.median(after[:20]))
    gain = top - base
    if gain <= 0:
        return None
    slack = 10.0 + 4.0 * float(np.median(np.abs(before - np.median(before))))
    below = np.flatnonzero((window < base + min(slack, 0.1 * gain)) & (ts <= around_s[1]))
    start = int(below[-1]) if len(below) else 0
    above = np.flatnonzero((window >= top - min(3.0 * slack, 0.05 * gain)) & (np.arange(len(window)) > start))
    end = int(above[0]) if len(above) else len(window) - 1
    rate = _steepest_l_per_min(ts[start : end + 1], window[start : end + 1], series.nominal_s)
    came_c, came_sd = _came(series, (low, low + start), (low + end, high))
    return Drop(float(ts[start]), float(ts[end]), gain, rate, came_c=came_c, came_sd_k=came_sd)


def _steepest_l_per_min(ts_s: Floats, moved_l: Floats, nominal_s: float) -> float:
    """The steepest rise over a minute, or between two readings where these are further apart.

    A surface that something falls into is rough: of readings some seconds apart each pair alone shows any rate. A
    single reading far off is none either.
    """
    count = min(max(round(MINUTE_S / nominal_s), 1), len(ts_s) - 1)
    if count < 1:
        return 0.0
    calm_l = median_filter(moved_l, 3, mode="nearest") if count > 1 else moved_l
    # Stamps may be off: readings are taken to lie as far apart as they usually do.
    apart_s = np.maximum(ts_s[count:] - ts_s[:-count], count * nominal_s)
    return float(((calm_l[count:] - calm_l[:-count]) / apart_s).max() * 60.0)


def spanning(series: GaugeSeries, sold_l: Floats, parts: Sequence[Drop]) -> Drop:
    """One drop of several rises in order of time, from what the tank held before the first to what after the last.

    `sold_l`, shape (n,), litres sold up to each reading.
    """
    whole = _refined(series, sold_l, (parts[0].start_s, parts[-1].end_s))
    if whole is None:
        return replace(parts[0], end_s=parts[-1].end_s, gain_l=sum(part.gain_l for part in parts))
    return replace(whole, start_s=parts[0].start_s, end_s=parts[-1].end_s)


def _came(series: GaugeSeries, before: tuple[int, int], after: tuple[int, int]) -> tuple[float, float]:
    """Temperature of what a drop brought and its SD, by the mean before and after it. [°C, K] NaN where unknown."""
    early, late = slice(before[0], before[1] + 1), slice(*after)
    known_c = [series.temp_c[part][np.isfinite(series.temp_c[part])] for part in (early, late)]
    if not len(known_c[0]) or not len(known_c[1]):
        return np.nan, np.nan
    was_c, is_c = float(np.median(known_c[0])), float(np.median(known_c[1]))
    was_l, is_l = float(np.median(series.gauge_l[early])), float(np.median(series.gauge_l[late]))
    if is_l <= was_l:
        return np.nan, np.nan
    return (is_c * is_l - was_c * was_l) / (is_l - was_l), MIXED_K * is_l / (is_l - was_l)
