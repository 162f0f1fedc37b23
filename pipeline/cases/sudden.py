"""Findings from sudden moves: a draw, a pattern of draws, or a gauge that jumped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Course, Evidence, Finding
from pipeline.cases.patterns import PATTERN_DRAWS, goes_on, is_like, pattern_findings
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.cases.usual_moves import usual_moves
from pipeline.estimate.chart_columns import chart_changes_s
from pipeline.estimate.known import clock_changed, first_seen_s, known_day, seen_day
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.estimate.unit_walk import exchanges_s
from pipeline.features.booked import booked_before, booked_l
from pipeline.features.service import is_within, out_of_service_s
from pipeline.features.sold_share import with_share, with_stamp_doubt
from pipeline.features.steps import Z_FOUND, Step
from pipeline.features.transit import (
    JUMP_SDS,
    Move,
    drawn_share,
    is_jump,
    is_large,
    lone_member,
    moved_mm,
    moves_of_steps,
    surface_l_per_mm,
)
from pipeline.ledger.drops import Drop

Floats = NDArray[np.float64]

BULK_L = 70.0
"""A single draw of this much is a bulk draw; smaller ones count only in a pattern. No source."""
WAITS_L = 300.0
"""A smaller draw while a hose sells may be a sale that was not booked: it waits a day for the totalisers. No source."""
SMALLEST_DRAW_L = 3.0
RETURN_S = 1500.0
PAIR_S = 3 * 3600.0
GAIN_DAYS = 3
MIRROR_S = 300.0
MIRROR_LOW = 0.6
"""Moves of two tanks within so long are one, when neither is less than this share of the other."""
SLOWEST_DRAW_L_PER_MIN = 2.0
"""Less than a hand pump gives. No source."""
PIECES_S = 3 * 3600.0
"""Draws that follow so soon are one matter: a lorry that comes twice, or sales that were not booked. No source."""
BACK_SHARE = 0.1
"""A gauge that jumped comes back by as many millimetres, but for this share. No source."""
REPLACED_S = 2 * 3600.0
"""A gauge that steps so near a replacement on record was put right then. No source."""
HOUR_S = 3600.0
"""A sale that stands for so long is one of the hour that a clock change repeats, or a hose left open."""
BOOKED_S = 2 * 3600.0
"""A till's clock may be off by an hour, and a sale stands at one of its ends."""


def sudden_findings(site: SiteObserved, moves_of: dict[str, list[Move]]) -> list[Finding]:
    """Bulk draws, patterns of small draws and jumps of the gauge, from each unit's unexplained moves."""
    found = []
    for unit in site.units:
        moves = [move for move in moves_of[unit.unit.unit_id] if not move.undone]
        back = [move for move in moves if _puts_right(unit, move, moves)]
        told = [(move, _alone(unit, move.step, move.day)) for move in moves if move not in back]
        jumps = [(move, member) for move, member in told if _is_of_gauge(unit, move, member)]
        draws = [move for move, member in told if not is_jump(move) and member is None and move.step.litres < 0]
        gains = [move for move in moves_of[unit.unit.unit_id] if move.step.litres > 0 and not is_jump(move)]
        bulk, small = _sorted_out([move for move in draws if _is_quick(move) and not _beside_gain(move, gains)])
        found += [one for pieces in _together(bulk) if (one := _bulk(unit, pieces, gains)).log_odds > RAISE_AT]
        large = [move for move in (*bulk, *small) if -move.step.litres >= BULK_L]
        found += pattern_findings(unit, small, [move for move in moves if move.step.litres > 0], large)
        found += [_jump(unit, move, member or unit.unit.members[0], gains, back) for move, member in jumps]
        found += _lone_rises(unit)
    return found


def _lone_rises(unit: UnitObserved) -> list[Finding]:
    """Gauges of joined tanks that jumped up alone by as much as a small drop, but for one that was just replaced."""
    found = []
    for known in unit.drops:
        step = _as_step(known.drop)
        member = None if known.tickets_then else _alone(unit, step, known.day)
        if member is not None and not _was_replaced(unit, step):
            move = Move(known.day, step, step.end_s - step.start_s, 0, unit.unit.series.nominal_s)
            found.append(_jump(unit, move, member, [], []))
    return found


