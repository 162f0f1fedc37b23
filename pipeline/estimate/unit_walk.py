"""From what was observed of a unit to its balance and its walk."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimate.design import (
    FREE_L2,
    TICKET_SD_L,
    TICKET_SHARE_SD,
    Balance,
    Delivered,
    balance_of,
    chart_changes_s,
)
from pipeline.estimate.known import DAY_S, HOLD_BACK_S, first_seen_s, known_day, seen_day, used_lag_s
from pipeline.estimate.noise import dip_noise, odd_shifts
from pipeline.estimate.observe import KnownDrop, UnitObserved
from pipeline.estimate.walk import Amendment, walk_days
from pipeline.estimate.walked import Walk
from pipeline.estimate.whiten import Noise
from pipeline.features.transit import is_jump, is_large, moves_of_steps
from pipeline.ledger.dips import Dips, settled_dips
from pipeline.ledger.fleet import Unit
from pipeline.ledger.gauge import seconds
from pipeline.physics.products import product_vcf

Floats = NDArray[np.float64]

UNKNOWN_TEMP_SHARE = 0.006
"""SD of a ticket's litres at 15 °C whose temperature is not known, as a share: some 3 K (common practice)."""
USUAL_READINGS = 2000
"""By so many of the tank's temperatures before it a ticket without one is brought to 15 °C."""
MOST_SHIFTS = 6
EDGE_S = 300.0
"""A sale this soon after a reading keeps it from being calm."""
EPOCH = date(1970, 1, 1)


@dataclass(frozen=True)
class UnitWalk:
    """A unit as observed, its dips, their noise, and the walk through its days.

    `judged` are the places in `seen.drops` of the drops that the walk judged, in the order of their hypotheses.
    """

    seen: UnitObserved
    dips: Dips
    noise: Noise
    walk: Walk
    judged: tuple[int, ...]


def ticket_15_l(unit: Unit, tickets: tuple[int, ...]) -> tuple[float, float]:
    """Litres at 15 °C of a drop's tickets and their SD; as ticketed where the tank has no thermometer. [l]"""
    rows = unit.tickets[list(tickets)]
    volume = rows["ticket_volume_l"].to_numpy()
    temp = rows["ticket_temp_c"].cast(pl.Float64).to_numpy()
    told = np.isfinite(unit.series.temp_c)
    before = int(np.searchsorted(unit.series.ts_s[told], seconds(rows["ts_ticket"]).min(initial=np.inf)))
    measured = unit.series.temp_c[told][max(before - USUAL_READINGS, 0) : max(before, 1)]
    if not len(measured):
        return float(volume.sum()), float(np.hypot(UNKNOWN_TEMP_SHARE * volume.sum(), TICKET_SD_L))
    known, usual = np.isfinite(temp), float(np.median(measured))
    factor = np.asarray(product_vcf(unit.product, np.clip(np.where(known, temp, usual), -20.0, 40.0)))
    share = np.where(known, TICKET_SHARE_SD, np.hypot(TICKET_SHARE_SD, UNKNOWN_TEMP_SHARE))
    return float((volume * factor).sum()), float(np.hypot(np.sqrt(((share * volume) ** 2).sum()), TICKET_SD_L))


def delivered_of(unit: Unit, drops: list[KnownDrop]) -> Delivered:
    """Ticketed litres of each drop; one without ticket may have brought anything."""
    tickets = [known.drop.tickets for known in drops]
    litres = [ticket_15_l(unit, mine) if mine else (0.0, FREE_L2**0.5) for mine in tickets]
    hours = np.array([known.drop.start_s / 3600.0 for known in drops])
    values = np.array(litres).reshape(len(drops), 2)
    return Delivered(hours, values[:, 0], values[:, 1])


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


def jump_hours(seen: UnitObserved) -> Floats:
    """When the stock may take any value: at each sudden move, after stuck readings and at a new chart. [h]"""
    at: list[float] = []
    for start_s, end_s in step_holes(seen):
        at += [start_s, end_s - 1.0]
    at += [span.end_s for span in seen.stuck]
    at += chart_changes_s(seen.unit).tolist()
    return np.array(sorted(at)) / 3600.0


