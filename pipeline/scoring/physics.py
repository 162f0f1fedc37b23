"""How odd a trading day is to the balance: one number a day, from what the day's run knew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.hypotheses import RATES
from pipeline.estimate.observe import UnitObserved
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import DayView, Named
from pipeline.features.steps import Step
from pipeline.scoring.drop_rises import day_views, known_mismatches, tickets_known
from pipeline.scoring.member_days import MemberDays, change_since_known, rise_within_week
from pipeline.scoring.unit_days import UnitDays, was_stuck
from pipeline.scoring.variance_parts import Parts

Floats = NDArray[np.float64]

ANOMALOUS_AT: Final = 4.0
"""Score from which a day is anomalous: log odds of some fifty to one that something out of the ordinary moved it."""
HIGHEST: Final = 50.0
SURPRISE_LOG_PRIOR: Final = -9.0
STEP_LOG_PRIOR: Final = -24.0
"""A sudden move is the highest of some thousand a day, so chance and waves alone show scores of five to six."""
SAME_MOVE_S: Final = 3600.0
DROP_LOG_PRIOR: Final = -5.0
"""Log odds of such a thing on a day before its data. No source; set with the false alarms of sound fleets in view."""
LIQUID_LOG_PRIOR: Final = -9.0
WATER_SD_MM: Final = 1.0
DENSITY_SD_KG_M3: Final = 1.2
"""Spread of a week's rise of the water and of a day's turn of the density, by the float and the drops. No source."""
OBSERVED_LOG_ODDS: Final = 8.0
"""What is seen outright: a gauge that stands still, a drop without a ticket, sales that leave another tank."""
CLOCK_S: Final = 120.0
"""Clocks further apart than this are out of the ordinary. No source; a few seconds to a minute are common."""
FEWEST_DIPS: Final = 6
FEWEST_DAYS: Final = 7
SCATTER_SHARE: Final = 0.6
"""How much of the scatter's excess over chance counts: its tail is longer than a normal one. No source."""
WRONG_FEED_L: Final = 100.0
MISSING_SALES_L: Final = 20.0
"""Litres of a day from which sales on the wrong tank, or on none, are out of the ordinary. No source."""


def physics_scores(
    days: UnitDays,
    seen: UnitObserved,
    walked: UnitWalk | None,
    parts: Parts,
    *,
    members: Iterable[MemberDays],
) -> Floats:
    """Log odds that something out of the ordinary moved the tank on each day, shape (n,): high is odd.

    The highest of what several views of the day say: a hypothesis weighed against none, a named rate still at work,
    the settled dips' surprise as a whole, the strongest sudden move, a drop that does not fit its ticket, and what is
    seen outright. NaN where the day is not over or nothing settled on it.
    """
    if walked is None:
        return np.full(len(days), np.nan)
    views = day_views(days, walked)
    scores = np.column_stack(
        [
            _hypotheses(views),
            _named(days, walked, views),
            surprise_scores(days, walked),
            _steps(days, seen),
            _drops(days, walked),
            _observed(days, seen, parts),
            _liquids(days, members),
        ]
    )
    settled = np.diff(days.last_dip) >= FEWEST_DIPS
    best = np.clip(np.nanmax(scores, axis=1), -HIGHEST, HIGHEST)
    return np.where(days.is_over & settled, best, np.nan)


def _hypotheses(views: Sequence[DayView | None]) -> Floats:
    """Log odds of the likeliest hypothesis that is not named yet."""
    return np.array([max(view.odds.values(), default=-HIGHEST) if view else -HIGHEST for view in views])


def _named(days: UnitDays, walked: UnitWalk, views: Sequence[DayView | None]) -> Floats:
    """Log odds at which a rate was named, on each day on which it is two standard errors from none."""
    out = np.full(len(days), -HIGHEST)
    for number, view in enumerate(views):
        for named in walked.walk.named if view is not None else ():
            if view is not None and _is_at_work(named, view, len(walked.walk.balance.names)):
                out[number] = max(out[number], named.log_odds)
    return out


def _is_at_work(named: Named, view: DayView, base: int) -> bool:
    """Whether a rate that was named by then is two standard errors from none."""
    places = [place for place, _ in named.pieces if place < base + len(view.pieces)]
    if not places or named.hypothesis.cause not in RATES:
        return False
    total = float(view.belief.mean[places].sum())
    spread = float(np.sqrt(max(view.belief.cov[np.ix_(places, places)].sum(), 1e-18)))
    return abs(total) > 2.0 * spread


def surprises(days: UnitDays, walked: UnitWalk) -> list[Floats]:
    """The surprises of the dips that settled on each day, in SDs, as its run had them. A list of n arrays."""
    every = np.concatenate([view.surprise for view in walked.walk.views]) if walked.walk.views else np.empty(0)
    edges = days.last_dip + 1
    return [every[low:high] for low, high in pairwise(edges)]


