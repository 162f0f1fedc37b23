"""Drops seen in the level alone, and the tickets that belong to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.ledger.gauge import GaugeSeries, seconds
from pipeline.ledger.movements import STAMPED_S, MeterFlow, cumulative_l

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
FASTEST_DROP_L_PER_MIN = 2000.0
"""A faster rise is a jump of the gauge and no drop. No source; a 4 inch hose gives some 1,200."""
LITRES_FIT = 1.5
"""A ticket fits a drop in litres within this many times 2 % and 30 litres. No source."""
BETTER_BY = 1.5
"""Tickets that together miss a drop's litres by more still belong to it when they fit better by this. No source."""
MOST_GROUPS = 12
"""So many groups of tickets that fit one drop are held against what they leave for the others. No source."""
NO_TICKET_COST = 5.0
LOADED_BEFORE_S, ENTERED_AFTER_S = 12 * 3600.0, 36 * 3600.0
"""A ticket is written so long before its drop at the most, when the truck is loaded, or so long after it, when somebody
enters it the next day. Common practice, no source."""
COST_PER_H, COST_PER_LATE_H, LATE_H = 0.15, 0.03, 12.0
"""What each hour between a ticket and its drop costs, and each after so many: of what is entered the next day the hour
says little. No source."""
FURTHER_LOAD, FURTHER_TICKET = 0.4, 0.1
"""What each further load costs that a drop is taken to hold, and each further ticket written at one instant with
another: the compartments of a truck. No source."""
LOADED_K = 1.5
"""By how much what came may be warmer or colder than when it was loaded, SD. No source. [K]"""
MIXED_K = 0.5
"""SD of what the thermometer shows of the mean after a drop against before. No source. [K]"""
COST_PER_SD = 0.15
MOST_SDS = 10.0
"""What a ticket's temperature costs for each SD by which it misses the drop's, up to so many. No source."""


@dataclass(frozen=True)
class Drop:
    """One drop into a tank: when the level rose, by how many litres with the sales meanwhile added back, its tickets.

    `start_s` to `end_s` is the rise itself [s], `gain_l` its litres, `rate_l_per_min` the steepest rise between two
    readings, `tickets` row numbers into the tank's tickets; `came_c` the temperature of what came, by what it did to
    the tank's, with `came_sd_k` (NaN where unknown). [°C, K]
    """

    start_s: float
    end_s: float
    gain_l: float
    rate_l_per_min: float
    tickets: tuple[int, ...] = ()
    came_c: float = np.nan
    came_sd_k: float = np.nan


@dataclass(frozen=True)
class Tickets:
    """Tickets of one unit: when each was written [s], its litres, its temperature (NaN where not given). Shape (n,)."""

    written_s: Floats
    litres: Floats
    temp_c: Floats

    def some(self, rows: list[int]) -> Tickets:
        """Those of the row numbers given."""
        at = np.array(rows, dtype=np.int64)
        return Tickets(self.written_s[at], self.litres[at], self.temp_c[at])


def tickets_of(deliveries: pl.DataFrame) -> Tickets:
    """The tickets in rows of `deliveries`, in their order."""
    temp = deliveries["ticket_temp_c"].cast(pl.Float64).fill_null(np.nan)
    return Tickets(seconds(deliveries["ts_ticket"]), deliveries["ticket_volume_l"].to_numpy(), temp.to_numpy())


def _bucket_medians(ts_s: Floats, values: Floats, width_s: float) -> tuple[Floats, Floats]:
    key = np.floor(ts_s / width_s).astype(np.int64)
    frame = (
        pl.DataFrame({"key": key, "value": values}).group_by("key", maintain_order=True).agg(pl.col("value").median())
    )
    return frame["key"].to_numpy() * width_s, frame["value"].to_numpy()


def _rises(rise_l: Floats, step_min: Floats, width_s: float) -> list[tuple[int, int]]:
    """First and last bucket of each run of rises, a short pause inside a run allowed; slow ones are each by itself."""
    up = rise_l > np.maximum(RISE_L_PER_MIN * np.minimum(step_min, 15.0), 120.0)
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
    drops = []
    for rising in _rises(rise, step_s / 60.0, width_s):
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
    # Stamps may be off: two readings are taken to lie as far apart as they usually do.
    apart_s = np.maximum(np.diff(ts[start : end + 1]), series.nominal_s)
    rates = np.diff(window[start : end + 1]) / apart_s * 60.0
    came_c, came_sd = _came(series, (low, low + start), (low + end, high))
    return Drop(
        float(ts[start]), float(ts[end]), gain, float(rates.max()) if len(rates) else 0.0,
        came_c=came_c, came_sd_k=came_sd,
    )  # fmt: skip


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