def _is_of_gauge(unit: UnitObserved, move: Move, alone: str | None) -> bool:
    """Whether a move is plainly a jump of the gauge: by its pace, or as it stands in one of joined tanks alone."""
    is_plain = is_jump(move) and is_large(unit.unit.series, move)
    return is_plain or (alone is not None and abs(move.step.z) > JUMP_SDS)


def is_lone_rise(unit: UnitObserved, known: KnownDrop) -> bool:
    """Whether a rise of joined tanks stands in one of them alone, as its day's run knows."""
    return _alone(unit, _as_step(known.drop), known.day) is not None


def _as_step(drop: Drop) -> Step:
    sd = 12.0 + 0.004 * drop.gain_l
    return Step(drop.start_s, drop.end_s, drop.end_s, drop.gain_l, sd, drop.gain_l / sd, at_rest=False)


def _alone(unit: UnitObserved, step: Step, day: int) -> str | None:
    """The joined tank that alone shows a move, as the run of a UTC day number knows."""
    place = lone_member(unit.unit.member_series, step, first_seen_s(day + 1, unit.lags))
    return None if place is None else unit.unit.members[place]


def _was_replaced(unit: UnitObserved, step: Step) -> bool:
    return any(abs(at - step.end_s) < REPLACED_S for at in exchanges_s(unit.unit))


def unexplained_moves(site: SiteObserved, unit: UnitObserved, returns_s: Floats) -> list[Move]:
    """Steps that no clock, totaliser, test return, new chart, sick gauge or works on the tank explain, nor their sales.

    `returns_s` are the times of the unit's test returns (drawn and poured back). [s]
    """
    kept: list[Move] = []
    charts, idle = chart_changes_s(unit.unit), out_of_service_s(unit.unit.events)
    moved_l = unit.moves.moved_l()
    for seen, step in unit.steps:
        if clock_changed(unit.lags, seen) or _is_noisy(unit, seen):
            continue
        day = _judged_day(seen, step)
        if is_within(idle, step.start_s) or (len(charts) and np.abs(charts - step.start_s).min() < 3600.0):
            continue
        if np.any((returns_s > step.start_s - RETURN_S) & (returns_s < max(step.end_s, step.start_s + RETURN_S))):
            continue
        if step.litres < 0 and any(
            one.start_s - 900 <= step.start_s <= one.end_s + 900 and known_day(one.known_s) <= day
            for one in unit.unbooked
            if one.litres > 0.0
        ):
            continue
        if booked_before(unit.unit.series, unit.flows, step):
            continue
        if any(
            (abs(step.start_s - span.end_s) < 3600 or span.start_s <= step.end_s <= span.end_s + 3600)
            and seen_day(span.known_s, site.lags) <= day
            for span in unit.stuck
        ):
            continue
        own = with_stamp_doubt(unit.flows, with_share(unit.moves, moved_l, step, first_seen_s(seen + 1, unit.lags)))
        if abs(own.z) >= Z_FOUND:
            kept += moves_of_steps(unit.unit.series, unit.flows, [(day, own)])
    return [replace(move, undone=_has_return(move, kept)) for move in kept]


def outside(moves: list[Move], spans_s: Floats) -> list[Move]:
    """Moves that lie in no sale of an hour or more: when in it the litres left, nobody knows.

    `spans_s`, shape (n, 2), the start and end of such sales. [s]
    """
    return [
        move
        for move in moves
        if not any(
            start_s <= move.step.end_s and move.step.start_s <= end_s and known_day(end_s) <= move.day
            for start_s, end_s in spans_s.tolist()
        )
    ]