def surprise_scores(days: UnitDays, walked: UnitWalk) -> Floats:
    """Log odds against chance of a day's surprises: of their sum or of their scatter, whichever is odder. (n,)"""
    out = np.full(len(days), -HIGHEST)
    totals: list[float] = []
    for number, values in enumerate(surprises(days, walked)):
        if len(values) < FEWEST_DIPS:
            continue
        held = np.clip(values, -4.0, 4.0)
        total = float(held.sum()) / np.sqrt(len(held))
        scatter = max((float((held**2).sum()) - len(held)) / np.sqrt(2.0 * len(held)), 0.0)
        # While the coefficients are uncertain they push a day's dips all one way, so the days before give the scale.
        if len(totals) >= FEWEST_DAYS:
            scale = max(1.0, float(np.sqrt(np.mean(np.minimum(np.square(totals[-30:]), 9.0)))))
            out[number] = SURPRISE_LOG_PRIOR + 0.5 * max((total / scale) ** 2, (SCATTER_SHARE * scatter) ** 2)
        totals.append(total)
    return out


def _liquids(days: UnitDays, members: Iterable[MemberDays]) -> Floats:
    """Log odds of water that rises within a week, or a density that turns overnight, more than in a sound tank."""
    far = np.zeros(len(days))
    for member in members:
        rise = rise_within_week(member.water_mm) / WATER_SD_MM
        turn = np.abs(change_since_known(member.density_15_kg_m3)) / DENSITY_SD_KG_M3
        far = np.maximum(far, np.nan_to_num(np.fmax(rise, turn)))
    return LIQUID_LOG_PRIOR + 0.5 * np.clip(far, 0.0, 10.0) ** 2


def _steps(days: UnitDays, seen: UnitObserved) -> Floats:
    """Log odds of the strongest sudden move that ended on each day.

    Moves that follow each other within `SAME_MOVE_S` count by what is left of them together: litres that leave and
    come back are a meter's test or a sale that the till put down at another time.
    """
    out = np.full(len(days), -HIGHEST)
    ends = days.days.index_of(np.array([step.end_s for _, step in seen.steps]))
    for number in np.unique(ends[(ends >= 0) & (ends < len(days))]).tolist():
        run_day = int(days.run_day[number + 1])
        known = [step for (day, step), at in zip(seen.steps, ends, strict=True) if at == number and day <= run_day]
        for group in grouped_steps(known, SAME_MOVE_S):
            spread = float(np.sqrt(sum(step.sd_l**2 for step in group)))
            z = abs(sum(step.litres for step in group)) / max(spread, 1e-9)
            out[number] = max(out[number], STEP_LOG_PRIOR + 0.5 * min(z, 20.0) ** 2)
    return out


def grouped_steps(steps: Sequence[Step], within_s: float) -> list[list[Step]]:
    """Sudden moves in order of time, those together that follow each other within so many seconds."""
    groups: list[list[Step]] = []
    for step in sorted(steps, key=lambda one: one.start_s):
        if groups and step.start_s <= max(one.end_s for one in groups[-1]) + within_s:
            groups[-1].append(step)
        else:
            groups.append([step])
    return groups


def _drops(days: UnitDays, walked: UnitWalk) -> Floats:
    """Log odds of the day's drops against their tickets, whatever they are put down to."""
    out = np.full(len(days), -HIGHEST)
    for one in known_mismatches(days, walked):
        odd = min(abs(one.litres_15) / one.sd_l, 9.0)
        out[one.day] = max(out[one.day], DROP_LOG_PRIOR + 0.5 * odd**2)
    return out


def _observed(days: UnitDays, seen: UnitObserved, parts: Parts) -> Floats:
    """What needs no weighing: stuck readings, drops without a ticket, wrong feeds, lost sales, clocks apart."""
    found = np.abs(days.lag_s[1:]) >= CLOCK_S
    for name, least_l in (("wrong_feed", WRONG_FEED_L), ("missing_sales", MISSING_SALES_L)):
        if name in parts:
            found |= np.nan_to_num(np.abs(parts[name])) >= least_l
    at, run_day = days.days.bounds_s, days.run_day[1:]
    for span in seen.stuck:
        for day in np.flatnonzero((at[:-1] < span.end_s) & (at[1:] > span.start_s)):
            found[day] |= was_stuck(span, seen, int(run_day[day]))
    for known, day in zip(seen.drops, days.drop_day.tolist(), strict=True):
        # A ticket may come until the end of the next UTC day.
        if 0 <= day < len(days) and known.day < run_day[day]:
            found[day] |= not tickets_known(known, int(run_day[day]))
    return np.where(found, OBSERVED_LOG_ODDS, -HIGHEST)
