"""Sudden unmetered moves of minutes to hours, found in the five-minute moves of one day and the hours before it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.moves import Moves
from pipeline.physics.ranks import median

Floats = NDArray[np.float64]

WIDTHS = (1, 2, 3, 5, 8, 13, 24, 40)
"""Lengths of a move looked for, in steps: five minutes to over three hours."""
SIDE = 4
"""Steps averaged before and after a move."""
FIRST_SIDE = 2
FIRST_WIDER = 1.1
"""At rest so many steps after a move are enough where the data end, and by how much wider such a move scatters."""
Z_FOUND = 5.5
"""Score from which a move counts. Some 300 places and eight lengths a day: one chance in 20,000 a day by noise."""
LONGER_BY = 1.0
"""A longer move must score so much more than a shorter one: the noise's own gain from having more places to look at."""
LOOK_BACK_S = 6 * 3600.0
SMALLEST_MM = 0.4
"""A smaller move of the level is left alone, whatever its score."""
HOP_SDS = 10.0
"""A single step hops when it is so many SDs of a short move away. No source."""
EDGE_STEPS = 2
EDGE_SDS = 3.0
"""How many steps a move may begin sooner or end later than where it scores highest, if that is so much more."""
MOST_A_DAY = 40
SLOWEST_L_PER_H = 12.0
"""A slower move is a rate and no sudden move. No source."""


@dataclass(frozen=True)
class Step:
    """One sudden move.

    `litres` (negative: lost) with `sd_l`, between `start_s` and `end_s`; `known_s` the last instant of data that it
    took to see it; `z` its score; `at_rest` that no hose was open from start to end.
    """

    start_s: float
    end_s: float
    known_s: float
    litres: float
    sd_l: float
    z: float
    at_rest: bool


Spread = NDArray[np.float64]


@dataclass(frozen=True)
class _Stretch:
    """The usable steps of a stretch of time: `block` numbers runs without a gap; `rest` no hose open."""

    ts: Floats
    moved: Floats
    rest: NDArray[np.bool_]
    block: NDArray[np.int64]


def _without_hops(stretch: _Stretch, sd_l: float) -> _Stretch:
    """The stretch with single steps that leave both neighbours and come back put in line with them.

    Such a step is a reading that a joined tank failed to give, or gave late. `sd_l` is the SD of a short move.
    """
    moved = stretch.moved.copy()
    if len(moved) < 3:
        return stretch
    to, back = moved[1:-1] - moved[:-2], moved[1:-1] - moved[2:]
    away = np.minimum(np.abs(to), np.abs(back))
    is_hop = (to * back > 0.0) & (away > HOP_SDS * sd_l) & (np.abs(to - back) < 0.5 * away)
    is_hop &= (stretch.block[:-2] == stretch.block[1:-1]) & (stretch.block[1:-1] == stretch.block[2:])
    places = np.flatnonzero(is_hop) + 1
    moved[places] = 0.5 * (moved[places - 1] + moved[places + 1])
    return replace(stretch, moved=moved)


def _spacing_s(stretch: _Stretch) -> float:
    """Usual spacing of the steps. [s]"""
    return median(np.diff(stretch.ts)) if len(stretch.ts) > 1 else 300.0


def _stretch(moves: Moves, moved_l: Floats, start_s: float, end_s: float) -> _Stretch:
    low, high = np.searchsorted(moves.ts_s, [start_s, end_s])
    keep = np.flatnonzero(~moves.in_drop[low:high] & (moves.known_s[low:high] < end_s)) + low
    ts = moves.ts_s[keep]
    breaks = (np.diff(keep, prepend=keep[:1]) > 1) | (np.diff(ts, prepend=ts[:1]) > moves.gap_s)
    return _Stretch(ts, moved_l[keep], moves.at_rest[keep], np.cumsum(breaks))


def _differences(stretch: _Stretch) -> tuple[Floats, NDArray[np.bool_], NDArray[np.int64]]:
    """Litres moved from each place to each of `WIDTHS` steps on, NaN across gaps. Shape (w, n).

    Beside them whether no hose was open meanwhile, and the last step that it took: where the data end at rest, that is
    sooner.
    """
    from pipeline.features.kernels import differences  # numba is a second to import: only who analyses pays

    return differences(stretch.moved, stretch.rest, stretch.block, np.array(WIDTHS), (SIDE, FIRST_SIDE))


def _middle_and_tail(sample: Floats) -> tuple[float, float]:
    """Median and 90th percentile, linear between neighbours, by one partition: `numpy.quantile` is slow."""
    at = (len(sample) - 1) * np.array([0.5, 0.9])
    low = at.astype(np.int64)
    high = np.minimum(low + 1, len(sample) - 1)
    ordered = np.partition(sample, np.concatenate([low, high]))
    middle, tail = ordered[low] + (at - low) * (ordered[high] - ordered[low])
    return float(middle), float(tail)