def shift_hours(seen: UnitObserved) -> Floats:
    """From when the gauge reads off after each jump, the first `MOST_SHIFTS` of them. [h]

    A large fall between two neighbouring readings may be a jump too, where these are far apart.
    """
    series = seen.unit.series
    moves = [move for move in moves_of_steps(series, seen.flows, seen.steps) if is_large(series, move)]
    jumps = [move for move in moves if is_jump(move) or move.samples == 0]
    at = [max(move.step.end_s, first_seen_s(move.day, seen.lags)) for move in jumps[:MOST_SHIFTS]]
    return np.array(at, dtype=np.float64) / 3600.0


def amendments_of(seen: UnitObserved, dips: Dips) -> tuple[Amendment, ...]:
    """Unbooked litres, by the day that first sees them, spread over their spans; less what was found as sudden."""
    by_day: dict[int, Floats] = {}
    for one in seen.unbooked:
        drawn = sum(
            -step.litres
            for day, step in seen.steps
            if step.litres < 0 and one.start_s - 600 <= step.start_s <= one.end_s and day <= known_day(one.end_s)
        )
        left = max(one.litres - drawn, 0.0)
        course = left * np.clip((dips.ts_s - one.start_s) / max(one.end_s - one.start_s, 1.0), 0.0, 1.0)
        day = known_day(one.end_s)
        by_day[day] = by_day.get(day, np.zeros(len(dips))) + course
    return tuple(Amendment(day, by_day[day]) for day in sorted(by_day))


def walk_unit(seen: UnitObserved) -> UnitWalk | None:
    """The walk of one unit; None where it has too few settled dips to speak of a balance."""
    holes = [*step_holes(seen), *edge_holes(seen)]
    dips = settled_dips(seen.unit.series, seen.flows, [known.drop for known in seen.drops], holes)
    if len(dips) < 8:
        return None
    balance: Balance = balance_of(
        seen.unit,
        dips,
        [known.drop for known in seen.drops],
        delivered_of(seen.unit, seen.drops),
        jump_hours(seen),
        shift_hours(seen),
    )
    balance = replace(balance, known_day=_known_days(dips, seen))
    series = seen.unit.series
    noise = dip_noise(balance, dips, seen.unit.product, series.level_mm, read_s=series.ts_s)
    jump_var = balance.jump_var_l2 + FREE_L2 * odd_shifts(balance, noise)
    judged_day = _judged_days(balance.known_day, dips, seen)
    balance = replace(balance, jump_var_l2=jump_var, known_day=judged_day)
    months = {int(day): month_start(int(day)) for day in np.unique(balance.known_day)}
    judged = [place for place, known in enumerate(seen.drops) if known.drop.tickets]
    after = [int(np.searchsorted(dips.ts_s, seen.drops[place].drop.start_s, "right")) for place in judged]
    kept = [(place, dip) for place, dip in zip(judged, after, strict=True) if dip < len(dips)]
    walk = walk_days(
        balance, noise, months, drop_dips=tuple(dip for _, dip in kept), amendments=amendments_of(seen, dips)
    )
    return UnitWalk(seen, dips, noise, walk, tuple(place for place, _ in kept))


def _known_days(dips: Dips, seen: UnitObserved) -> NDArray[np.int64]:
    """UTC day number whose run first sees each dip; those after a drop wait for the day that sees it. Shape (k,)."""
    waits = np.array([seen_day(float(at_s), seen.lags) for at_s in dips.ts_s], dtype=np.int64)
    for known in seen.drops:
        after = dips.ts_s >= known.drop.start_s
        waits[after] = np.maximum(waits[after], known.day)
    return waits


def _judged_days(known_day: NDArray[np.int64], dips: Dips, seen: UnitObserved) -> NDArray[np.int64]:
    """UTC day number whose run judges each dip, shape (k,).

    After a drop whose ticket is late that is a day later: then it has come, or the drop has none.
    """
    judged = known_day.copy()
    for known in seen.drops:
        after = dips.ts_s >= known.drop.start_s
        judged[after] = np.maximum(judged[after], known.day + (not known.tickets_then))
    return judged


def month_start(day: int) -> int:
    """Day number on which the UTC month of a day number began."""
    return (EPOCH + timedelta(days=day)).replace(day=1).toordinal() - EPOCH.toordinal()
