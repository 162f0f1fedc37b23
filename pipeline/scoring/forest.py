"""An isolation forest over standardised residual features of unit-days: what no hypothesis of the physics fits.

Walk-forward: each fortnight is scored by forests that saw the fleet's earlier days alone. Two forests are grown, on the
even and on the odd days of the past; each past day is scored by the one that did not see it, and a day's rank among
those scores is its conformal p-value (V. Vovk, "Cross-conformal predictors", Annals of Mathematics and Artificial
Intelligence 74 (2015) 9-28). So the share of days flagged is held to a budget whatever the scores' distribution, as
long as days are alike. F. T. Liu, K. M. Ting, Z.-H. Zhou, "Isolation Forest", ICDM 2008, 413-422.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.kept import Shelf, key_of

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

ALARM_BUDGET: Final = 1.0 / 300.0
"""Share of sound days that may be flagged: one in ten tank-months."""
PERIOD_DAYS: Final = 14
"""Forests are grown anew every so many days, counted from the fleet's first; the first such period is not scored."""
FEWEST_ROWS: Final = 60
LONGEST_PAST_DAYS: Final = 120
TREES: Final = 60
SAMPLES: Final = 256
"""Trees of each of the two forests and rows a tree: together what the forest's authors found enough."""
ORDINARY_Z: Final = 1.5
CLIPPED_AT: Final = 12.0
"""Features nearer to their middle than the first are set to it, farther than the second set to that: a forest cuts
between the lowest and the highest, and would else make much of trifles where most days are alike."""
SEED: Final = 20_260_101
FEWEST_DRIVEN: Final = 0.1
"""Share of a score's height over an ordinary day's that a feature must carry to be named as a driver."""


@dataclass(frozen=True)
class Scored:
    """Rows in the order given.

    `score` high = odd, NaN where not scored; `p` conformal p-value; `drivers` of the flagged rows: features by how far
    the score falls when they are set to an ordinary day's, the highest first.
    """

    score: Floats
    p: Floats
    drivers: dict[int, tuple[tuple[str, float], ...]]


@dataclass(frozen=True)
class Period:
    """The same of the rows of one period alone, `drivers` as a list of the flagged rows and theirs."""

    score: Floats
    p: Floats
    drivers: list[tuple[int, tuple[tuple[str, float], ...]]]


def forest_scores(
    features: Floats,
    run_day: Whole,
    names: Sequence[str],
    *,
    ordinary: NDArray[np.bool_],
    seed: int = SEED,
    periods: Shelf[Period] | None = None,
) -> Scored:
    """Walk-forward scores of unit-days.

    Parameters
    ----------
    features : ndarray, shape (n, f)
        Standardised features; NaN, where a day has none, counts as ordinary.
    run_day : ndarray, shape (n,)
        UTC day number of the run that saw each row.
    names : sequence of str, length f
    ordinary : ndarray, shape (n,)
        Rows that may serve as past: those that nothing else has explained as odd.
    seed : int
        The same seed and rows give the same scores.
    periods : Shelf, optional
        What was kept of periods that were scored before.
    """
    periods = Shelf() if periods is None else periods
    table = moderated(features)
    score, p = np.full(len(table), np.nan), np.full(len(table), np.nan)
    drivers: dict[int, tuple[tuple[str, float], ...]] = {}
    period = (run_day - run_day.min()) // PERIOD_DAYS if len(run_day) else run_day
    for number in np.unique(period[period > 0]):
        first_day = run_day.min() + number * PERIOD_DAYS
        past = np.flatnonzero(ordinary & (run_day < first_day) & (run_day >= first_day - LONGEST_PAST_DAYS))
        if len(past) < FEWEST_ROWS:
            continue
        here = np.flatnonzero(period == number)
        read = (table[past], run_day[past], table[here], tuple(names), seed + int(number))
        scored = periods.of(key_of(*read), partial(_scored, *read))
        score[here], p[here] = scored.score, scored.p
        drivers |= {int(here[row]): found for row, found in scored.drivers}
    return Scored(score, p, drivers)


