"""From what was observed of a unit to its balance and its walk."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_columns import chart_changes_s
from pipeline.estimate.design import FREE_L2, Balance, Delivered, balance_of
from pipeline.estimate.known import DAY_S, HOLD_BACK_S, clock_changed, first_seen_s, known_day, used_lag_s
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.learned import learned_noise
from pipeline.estimate.noise import dip_noise, odd_shifts, with_blends
from pipeline.estimate.observe import UnitObserved
from pipeline.estimate.past import Shelves
from pipeline.estimate.tickets import mixing_of, tickets_15_l
from pipeline.estimate.untold import with_untold_temperature
from pipeline.estimate.walk import walk_days
from pipeline.estimate.walk_state import NO_PAST, Amendment, Given, WalkPast
from pipeline.estimate.walked import Walk
from pipeline.estimate.warmth import is_told
from pipeline.estimate.whiten import Noise
from pipeline.features.transit import is_jump, is_large, moves_of_steps
from pipeline.ledger.dips import Dips, settled_dips
from pipeline.ledger.drops import Drop
from pipeline.ledger.fleet import Unit
from pipeline.ledger.gauge import REFERENCE_TEMP_C, seconds

Floats = NDArray[np.float64]

MOST_SHIFTS = 6
"""After so many jumps a gauge is sick, and no further offset is asked for. No source."""
UNNAMED = "unnamed"
EDGE_S = 300.0
"""A sale this soon after a reading keeps it from being calm."""
CLOCK_MOVED_S = 600.0
"""From one day to the next clocks that move by less put no more than a few sales on the wrong side of midnight."""
BEFORE_H = 1e-3
"""A jump so long before a dip is felt at it and at none before. [h]"""
EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class UnitWalk:
    """A unit as observed, its dips, their noise, and the walk through its days.

    `judged` are the places in `seen.drops` of the drops that the walk judged, in the order of their hypotheses; `past`
    what to keep of the walk.
    """

    seen: UnitObserved
    dips: Dips
    noise: Noise
    walk: Walk
    judged: tuple[int, ...]
    past: WalkPast = NO_PAST


def delivered_of(unit: Unit, drops: list[KnownDrop]) -> Delivered:
    """Ticketed litres of each drop; one without ticket may have brought anything."""
    named = unit.tickets["terminal"].fill_null(UNNAMED).to_list()
    volume = unit.tickets["ticket_volume_l"].to_numpy()
    temp_c = unit.tickets["ticket_temp_c"].cast(float).to_numpy().astype(np.float64)
    loaded_l = np.where(np.isfinite(temp_c), 0.0, volume)
    warm_lk = volume * np.nan_to_num(temp_c - REFERENCE_TEMP_C)
    terminals = tuple(sorted({named[ticket] for known in drops for ticket in known.drop.tickets}))
    litres, shrunk = np.zeros((len(drops), 2)), np.zeros((len(drops), len(terminals)))
    for number, drop in enumerate(known.drop for known in drops):
        each, sd = tickets_15_l(unit, drop.tickets, mixing_of(unit, drop))
        litres[number] = (each.sum(), sd) if drop.tickets else (0.0, FREE_L2**0.5)
        for ticket, litres_15 in zip(drop.tickets, each, strict=True):
            shrunk[number, terminals.index(named[ticket])] += volume[ticket] - litres_15
    hours = np.array([known.drop.start_s / 3600.0 for known in drops])
    loaded, warm = (np.array([each[list(known.drop.tickets)].sum() for known in drops]) for each in (loaded_l, warm_lk))
    return Delivered(hours, litres[:, 0], litres[:, 1], shrunk, terminals, loaded, warm)


def step_holes(seen: UnitObserved) -> list[tuple[float, float]]:
    """Each sudden move's span with ten minutes either side, no earlier than what its day is first to see. [s]"""
    least = {day: first_seen_s(day, seen.lags) for day, _ in seen.steps}
    return [(max(step.start_s - 600.0, least[day]), max(step.end_s + 600.0, least[day])) for day, step in seen.steps]