def step_spread(moves: Moves, moved_l: Floats, start_s: float, end_s: float) -> Spread:
    """SD of what a stretch of time moves by itself, for each of `WIDTHS`, at rest and selling. Shape (w, 2). [l]

    By quantiles of the moves themselves, so that the few that something caused do not widen it; the higher of the
    scale at the median and at the 90th percentile, since such noise has heavy tails; never below 0.1 mm.
    """
    stretch = _stretch(moves, moved_l, start_s, end_s)
    floor = 0.1 * moves.usual_l_per_mm(end_s)
    spread = np.full((len(WIDTHS), 2), np.nan)
    litres, quiet, _ = _differences(stretch)
    told = np.isfinite(litres)
    for number in range(len(WIDTHS)):
        sizes, at_rest = np.abs(litres[number, told[number]]), quiet[number, told[number]]
        for state, here in enumerate((at_rest, ~at_rest)):
            sample = sizes[here]
            if len(sample) >= 60:
                middle, tail = _middle_and_tail(sample)
                spread[number, state] = max(1.4826 * middle, tail / 1.645, floor)
    default = np.array([[2.0, 8.0]]) * floor * np.sqrt(1.0 + np.array(WIDTHS)[:, None] / 24.0)
    spread = np.where(np.isfinite(spread), spread, default)
    spread[:, 1] = np.maximum(spread[:, 1], spread[:, 0])
    return np.maximum.accumulate(spread, axis=0)


def find_steps(moves: Moves, moved_l: Floats, spread: Spread, start_s: float, end_s: float) -> list[Step]:
    """Sudden moves whose data ends within [start_s, end_s), strongest first taken and taken out, then the next.

    `moved_l` is the moves' book-corrected stock with what was found before already taken out, shape (k,); `spread`
    as `step_spread` gives it. A move is the difference between the mean of four steps before and four after.
    """
    stretch = _without_hops(_stretch(moves, moved_l, start_s - LOOK_BACK_S, end_s), float(spread[0, 1]))
    smallest = SMALLEST_MM * moves.usual_l_per_mm(end_s)
    found: list[Step] = []
    free = np.ones(len(stretch.ts), dtype=bool)
    for _ in range(MOST_A_DAY):
        best = _strongest(stretch, spread, start_s, free)
        if best is None or abs(best[2]) < Z_FOUND:
            break
        place, width, z, litres, sd = best
        stretch.moved[place + width :] -= litres
        stretch.moved[place + 1 : place + width] -= litres * np.arange(1, width) / width
        free[max(place - SIDE + 1, 0) : place + width + SIDE] = False
        if abs(litres) >= smallest:
            quiet = bool(stretch.rest[place : place + width + 1].all())
            ts = stretch.ts
            known = float(ts[min(place + width + SIDE, len(ts)) - 1])
            found.append(Step(float(ts[place]), float(ts[place + width]), known, litres, sd, z, quiet))
    return sorted(found, key=lambda step: step.start_s)


@dataclass(frozen=True)
class _Candidates:
    """All moves of one width: litres and their SD from each place on, and which may be taken. Shape (n,) each."""

    width: int
    litres: Floats
    sd_l: Floats
    usable: NDArray[np.bool_]


def _candidates(stretch: _Stretch, spread: Spread, start_s: float, free: NDArray[np.bool_]) -> list[_Candidates]:
    """The moves known after `start_s`, for each of `WIDTHS`.

    None begins or ends where one was found before (`free` is false there), and none is slower than `SLOWEST_L_PER_H`,
    which is for the balance to judge.
    """
    found = []
    (every_l, is_quiet, lasts), spacing_s = _differences(stretch), _spacing_s(stretch)
    for number, width in enumerate(WIDTHS):
        count = len(stretch.ts) - width
        if count <= 0:
            break
        litres, quiet, last = every_l[number, :count], is_quiet[number, :count], lasts[number, :count]
        sd = np.where(quiet, spread[number, 0], spread[number, 1])
        sd[last - np.arange(count) < width + SIDE - 1] *= FIRST_WIDER
        usable = np.isfinite(litres) & (stretch.ts[last] >= start_s)
        usable &= free[:count] & free[width : width + count]
        usable &= np.abs(litres) >= SLOWEST_L_PER_H * width * spacing_s / 3600.0
        found.append(_Candidates(width, litres, sd, usable))
    return found


def _strongest(
    stretch: _Stretch, spread: Spread, start_s: float, free: NDArray[np.bool_]
) -> tuple[int, int, float, float, float] | None:
    """Place, width, score, litres and SD of the highest-scoring move known after `start_s`; None without one.

    Of moves that catch the same litres the shortest is taken.
    """
    best: tuple[int, int, float, float, float] | None = None
    candidates = _candidates(stretch, spread, start_s, free)
    for one in candidates:
        # A chart that is flat where its tank stands tells no litres, and nothing of how they scatter.
        is_told = one.usable & (one.sd_l > 0.0)
        sds = np.divide(one.litres, one.sd_l, out=np.zeros(len(one.litres)), where=is_told)
        score = sds * (1.0 - 0.05 * np.log(one.width))
        place = int(np.argmax(np.abs(score)))
        if best is None or abs(score[place]) > abs(best[2]) + LONGER_BY:
            best = (place, one.width, float(score[place]), float(one.litres[place]), float(one.sd_l[place]))
    return None if best is None else _whole(best, candidates)


def _whole(
    best: tuple[int, int, float, float, float], candidates: list[_Candidates]
) -> tuple[int, int, float, float, float]:
    """The move with what its first and last step may have left out, where that is plainly more."""
    first, least, score, litres, sd = best
    place, width = first, least
    for one in candidates:
        latest = min(first, first + least + EDGE_STEPS - one.width, len(one.litres) - 1)
        for start in range(max(first - EDGE_STEPS, first + least - one.width, 0), latest + 1):
            more = np.sign(litres) * (one.litres[start] - litres)
            if one.usable[start] and more > EDGE_SDS * one.sd_l[start]:
                place, width, litres, sd = start, one.width, float(one.litres[start]), float(one.sd_l[start])
    return place, width, score, litres, sd