def match_tickets(drops: list[Drop], tickets: Tickets, now_s: float = float("inf")) -> list[Drop]:
    """The drops with their tickets: each ticket goes to one drop at most, one to four tickets to a drop.

    A ticket fits a drop when it was written from `LOADED_BEFORE_S` before it to `ENTERED_AFTER_S` after it. Several
    tickets go to one drop only where no single one fits it and their sum does, or is much nearer, and of such groups it
    gets the one that leaves the least misfit over all; all others are assigned at the least total misfit, where going
    without costs a drop the more the longer its ticket has been due at `now_s`.
    """
    free = set(range(len(tickets.litres)))
    taken: dict[int, tuple[int, ...]] = {}
    for number, drop in enumerate(drops):
        is_near = _is_near(drop, tickets.written_s)
        near = [ticket for ticket in sorted(free) if is_near[ticket]]
        if not near or any(_off(drop, tickets.litres[[ticket]]) < LITRES_FIT for ticket in near):
            continue
        groups = [list(group) for size in (2, 3, 4) for group in combinations(near, size)]
        alone = min(_misfit(drop, tickets.some([ticket])) for ticket in near)
        fitting = [group for group in groups if _fits(drop, tickets.some(group), alone)]
        if fitting:
            others = [one for one in range(len(drops)) if one != number and one not in taken]
            own = {tuple(group): _misfit(drop, tickets.some(group)) for group in fitting}
            likely = sorted(own, key=lambda group: own[group])[:MOST_GROUPS]
            left = {
                group: _assigned(drops, others, sorted(free.difference(group)), tickets, now_s)[1] for group in likely
            }
            taken[number] = min(likely, key=lambda group: own[group] + left[group])
            free -= set(taken[number])
    waiting = [number for number in range(len(drops)) if number not in taken]
    for number, ticket in _assigned(drops, waiting, sorted(free), tickets, now_s)[0]:
        taken[number] = (ticket,)
    return [replace(drop, tickets=taken.get(number, ())) for number, drop in enumerate(drops)]


def _fits(drop: Drop, tickets: Tickets, alone: float) -> bool:
    """Whether tickets together fit a drop: in litres, or so much better than any alone, at a misfit of `alone`."""
    return _off(drop, tickets.litres) < LITRES_FIT or _misfit(drop, tickets) < alone - BETTER_BY


def _assigned(
    drops: list[Drop], waiting: list[int], free: list[int], tickets: Tickets, now_s: float
) -> tuple[list[tuple[int, int]], float]:
    """Pairs of drop and ticket at the least total cost, and that cost; a drop that stays without is left out."""
    if not waiting:
        return [], 0.0
    cost = np.full((len(waiting), len(free) + len(waiting)), 1e6)
    for row, number in enumerate(waiting):
        is_near = _is_near(drops[number], tickets.written_s)
        for column, ticket in enumerate(free):
            if is_near[ticket]:
                cost[row, column] = _misfit(drops[number], tickets.some([ticket]))
        due_h = max(now_s - drops[number].end_s, 0.0) / 3600.0
        cost[row, len(free) + row] = min(0.3 + 0.3 * due_h, NO_TICKET_COST)
    rows, columns = linear_sum_assignment(cost)
    pairs = zip(rows.tolist(), columns.tolist(), strict=True)
    found = [(waiting[row], free[column]) for row, column in pairs if column < len(free)]
    return found, float(cost[rows, columns].sum())


def _off(drop: Drop, ticket_l: Floats) -> float:
    """By how much the tickets miss the drop's litres, as a multiple of what drops usually miss by."""
    total = float(ticket_l.sum())
    return abs(drop.gain_l - total) / (0.02 * total + 30.0)


def _misfit(drop: Drop, tickets: Tickets) -> float:
    """What it costs to give tickets to a drop: litres, hours and temperature that miss, and each further ticket."""
    litres = _off(drop, tickets.litres)
    hours = float(_away_s(drop, tickets.written_s).max()) / 3600.0
    lasted = (drop.end_s - drop.start_s) / 3600.0
    spread = max(float(np.ptp(tickets.written_s)) / 3600.0 - lasted, 0.0)
    loads = len(np.unique(tickets.written_s))
    further = 0.5 * spread + FURTHER_LOAD * (loads - 1) + FURTHER_TICKET * (len(tickets.litres) - loads)
    away = COST_PER_H * min(hours, LATE_H) + COST_PER_LATE_H * max(hours - LATE_H, 0.0)
    return float(np.log1p(litres)) + away + further + _off_k(drop, tickets)


def _off_k(drop: Drop, tickets: Tickets) -> float:
    """What the tickets' temperature costs against the drop's; nothing where either is unknown."""
    loaded_c = float(np.average(tickets.temp_c, weights=tickets.litres)) if (tickets.litres > 0).all() else np.nan
    if not np.isfinite(loaded_c) or not np.isfinite(drop.came_c):
        return 0.0
    return COST_PER_SD * min(abs(loaded_c - drop.came_c) / float(np.hypot(LOADED_K, drop.came_sd_k)), MOST_SDS)


def _is_near(drop: Drop, ticket_s: Floats) -> NDArray[np.bool_]:
    """Whether each ticket was written at a time at which one of the drop may be. Shape of `ticket_s`."""
    return (drop.start_s - ticket_s <= LOADED_BEFORE_S) & (ticket_s - drop.end_s <= ENTERED_AFTER_S)


def _away_s(drop: Drop, ticket_s: Floats) -> Floats:
    """How long before the rise began, or after it ended, each ticket was written. [s]"""
    return np.asarray(np.maximum(np.maximum(drop.start_s - ticket_s, ticket_s - drop.end_s), 0.0))