def edge_holes(seen: UnitObserved) -> list[tuple[float, float]]:
    """The last minutes of each day whose till was ahead: which sales fall there, only the next day's run knows. [s]"""
    return [
        (first_seen_s(day + 1, seen.lags) - EDGE_S, (day + 1) * DAY_S - HOLD_BACK_S)
        for day, lag in seen.lags.items()
        if used_lag_s(lag) > 0.0
    ]


def clock_holes(seen: UnitObserved) -> list[tuple[float, float]]:
    """Days on which the clocks moved, and the beginning of a day that is corrected otherwise than the day before. [s]

    Their sales stand at the wrong time, and what seems missing then is not.
    """
    holes = []
    for day in seen.lags:
        start_s = first_seen_s(day, seen.lags)
        apart_s = abs(used_lag_s(seen.lags[day]) - used_lag_s(seen.lags.get(day - 1)))
        if apart_s > CLOCK_MOVED_S:
            holes.append((start_s, start_s + apart_s))
        elif clock_changed(seen.lags, day):
            holes.append((start_s, first_seen_s(day + 1, seen.lags)))
    return holes


def jump_hours(seen: UnitObserved) -> Floats:
    """When the stock may take any value: at a sudden move, after stuck readings, at a new chart, probe or clock. [h]"""
    at: list[float] = [end_s for start_s, end_s in clock_holes(seen) if end_s - start_s < DAY_S / 2.0]
    for start_s, end_s in step_holes(seen):
        at += [start_s, end_s - 1.0]
    at += [first_seen_s(day + 1, seen.lags) for day, lag in seen.lags.items() if lag.is_silent]
    at += [span.end_s for span in seen.stuck]
    at += [*chart_changes_s(seen.unit).tolist(), *exchanges_s(seen.unit)]
    return np.array(sorted(at)) / 3600.0


def exchanges_s(unit: Unit) -> list[float]:
    """When a probe was exchanged, by the site's record. [s]"""
    return [float(at) for at in seconds(unit.events.filter(unit.events["kind"] == "probe_replaced")["ts"])]


def shift_hours(seen: UnitObserved) -> Floats:
    """From when the gauge reads off after each jump, the first `MOST_SHIFTS` of them, and after a probe's exchange. [h]

    A large fall between two neighbouring readings may be a jump too, where these are far apart.
    """
    series = seen.unit.series
    moves = [move for move in moves_of_steps(series, seen.flows, seen.steps) if is_large(series, move)]
    jumps = [move for move in moves if is_jump(move) or move.samples == 0]
    at = [max(move.step.end_s, first_seen_s(move.day, seen.lags)) for move in jumps[:MOST_SHIFTS]]
    return np.array(sorted([*at, *exchanges_s(seen.unit)]), dtype=np.float64) / 3600.0


def amendments_of(seen: UnitObserved, dips: Dips) -> tuple[Amendment, ...]:
    """Unbooked litres, by the day that first sees them, spread over their spans; less what was found as sudden."""
    by_day: dict[int, Floats] = {}
    for one in seen.unbooked:
        day = known_day(one.known_s)
        drawn = sum(
            -step.litres
            for seen_on, step in seen.steps
            if step.litres < 0 and one.start_s - 600 <= step.start_s <= one.end_s and seen_on <= day
        )
        left = max(one.litres - drawn, min(one.litres, 0.0))
        course = left * np.clip((dips.ts_s - one.start_s) / max(one.end_s - one.start_s, 1.0), 0.0, 1.0)
        by_day[day] = by_day.get(day, np.zeros(len(dips))) + course
    return tuple(Amendment(day, by_day[day]) for day in sorted(by_day))


