"""What a unit's run believed on each trading day, and what its drops brought by that belief."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import DayView
from pipeline.ledger.fleet import Unit
from pipeline.scoring.unit_days import UnitDays

Floats = NDArray[np.float64]

AROUND_DROP_S: Final = 3 * 3600.0
DIPS_AROUND_DROP: Final = 4
TICKET_SHARE: Final = 0.0025
UNKNOWN_TEMP_SHARE: Final = 0.004
DROP_SD_L: Final = 15.0
"""SD of a drop's mismatch with a sound ticket: loading meter and chart by share, more where the ticket gives no
temperature, hoses and waves in litres (common practice, no source)."""


def vcf_at_bounds(days: UnitDays, walked: UnitWalk) -> Floats:
    """Litres at 15 °C of a litre in the tank at each boundary, by the last dip that its run had seen. (n + 1,)"""
    return np.where(days.last_dip >= 0, walked.walk.balance.vcf[np.maximum(days.last_dip, 0)], 1.0)


def day_views(days: UnitDays, walked: UnitWalk) -> list[DayView | None]:
    """What the run of each day believed: the last view of that UTC day or before. None before the first."""
    at = np.array([view.day for view in walked.walk.views])
    places = np.searchsorted(at, days.run_day[1:], "right") - 1
    return [walked.walk.views[place] if place >= 0 else None for place in places]


def coefficients(days: UnitDays, walked: UnitWalk) -> Floats:
    """Base coefficients as each day's run had them, shape (n, p); the prior's before the first view."""
    base = len(walked.walk.balance.names)
    prior = walked.walk.balance.prior.mean[:base]
    return np.array([view.belief.mean[:base] if view else prior for view in day_views(days, walked)]).reshape(-1, base)


def ticket_litres_15(days: UnitDays, unit: Unit, vcf: Floats) -> Floats:
    """Litres at 15 °C of each ticket on the day that it is booked on, nothing elsewhere. Shape (tickets, n). [l]

    A ticket without temperature is taken at the tank's; `vcf` is that of the tank at each boundary, shape (n + 1,).
    """
    litres, own = unit.tickets["ticket_volume_l"].to_numpy(), days.ticket_vcf
    table = np.zeros((len(litres), len(days)))
    for number, rows in enumerate(days.tickets):
        for row in rows:
            table[row, number] = litres[row] * (own[row] if np.isfinite(own[row]) else vcf[number + 1])
    return table


def drop_rises_15_l(days: UnitDays, walked: UnitWalk) -> list[Floats]:
    """What each drop brought on each day, at 15 °C and by the chart as corrected then. Shape (n,) a drop. [l]

    The jump of the stock with sales added back, from the settled dips before to those after; where there is none on
    either side, the drop's own rise.
    """
    balance = walked.walk.balance
    moved = balance.stock_15_l + balance.sold_15_l.sum(axis=1)
    beta = coefficients(days, walked)
    at_s = balance.hours * 3600.0
    edges = np.array([(known.drop.start_s, known.drop.end_s) for known in walked.seen.drops]).reshape(-1, 2)
    found = []
    for number, known in enumerate(walked.seen.drops):
        rise = np.zeros(len(days))
        found.append(rise)
        day = int(days.drop_day[number])
        if not 0 <= day < len(days):
            continue
        low = max(known.drop.start_s - AROUND_DROP_S, edges[number - 1, 1] if number else -np.inf)
        high = min(known.drop.end_s + AROUND_DROP_S, edges[number + 1, 0] if number + 1 < len(edges) else np.inf)
        before = np.flatnonzero((at_s > low) & (at_s < known.drop.start_s))[-DIPS_AROUND_DROP:]
        seen_by = balance.known_day <= days.run_day[day + 1]
        after = np.flatnonzero((at_s > known.drop.end_s) & (at_s < high) & seen_by)[:DIPS_AROUND_DROP]
        if len(before) and len(after):
            columns = balance.columns[after].mean(axis=0) - balance.columns[before].mean(axis=0)
            total = float(moved[after].mean() - moved[before].mean() - columns @ beta[day])
        else:
            place = max(int(days.last_dip[day + 1]), 0)
            total = known.drop.gain_l * float(balance.vcf[place])
        rise += np.diff(_risen_l(total, days, walked, (known.drop.start_s, known.drop.end_s)))
    return found


def _risen_l(total_l: float, days: UnitDays, walked: UnitWalk, span_s: tuple[float, float]) -> Floats:
    """How much of a drop's litres had arrived at each boundary: none, all, or what the gauge saw. (n + 1,)"""
    at, series = days.days.bounds_s, walked.seen.unit.series
    risen = np.where(at >= span_s[1], total_l, 0.0)
    for number in np.flatnonzero((at > span_s[0]) & (at < span_s[1]) & np.isfinite(days.stock_l)):
        start = max(int(np.searchsorted(series.ts_s, span_s[0], "right")) - 1, 0)
        ends = np.array([series.ts_s[start], at[number]]) + days.lag_s[number]
        sold = float(np.diff(days.booked.until_l(ends, np.full(2, np.inf)))[0])
        so_far = float(days.stock_l[number] - series.gauge_l[start]) + sold
        risen[number] = np.clip(so_far * vcf_at_bounds(days, walked)[number], 0.0, max(total_l, 0.0))
    return risen


@dataclass(frozen=True)
class Mismatch:
    """One drop against the tickets that its day's run knew: litres more than ticketed, at 15 °C, and their SD. [l]"""

    day: int
    litres_15: float
    sd_l: float


def known_mismatches(days: UnitDays, walked: UnitWalk) -> list[Mismatch]:
    """The mismatch of each drop that its day's run had seen, with the tickets it then had; others are left out."""
    vcf, unit = vcf_at_bounds(days, walked), walked.seen.unit
    litres = unit.tickets["ticket_volume_l"].to_numpy()
    found = []
    for number, (known, rise) in enumerate(zip(walked.seen.drops, drop_rises_15_l(days, walked), strict=True)):
        day = int(days.drop_day[number])
        tickets = tickets_known(known, int(days.run_day[day + 1])) if 0 <= day < len(days) else ()
        if not tickets:
            continue
        rows = list(tickets)
        factor = days.ticket_vcf[rows]
        told = np.isfinite(factor)
        ticketed = float((litres[rows] * np.where(told, factor, vcf[day + 1])).sum())
        share = TICKET_SHARE if told.all() else float(np.hypot(TICKET_SHARE, UNKNOWN_TEMP_SHARE))
        found.append(Mismatch(day, float(rise.sum()) - ticketed, float(np.hypot(share * ticketed, DROP_SD_L))))
    return found


def tickets_known(known: KnownDrop, run_day: int) -> tuple[int, ...]:
    """The tickets that the run of a UTC day number had for a drop; none where it had not seen the drop."""
    if run_day < known.day:
        return ()
    return known.tickets_then if run_day == known.day else known.drop.tickets