def unmirrored(site: SiteObserved, moves_of: dict[str, list[Move]]) -> dict[str, list[Move]]:
    """Each unit's moves without those that another unit of the site shows at the same time.

    What one tank lost the other did not gain by a thief: the books have a hose on the wrong one. And two gauges do not
    jump at one moment, but the clock of both.
    """
    steps = [(unit.unit.unit_id, seen, step) for unit in site.units for seen, step in unit.steps]
    return {
        unit_id: [
            move
            for move in moves
            if not any(
                seen <= move.day and (_mirrors(step, move.step) or _jumps_with(step, move))
                for name, seen, step in steps
                if name != unit_id
            )
        ]
        for unit_id, moves in moves_of.items()
    }


def _mirrors(other: Step, step: Step) -> bool:
    apart_s = max(step.start_s, other.start_s) - min(step.end_s, other.end_s)
    return apart_s <= MIRROR_S and MIRROR_LOW < -other.litres / step.litres < 1.0 / MIRROR_LOW


def _jumps_with(other: Step, move: Move) -> bool:
    """Whether a move from one reading to the next stands in another unit too, the same way and at its very time."""
    step = move.step
    is_at_once = abs(other.start_s - step.start_s) <= MIRROR_S and abs(other.end_s - step.end_s) <= MIRROR_S
    return move.samples == 0 and is_at_once and other.litres * step.litres > 0.0


def _is_quick(move: Move) -> bool:
    """Whether litres left as quickly as a pump or a siphon lets them; slower, they come and go by no hand."""
    return abs(move.step.litres) >= SLOWEST_DRAW_L_PER_MIN * (move.transit_s - move.nominal_s) / 60.0


def _judged_day(day: int, step: Step) -> int:
    """The day that judges a step: the next one for a modest draw while selling, which a totaliser may yet explain."""
    return day + 1 if -WAITS_L < step.litres < 0 and not step.at_rest else day


def _is_noisy(unit: UnitObserved, day: int) -> bool:
    """Whether the steps of a day are too many to be draws: the gauge, or something in the books, is at fault."""
    return sum(1 for seen, _ in unit.steps if seen == day) > 8


def _has_return(move: Move, moves: list[Move]) -> bool:
    """A move that the opposite move undoes within hours is nothing that left or came."""
    for other in moves:
        if other is move or abs(other.step.start_s - move.step.start_s) > PAIR_S or other.day != move.day:
            continue
        if abs(other.step.litres + move.step.litres) < 0.3 * abs(move.step.litres) + 2.0 * move.step.sd_l:
            return True
    return False


def _beside_gain(move: Move, gains: list[Move]) -> bool:
    """Whether a gain of like size that no drop explains went before in the days before a draw: nobody pours back."""
    return any(
        0 <= move.day - gain.day <= GAIN_DAYS
        and gain.step.start_s < move.step.start_s
        and gain.step.litres > -0.4 * move.step.litres
        for gain in gains
    )


def _sorted_out(draws: list[Move]) -> tuple[list[Move], list[Move]]:
    """Bulk draws, and those that count in a pattern: small ones, and larger ones that others like them went before.

    Below twice the bulk size these are three near by, else two on other days at the same hour.
    """
    bulk: list[Move] = []
    small: list[Move] = []
    for move in draws:
        size = -move.step.litres
        if size < SMALLEST_DRAW_L:
            continue
        like = [other for other in draws if is_like(other, move)]
        is_small = size < BULK_L or (size < 2 * BULK_L and len(like) >= PATTERN_DRAWS)
        (small if is_small or goes_on(like, move) else bulk).append(move)
    return bulk, small


def _together(bulk: list[Move]) -> list[list[Move]]:
    """Draws that follow within `PIECES_S`, and the pieces of one that a day's end or a step's shape cut up."""
    groups: list[list[Move]] = []
    for move in sorted(bulk, key=lambda one: (one.day, one.step.start_s)):
        if groups and move.step.start_s - max(one.step.end_s for one in groups[-1]) <= PIECES_S:
            groups[-1].append(move)
        else:
            groups.append([move])
    return groups