def walk_unit(seen: UnitObserved, shelves: Shelves | None = None) -> UnitWalk | None:
    """The walk of one unit, on from what was kept of it; None where it has too few settled dips to be a balance."""
    shelves = shelves or Shelves()
    holes = [*step_holes(seen), *edge_holes(seen), *clock_holes(seen)]
    dips = settled_dips(seen.unit.series, seen.flows, [known.drop for known in seen.drops], holes)
    if len(dips) < 8:
        return None
    delivered, drops = delivered_of(seen.unit, seen.drops), [known.drop for known in seen.drops]
    told = _is_told(dips, drops)
    # Where nobody tells the temperature all is taken as at 15 °C: the stock jumps where that begins and ends.
    turns_h = dips.ts_s[np.flatnonzero(np.diff(told)) + 1] / 3600.0 - BEFORE_H
    as_told = replace(dips, temp_c=np.where(told, dips.temp_c, REFERENCE_TEMP_C))
    jumps_h = np.sort(np.concatenate([jump_hours(seen), turns_h]))
    balance: Balance = balance_of(seen.unit, as_told, drops, delivered, jumps_h, shift_hours(seen))
    balance = with_untold_temperature(balance, delivered, seen.unit, told)
    balance = replace(balance, known_day=_known_days(dips, seen))
    noise = dip_noise(balance, dips, seen.unit.product, tuple(seen.reporting.values()), told)
    noise = learned_noise(balance, with_blends(noise, balance, seen.blended), shelves.habits)
    jump_var = balance.jump_var_l2 + FREE_L2 * odd_shifts(balance, noise)
    judged_day = _judged_days(balance.known_day, dips, seen)
    balance = replace(balance, jump_var_l2=jump_var, known_day=judged_day)
    months = {int(day): month_start(int(day)) for day in np.unique(balance.known_day)}
    judged = [place for place, known in enumerate(seen.drops) if known.drop.tickets]
    after = [int(np.searchsorted(dips.ts_s, seen.drops[place].drop.start_s, "right")) for place in judged]
    kept = [(place, dip) for place, dip in zip(judged, after, strict=True) if dip < len(dips)]
    given = Given(balance, noise, months, tuple(dip for _, dip in kept), amendments_of(seen, dips))
    walk, so_far = walk_days(given, shelves.walk(seen.unit.unit_id))
    return UnitWalk(seen, dips, noise, walk, tuple(place for place, _ in kept), so_far)


def _is_told(dips: Dips, drops: list[Drop]) -> NDArray[np.bool_]:
    """Whether a thermometer told the temperature of each dip, or did lately. Shape (k,)."""
    dropped = np.zeros(len(dips), dtype=bool)
    after = np.searchsorted(dips.ts_s, [drop.end_s for drop in drops])
    dropped[after[after < len(dips)]] = True
    return is_told(dips.temp_c, dips.ts_s / 3600.0, dropped)


def _known_days(dips: Dips, seen: UnitObserved) -> NDArray[np.int64]:
    """UTC day number whose run first sees each dip; those after a drop wait for the day that sees it. Shape (k,)."""
    days, place = np.unique(((dips.ts_s + HOLD_BACK_S) // DAY_S).astype(np.int64), return_inverse=True)
    next_s = np.array([first_seen_s(int(day) + 1, seen.lags) for day in days])
    waits = days[place] + (dips.ts_s >= next_s[place])
    for known in seen.drops:
        after = int(np.searchsorted(dips.ts_s, known.drop.start_s))
        waits[after:] = np.maximum(waits[after:], known.day)
    return waits


def _judged_days(known_day: NDArray[np.int64], dips: Dips, seen: UnitObserved) -> NDArray[np.int64]:
    """UTC day number whose run judges each dip, shape (k,).

    After a drop whose ticket is late that is a day later: then it has come, or the drop has none.
    """
    judged = known_day.copy()
    for known in seen.drops:
        after = int(np.searchsorted(dips.ts_s, known.drop.start_s))
        judged[after:] = np.maximum(judged[after:], known.day + (not known.tickets_then))
    return judged


def month_start(day: int) -> int:
    """Day number on which the UTC month of a day number began."""
    return (EPOCH + timedelta(days=day)).replace(day=1).toordinal() - EPOCH.toordinal()
