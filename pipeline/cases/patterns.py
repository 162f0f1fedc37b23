"""Findings of small draws that repeat: enough of them, about one hour of the day, more than there are small gains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.cases.usual_moves import usual_moves
from pipeline.estimate.known import DAY_S
from pipeline.estimate.observe import UnitObserved
from pipeline.features.transit import Move

Floats = NDArray[np.float64]

PATTERN_DRAWS = 3
PATTERN_DAYS_SEEN = 3
"""Draws on fewer days than this are no pattern."""
LIKE_DAYS, LIKE_TIMES = 21, 2.5
"""A draw is like another that came within so many days before it and was neither larger nor smaller by more than that
many times. No source."""
SERIES_DRAWS, SERIES_H = 2, 2.0
"""From so many like draws on other days, so near in hour, a large draw goes on with a series. No source."""
QUIET_DAYS = 10
"""A pattern that has not shown for so many days is over."""
WINDOW_H = (-1.5, 2.0)
"""The hours about the usual one in which draws are looked for that do not stand out."""
PATTERN_SHARE_SD = 0.25
EDGE_DRAWS = 1.5
"""What a pattern's litres may be off by: a share of them, and draws before the first that stood out. No source."""
CALM_DAYS = 28
FEWEST_CALM_DAYS = 5
"""The days before the first draw tell what such hours move by themselves: so many at most, and at least."""


@dataclass(frozen=True)
class Unseen:
    """Draws that do not stand out, one for each day without one that does: when, litres (negative), their variance."""

    at_s: Floats
    litres: Floats
    var_l2: float


def is_like(other: Move, move: Move) -> bool:
    """Whether a draw of about the same size went before another."""
    apart_s, times = move.step.start_s - other.step.start_s, other.step.litres / move.step.litres
    return other is not move and 0 <= apart_s <= LIKE_DAYS * DAY_S and 1.0 / LIKE_TIMES < times < LIKE_TIMES