def _scored(past: Floats, run_day: Whole, rows: Floats, names: tuple[str, ...], seed: int) -> Period:
    """The rows of one period by forests grown on those of the past, seen by the runs of `run_day`."""
    forests = _grown(past, run_day, seed)
    known = np.sort(_held_out(forests, past, run_day))
    score = _score(forests, rows)
    above = len(known) - np.searchsorted(known, score, "left")
    p: Floats = np.asarray((1.0 + above) / (1.0 + len(known)), dtype=np.float64)
    middle = np.median(past, axis=0)
    flagged = np.flatnonzero(p <= ALARM_BUDGET).tolist()
    return Period(score, p, [(row, _drivers(forests, rows[row], middle, names)) for row in flagged])


def moderated(features: Floats) -> Floats:
    """Standardised features with trifles set to nought, and the farthest held back; nought where there is none."""
    z = np.nan_to_num(features, nan=0.0)
    return np.asarray(np.sign(z) * np.clip(np.abs(z) - ORDINARY_Z, 0.0, CLIPPED_AT))


def _grown(past: Floats, run_day: Whole, seed: int) -> tuple[Any, Any]:
    """Forests grown on the even and on the odd days; on all of them where either half is too small."""
    # Imported here: it takes a second, and most of the program never asks for it.
    from sklearn.ensemble import IsolationForest

    grown = []
    for parity in (0, 1):
        half = past[run_day % 2 == parity]
        rows = np.vstack([half if len(half) >= FEWEST_ROWS // 3 else past, _guards(past)])
        forest = IsolationForest(n_estimators=TREES, max_samples=min(SAMPLES, len(rows)), random_state=seed + parity)
        grown.append(forest.fit(rows))
    return grown[0], grown[1]


def _guards(past: Floats) -> Floats:
    """Rows that are ordinary but for one feature at its limit, either way. Shape (2 f, f).

    A forest cuts within the range of what it was grown on, so without them a day far beyond the past would look no
    odder than the past's oddest.
    """
    count = past.shape[1]
    guards = np.tile(np.median(past, axis=0), (2 * count, 1))
    guards[np.arange(count), np.arange(count)] = CLIPPED_AT
    guards[count + np.arange(count), np.arange(count)] = -CLIPPED_AT
    return guards


def _odd(forest: Any, rows: Floats) -> Floats:
    """The forest's score with its sign turned, so that high is odd (0..1)."""
    return -np.asarray(forest.score_samples(rows), dtype=np.float64)


def _held_out(forests: tuple[Any, Any], past: Floats, run_day: Whole) -> Floats:
    """Each past row's score by the forest of the days that it is not among."""
    even = run_day % 2 == 0
    out = np.empty(len(past))
    for forest, mine in ((forests[1], even), (forests[0], ~even)):
        if mine.any():
            out[mine] = _odd(forest, past[mine])
    return out


def _score(forests: tuple[Any, Any], rows: Floats) -> Floats:
    return np.asarray(0.5 * (_odd(forests[0], rows) + _odd(forests[1], rows)))


def _drivers(
    forests: tuple[Any, Any], row: Floats, middle: Floats, names: Sequence[str]
) -> tuple[tuple[str, float], ...]:
    """Each feature's drop in score when it alone is set to an ordinary day's, the highest first."""
    reset = np.tile(row, (len(row) + 2, 1))
    reset[np.arange(len(row)), np.arange(len(row))] = middle
    reset[-1] = middle
    scores = _score(forests, reset)
    height = max(float(scores[-2] - scores[-1]), 1e-9)
    drops = scores[-2] - scores[:-2]
    order = np.argsort(-drops, kind="stable")
    return tuple((names[k], float(drops[k])) for k in order if drops[k] >= FEWEST_DRIVEN * height)
