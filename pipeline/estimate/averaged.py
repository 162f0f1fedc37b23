"""Litres of a rate that was named, averaged over what is not known of it: the days of its onset and end, and its hole.

Each alternative is the same regression with other columns in the place of the rate's own; its weight is its evidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.design import Balance
from pipeline.estimate.evidence import log_evidence
from pipeline.estimate.hypotheses import hypotheses_of, since
from pipeline.estimate.regression import Prior, posterior
from pipeline.estimate.whiten import Filter, whitened

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REACH_DAYS = 4
"""Onsets and ends are averaged over so many days to either side of the likeliest."""
HOLE_REACH = 3
"""Holes of a leak so many places from the likeliest one count too. No source."""
WITHIN_DAY_H = 24.0 / np.sqrt(12.0)
"""SD of the hour at which a rate set in or ended, its day known. [h]"""


@dataclass(frozen=True)
class Fitted:
    """What a regression of whitened rows was made of.

    `rows` (n, p) the active columns, `y` (n,), `weight` (n,) by which rows were multiplied; `filter` whitened them.
    """

    balance: Balance
    filter: Filter
    rows: Floats
    y: Floats
    weight: Floats
    prior: Prior


@dataclass(frozen=True)
class Rate:
    """A rate's pieces, each by its `places` in the regression and `onsets` in dips, and the course that it goes by.

    `hypothesis` is its number among `hypotheses_of`; `hole` the number of a leak's height, None for other causes; `end`
    the number of the piece that ended it, if one did.
    """

    places: tuple[int, ...]
    onsets: tuple[int, ...]
    hypothesis: int
    hole: int | None
    end: int | None


@dataclass(frozen=True)
class Total:
    """Litres at 15 °C that a rate has added to the variance, and their SD; the likeliest alternative's alone too."""

    litres_15: float
    sd_l: float
    likeliest_15: float


def averaged_total(fitted: Fitted, rate: Rate) -> Total:
    """The rate's litres up to its end, or to the last row while it lasts."""
    onsets = _near(fitted.balance.known_day, rate)
    holes = _holes(fitted.balance, rate)
    columns, courses = _columns(fitted, rate, onsets, holes)
    fixed = [place for place in range(fitted.rows.shape[1]) if place not in rate.places]
    order = np.array([*fixed, *rate.places])
    prior = Prior(fitted.prior.mean[order], fitted.prior.sd[order])
    base = fitted.rows[:, fixed]
    gram, score = base.T @ base, base.T @ fitted.y
    found = []
    for choice in _choices(onsets):
        for hole in range(len(holes)):
            mine = np.column_stack([columns[number, place][:, hole] for number, place in enumerate(choice)])
            cross = base.T @ mine
            full = np.block([[gram, cross], [cross.T, mine.T @ mine]])
            right = np.concatenate([score, mine.T @ fitted.y])
            belief = posterior(full, right, prior)
            at = len(fitted.y) - 1 if rate.end is None else max(choice[rate.end] - 1, 0)
            reach = np.array([courses[number, place][at, hole] for number, place in enumerate(choice)])
            coefficients = slice(len(fixed), None)
            litres = float(reach @ belief.mean[coefficients])
            var = float(reach @ belief.cov[coefficients, coefficients] @ reach)
            found.append(
                (log_evidence(full, right, prior), litres, var, choice == rate.onsets and holes[hole] == rate.hole)
            )
    return _mixed(found, _edges(fitted.balance, rate, found))


def _mixed(found: list[tuple[float, float, float, bool]], edge_var: float) -> Total:
    evidence, litres, var, _ = (np.array(values, dtype=np.float64) for values in zip(*found, strict=True))
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    mean = float(weight @ litres)
    spread = float(weight @ (var + (litres - mean) ** 2)) + edge_var
    likeliest = next((one[1] for one in found if one[3]), float(litres[int(np.argmax(evidence))]))
    return Total(mean, float(np.sqrt(spread)), likeliest)


def _edges(balance: Balance, rate: Rate, found: list[tuple[float, float, float, bool]]) -> float:
    """Variance of the total for the hours within the days of onset and end. [l²]"""
    best = max(found)[1]
    last = len(balance.hours) - 1 if rate.end is None else rate.onsets[rate.end]
    hours = max(float(balance.hours[last] - balance.hours[max(rate.onsets[0] - 1, 0)]), 24.0)
    return float((2 if rate.end is not None else 1) * (best / hours * WITHIN_DAY_H) ** 2)


def _near(known_day: Ints, rate: Rate) -> list[list[int]]:
    """The onsets that each piece is averaged over: only the first and the last piece move, and none passes another."""
    firsts = np.flatnonzero(np.diff(known_day, prepend=known_day[:1] - 1))
    moving = {0, len(rate.onsets) - 1}
    found = []
    for number, onset in enumerate(rate.onsets):
        near = firsts[np.abs(known_day[firsts] - known_day[onset]) <= REACH_DAYS] if number in moving else [onset]
        low = rate.onsets[number - 1] if number else -1
        high = rate.onsets[number + 1] if number + 1 < len(rate.onsets) else len(known_day)
        found.append([int(one) for one in near if low < one < high or one == onset])
    return found


def _choices(onsets: list[list[int]]) -> list[tuple[int, ...]]:
    """Every way to choose one onset a piece, in order."""
    return [choice for choice in product(*onsets) if all(a < b for a, b in pairwise(choice))]


def _holes(balance: Balance, rate: Rate) -> list[int | None]:
    if rate.hole is None:
        return [None]
    count = balance.leak_h.shape[1]
    return [hole for hole in range(count) if abs(hole - rate.hole) <= HOLE_REACH]


def _columns(
    fitted: Fitted, rate: Rate, onsets: list[list[int]], holes: list[int | None]
) -> tuple[dict[tuple[int, int], Floats], dict[tuple[int, int], Floats]]:
    """Whitened and weighted columns, and raw courses, by piece and onset; each of shape (n, holes)."""
    count = len(fitted.y)
    if rate.hole is None:
        course = hypotheses_of(fitted.balance)[1][:, [rate.hypothesis]]
    else:
        course = -fitted.balance.leak_h[:, [hole for hole in holes if hole is not None]]
    different = sorted({onset for piece in onsets for onset in piece})
    raw = {onset: since(course, onset) for onset in different}
    white = whitened(np.concatenate([raw[onset] for onset in different], axis=1), fitted.filter)
    wide = course.shape[1]
    weighted = {
        onset: fitted.weight[:count, None] * white[:count, number * wide : (number + 1) * wide]
        for number, onset in enumerate(different)
    }
    pairs = [(number, onset) for number, piece in enumerate(onsets) for onset in piece]
    return {pair: weighted[pair[1]] for pair in pairs}, {pair: raw[pair[1]][:count] for pair in pairs}