def goes_on(like: list[Move], move: Move) -> bool:
    """Whether a draw goes on with a series: enough like it went before on other days, at its hour."""
    days = {other.step.start_s // DAY_S for other in like if _is_at_hour_of(other, move)}
    return len(days - {move.step.start_s // DAY_S}) >= SERIES_DRAWS


def _is_at_hour_of(other: Move, move: Move) -> bool:
    apart_h = abs(other.step.start_s - move.step.start_s) % DAY_S / 3600.0
    return min(apart_h, 24.0 - apart_h) <= SERIES_H


def pattern_findings(
    unit: UnitObserved, small: list[Move], gains: list[Move], large: Sequence[Move] = ()
) -> list[Finding]:
    """Runs of draws, three or more, that are a pattern sooner than what the stock does by itself.

    Those of `large` draws that a run goes on with speak for it, and are no part of its litres: they were told before.
    """
    found: list[Finding] = []
    run: list[Move] = []
    for move in [*sorted(small, key=lambda one: one.step.start_s), None]:
        if move is not None and (not run or move.step.start_s - run[-1].step.start_s <= QUIET_DAYS * DAY_S):
            run.append(move)
            continue
        before = [one for one in large if run and is_like(one, run[0]) and _is_at_hour_of(one, run[0])]
        finding = _pattern(unit, run, gains, before)
        if finding is not None:
            found.append(finding)
        run = [move] if move is not None else []
    return found


def _pattern(unit: UnitObserved, run: list[Move], gains: list[Move], before: list[Move]) -> Finding | None:
    told = _told(unit, run, gains, before)
    if told is None:
        return None
    day, log_odds = told
    lasts = unit.unit.series.ts_s[-1] - run[-1].step.end_s < QUIET_DAYS * DAY_S
    unseen = unseen_draws(unit, run, float(unit.unit.series.ts_s[-1]) if lasts else run[-1].step.end_s)
    at_s = np.array([*[move.step.end_s for move in run], *unseen.at_s])
    order = np.argsort(at_s, kind="stable")
    drawn = np.array([*[move.step.litres for move in run], *unseen.litres])[order]
    litres = np.cumsum(drawn)
    at = np.concatenate([[run[0].step.start_s], at_s[order]])
    sd = float(np.sqrt(sum(move.step.sd_l**2 for move in run) + unseen.var_l2))
    return Finding(
        cause="slow_theft",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=unit.unit.members[0],
        day=day,
        start_s=run[0].step.start_s,
        end_s=None if lasts else run[-1].step.end_s,
        litres=float(litres[-1]),
        sd_l=float(np.sqrt(sd**2 + (PATTERN_SHARE_SD * litres[-1]) ** 2 + (EDGE_DRAWS * drawn.min()) ** 2)),
        log_odds=log_odds,
        log_prior=LOG_PRIOR["slow_theft"],
        rival=("tank_leak", 0.0),
        course=Course(at, np.concatenate([[0.0], litres])),
        evidence=_evidence(run),
    )


def _told(unit: UnitObserved, run: list[Move], gains: list[Move], before: list[Move]) -> tuple[int, float] | None:
    """The day that first tells a run's draws as a pattern, and its log odds then; None where they are none."""
    for count in range(max(PATTERN_DRAWS - len(before), 1), len(run) + 1):
        draws = [*before, *run[:count]]
        if len({move.step.start_s // DAY_S for move in draws}) < PATTERN_DAYS_SEEN:
            continue
        day = max(move.day for move in draws)
        usual = usual_moves(unit, gains, day, run[count - 1].step.end_s)
        odds = LOG_PRIOR["slow_theft"] + usual.pattern_log_bayes(draws)
        if odds > RAISE_AT:
            return day, odds
    return None


def _evidence(run: list[Move]) -> tuple[Evidence, ...]:
    hours = [float((move.step.start_s % DAY_S) / 3600.0) for move in run]
    return (
        Evidence("statistic", "draws found", float(len(run))),
        Evidence("statistic", "usual size", float(np.median([-move.step.litres for move in run])), "l"),
        Evidence("statistic", "usual hour, UTC", float(np.median(hours)), "h"),
    )


def unseen_draws(unit: UnitObserved, run: list[Move], until_s: float) -> Unseen:
    """What the usual hours of a pattern lost on its days without a draw that stands out, beyond what they lose anyway.

    Nothing, where the draws of `run` do not come at one hour, the days before are too few to compare with, or the
    hours lost no more than those before.
    """
    nothing = Unseen(np.empty(0), np.empty(0), 0.0)
    hours = np.array([(move.step.start_s % DAY_S) / 3600.0 for move in run])
    turned = np.exp(2j * np.pi * hours / 24.0).mean()
    if abs(turned) < 0.8:
        return nothing
    hour = float(np.angle(turned) / (2 * np.pi) * 24.0)
    first = int(run[0].step.start_s // DAY_S)
    days = np.arange(first - CALM_DAYS, int(until_s // DAY_S) + 1)
    starts: Floats = np.asarray(days * DAY_S + (hour + WINDOW_H[0]) * 3600.0)
    ends: Floats = np.asarray(days * DAY_S + (hour + WINDOW_H[1]) * 3600.0)
    lost = _moved_l(unit, starts, ends)
    told = np.isfinite(lost)
    calm = told & (ends < run[0].step.start_s)
    if calm.sum() < FEWEST_CALM_DAYS:
        return nothing
    usual = float(np.median(lost[calm]))
    scatter = 1.4826 * float(np.median(np.abs(lost[calm] - usual)))
    at_s = np.array([move.step.start_s for move in run])
    seen = ((at_s >= starts[:, None]) & (at_s < ends[:, None])).any(axis=1)
    here = told & ~seen & (starts > run[0].step.start_s) & (ends <= until_s)
    size = float(np.median([move.step.litres for move in run]))
    litres = np.clip(lost[here] - usual, 2.0 * size - scatter, scatter)
    if not here.any() or litres.sum() >= 0.0:
        return nothing
    count = int(here.sum())
    return Unseen(ends[here], litres, scatter**2 * (count + count**2 / int(calm.sum())))


def _moved_l(unit: UnitObserved, starts: Floats, ends: Floats) -> Floats:
    """What the stock, sales added back, moved from each start to its end; NaN across drops and gaps. Shape (n,). [l]"""
    moves = unit.moves
    moved, ts = moves.moved_l(), moves.ts_s
    low, high = np.searchsorted(ts, starts), np.searchsorted(ts, ends)
    out = np.full(len(starts), np.nan)
    for number, (first, last) in enumerate(zip(low.tolist(), high.tolist(), strict=True)):
        if last - first < 4 or moves.in_drop[first:last].any() or np.diff(ts[first:last]).max() > moves.gap_s:
            continue
        if ts[first] - starts[number] < moves.gap_s and ends[number] - ts[last - 1] < moves.gap_s:
            out[number] = float(moved[last - 2 : last].mean() - moved[first : first + 2].mean())
    return out
