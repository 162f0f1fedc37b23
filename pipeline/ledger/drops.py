"""Drops seen in the level alone, and the tickets that belong to them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.ledger.gauge import GaugeSeries

Floats = NDArray[np.float64]

SMALLEST_DROP_L = 300.0
"""A smaller rise is left to the test for steps. Common practice: a compartment holds 1,000 litres or more."""
RISE_L_PER_MIN = 30.0
"""Slowest mean rise, over one bucket, that counts as a drop going on. No source; gravity drops run at 400 to 1,200."""
FASTEST_DROP_L_PER_MIN = 2000.0
"""A faster rise is a jump of the gauge and no drop. No source; a 4 inch hose gives some 1,200."""
LITRES_FIT = 1.5
"""A ticket fits a drop in litres within this many times 2 % and 30 litres. No source."""
NO_TICKET_COST = 5.0
TICKET_WINDOW_S = 12 * 3600.0
"""How far a ticket's time may be from its drop."""


@dataclass(frozen=True)
class Drop:
    """One drop into a tank: when the level rose, by how many litres with the sales meanwhile added back, its tickets.

    `start_s` to `end_s` is the rise itself [s], `gain_l` its litres, `rate_l_per_min` the steepest rise between two
    readings, `tickets` row numbers into the tank's tickets.
    """

    start_s: float
    end_s: float
    gain_l: float
    rate_l_per_min: float
    tickets: tuple[int, ...] = ()


def _bucket_medians(ts_s: Floats, values: Floats, width_s: float) -> tuple[Floats, Floats]:
    key = np.floor(ts_s / width_s).astype(np.int64)
    frame = (
        pl.DataFrame({"key": key, "value": values}).group_by("key", maintain_order=True).agg(pl.col("value").median())
    )
    return frame["key"].to_numpy() * width_s, frame["value"].to_numpy()


def _rises(rise_l: Floats, step_min: Floats) -> list[tuple[int, int]]:
    """First and last bucket of each run of rises, a pause of up to three buckets inside a run allowed."""
    up = rise_l > np.maximum(RISE_L_PER_MIN * np.minimum(step_min, 15.0), 120.0)
    places = np.flatnonzero(up)
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > 4)
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

    Across a gap in the readings the litres sold meanwhile are added back: a drop in a gap need not raise the level.

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
    rise = np.where(step_s > 3.0 * width_s, np.diff(moved), np.diff(stock))
    drops = []
    for first, last in _rises(rise, step_s / 60.0):
        drop = _refined(series, sold_l, (starts_s[first], starts_s[last] + width_s))
        if drop is not None and drop.gain_l >= SMALLEST_DROP_L and not _is_jump(drop, series):
            drops.append(drop)
    return drops


def _is_jump(drop: Drop, series: GaugeSeries) -> bool:
    quick = drop.rate_l_per_min > FASTEST_DROP_L_PER_MIN or (
        drop.end_s - drop.start_s <= 1.5 * series.nominal_s and drop.gain_l < 2500.0 and series.nominal_s <= 120.0
    )
    return quick and series.nominal_s <= 400.0


def _refined(series: GaugeSeries, sold_l: Floats, around_s: tuple[float, float]) -> Drop | None:
    """The rise's edges at full resolution and its litres, from the quiet before to the settled after."""
    moved = series.gauge_l + sold_l
    low, high = np.searchsorted(series.ts_s, [around_s[0] - 1200.0, around_s[1] + 2400.0])
    window = moved[low:high]
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
    rates = np.diff(window[start : end + 1]) / np.maximum(np.diff(ts[start : end + 1]), 1.0) * 60.0
    return Drop(float(ts[start]), float(ts[end]), gain, float(rates.max()) if len(rates) else 0.0)


def match_tickets(drops: list[Drop], ticket_s: Floats, ticket_l: Floats, now_s: float = float("inf")) -> list[Drop]:
    """The drops with their tickets: each ticket goes to one drop at most, one to four tickets to a drop.

    A ticket fits a drop when it lies within `TICKET_WINDOW_S` of it. Several tickets go to one drop only where their
    sum fits it and no single one does; all others are assigned at the least total misfit, where going without costs a
    drop the more the longer its ticket has been due at `now_s`.
    """
    free = set(range(len(ticket_s)))
    taken: dict[int, tuple[int, ...]] = {}
    for number, drop in enumerate(drops):
        near = [ticket for ticket in sorted(free) if _away_s(drop, ticket_s[[ticket]])[0] <= TICKET_WINDOW_S]
        if not near or any(_off(drop, ticket_l[[ticket]]) < LITRES_FIT for ticket in near):
            continue
        groups = [group for size in (2, 3, 4) for group in combinations(near, size)]
        fitting = [group for group in groups if _off(drop, ticket_l[list(group)]) < LITRES_FIT]
        if fitting:
            taken[number] = min(fitting, key=lambda group: _misfit(drop, ticket_s[list(group)], ticket_l[list(group)]))
            free -= set(taken[number])
    waiting = [number for number in range(len(drops)) if number not in taken]
    for number, ticket in _assigned(drops, waiting, sorted(free), (ticket_s, ticket_l), now_s):
        taken[number] = (ticket,)
    return [replace(drop, tickets=taken.get(number, ())) for number, drop in enumerate(drops)]


def _assigned(
    drops: list[Drop], waiting: list[int], free: list[int], tickets: tuple[Floats, Floats], now_s: float
) -> list[tuple[int, int]]:
    """Pairs of drop and ticket at the least total cost; a drop that stays without is left out."""
    if not waiting:
        return []
    ticket_s, ticket_l = tickets
    cost = np.full((len(waiting), len(free) + len(waiting)), 1e6)
    for row, number in enumerate(waiting):
        for column, ticket in enumerate(free):
            if _away_s(drops[number], ticket_s[[ticket]])[0] <= TICKET_WINDOW_S:
                cost[row, column] = _misfit(drops[number], ticket_s[[ticket]], ticket_l[[ticket]])
        due_h = max(now_s - drops[number].end_s, 0.0) / 3600.0
        cost[row, len(free) + row] = min(0.3 + 0.3 * due_h, NO_TICKET_COST)
    rows, columns = linear_sum_assignment(cost)
    return [
        (waiting[row], free[column])
        for row, column in zip(rows.tolist(), columns.tolist(), strict=True)
        if column < len(free)
    ]


def _off(drop: Drop, ticket_l: Floats) -> float:
    """By how much the tickets miss the drop's litres, as a multiple of what drops usually miss by."""
    total = float(ticket_l.sum())
    return abs(drop.gain_l - total) / (0.02 * total + 30.0)


def _misfit(drop: Drop, ticket_s: Floats, ticket_l: Floats) -> float:
    litres = _off(drop, ticket_l)
    hours = float(_away_s(drop, ticket_s).max()) / 3600.0
    lasted = (drop.end_s - drop.start_s) / 3600.0
    spread = max(float(ticket_s.max() - ticket_s.min()) / 3600.0 - lasted, 0.0)
    return float(np.log1p(litres)) + 0.15 * hours + 0.5 * spread + 0.4 * (len(ticket_l) - 1)


def _away_s(drop: Drop, ticket_s: Floats) -> Floats:
    """How long before the rise began, or after it ended, each ticket was written. [s]"""
    return np.asarray(np.maximum(np.maximum(drop.start_s - ticket_s, ticket_s - drop.end_s), 0.0))