def _bulk(unit: UnitObserved, pieces: list[Move], gains: list[Move]) -> Finding:
    """One large draw; it is raised with the first of its pieces, and begins and ends with those that carry it."""
    move, largest = pieces[0], max(pieces, key=lambda piece: -piece.step.litres)
    step = largest.step
    usual = usual_moves(unit, gains, move.day, move.step.start_s)
    carrying = [piece.step for piece in pieces if piece.step.litres < 0.3 * step.litres]
    start_s, end_s = min(one.start_s for one in carrying), max(one.end_s for one in carrying)
    litres = sum(piece.step.litres for piece in pieces)
    sd = float(np.hypot(np.sqrt(sum(piece.step.sd_l**2 for piece in pieces)), 0.02 * litres))
    rate = -step.litres / max(move.transit_s / 60.0, 0.5)
    known_s = first_seen_s(move.day + 1, unit.lags)
    log_odds = LOG_PRIOR["bulk_theft"] + usual.single_log_bayes(largest)
    share = 1.0 if len(carrying) > 1 else drawn_share(largest)
    return Finding(
        cause="bulk_theft",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=unit.unit.members[0],
        day=move.day,
        start_s=start_s,
        end_s=end_s,
        litres=litres,
        sd_l=sd,
        log_odds=log_odds,
        log_prior=LOG_PRIOR["bulk_theft"],
        share=share,
        rival=None if share == 1.0 else ("probe_fault", log_odds - float(np.log(share / (1.0 - share)))),
        booked_l=booked_l(unit.flows, start_s - BOOKED_S, min(end_s + BOOKED_S, known_s)),
        course=Course(np.array([start_s, end_s + 1.0]), np.array([0.0, litres])),
        evidence=(
            Evidence("interval", "unmetered fall of the stock", litres, "l", start_s, end_s),
            Evidence("statistic", "rate", rate, "l/min"),
            Evidence("statistic", "times what the gauge scatters by itself", abs(step.z)),
        ),
    )


def _jump(unit: UnitObserved, move: Move, tank_id: str, gains: list[Move], back: list[Move]) -> Finding:
    """A gauge that jumped; `back` are moves that put such a jump right."""
    step = move.step
    usual = usual_moves(unit, [gain for gain in gains if gain is not move], move.day, step.start_s)
    surface = surface_l_per_mm(unit.unit.series, move)
    share = 1.0 - drawn_share(move) if step.litres < 0 and is_jump(move) else 1.0
    return Finding(
        cause="probe_fault",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=tank_id,
        day=move.day,
        start_s=step.start_s,
        end_s=_mended_s(unit, move, back),
        log_odds=LOG_PRIOR["probe_fault"] + usual.single_log_bayes(move),
        log_prior=LOG_PRIOR["probe_fault"],
        share=share,
        rival=("bulk_theft", 0.0) if step.litres < 0 else ("missing_ticket", -1.0),
        course=Course(np.array([step.start_s, step.start_s + 1.0]), np.array([0.0, step.litres])),
        evidence=(
            Evidence("instant", "the level stepped between two readings", step.litres / surface, "mm", step.start_s),
            Evidence("statistic", "in litres", step.litres, "l"),
        ),
    )


def _mended_s(unit: UnitObserved, jump: Move, back: list[Move]) -> float | None:
    """When a gauge that jumped was put right: exchanged, or moved back by as much. [s]"""
    later = [at for at in exchanges_s(unit.unit) if at > jump.step.start_s + 60.0]
    later += [move.step.start_s for move in back if _puts_right(unit, move, [jump])]
    return min(later, default=None)


def _puts_right(unit: UnitObserved, move: Move, moves: list[Move]) -> bool:
    """Whether a move between two readings takes back, by as many millimetres, a jump of the gauge before it."""
    series = unit.unit.series
    back_mm = moved_mm(series, move)
    before = [other for other in moves if other.samples == 0 and other.step.start_s < move.step.start_s]
    return move.samples == 0 and any(
        is_large(series, other)
        and abs(back_mm + moved_mm(series, other)) < BACK_SHARE * abs(back_mm) + 2.0 * abs(back_mm / move.step.z)
        for other in before
    )
