"""Running sums over whitened rows: the regression's own, and its crosses with every onset that is still weighed."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.hypotheses import Candidates
from pipeline.estimate.regression import Extra, Posterior, extra_columns
from pipeline.estimate.whiten import STATES, Filter, whitened, whitened_on

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ONSET_DAYS = 90
"""Onsets further back than so many days are weighed no more: whatever began then was named, or is what the tank, its
chart and its meters usually do. No source: gauges and meters are serviced about once a quarter. [d]"""


@dataclass
class _Block:
    """A day's weighted rows of the candidates that were live: from row `start` on, the first of them number `low`."""

    start: int
    low: int
    rows: Floats


@dataclass(frozen=True)
class SumsSoFar:
    """What running sums hold after some rows and cannot be made of the rows again without walking through them.

    `weight` (count,); `pieces` and `version` as of `Sums`; `gram` (p, p), `score` (p,); of the candidates `low` to
    `high`, which are live, `cross` (p, live), `states` (S, live), `square` (live,) and `moment` (live,).
    """

    weight: Floats
    version: int
    pieces: tuple[int, ...]
    gram: Floats
    score: Floats
    low: int
    high: int
    cross: Floats
    states: Floats
    square: Floats
    moment: Floats


class Sums:
    """XᵀX and Xᵀy of the regression's columns, and their crosses with the candidates that are live.

    `rows` (k, 1 + p) y and the regression's columns, whitened, and `weight` (k,) by which each row taken so far was
    multiplied; `pieces` the candidates among the regression's columns, in order behind the base. A candidate's column
    is whitened from its onset on, day by day; it is live until its onset is `ONSET_DAYS` old. Once in the regression
    it stays there. `version` counts how often rows taken before became others.
    """

    def __init__(self, y_l: Floats, columns: Floats, candidates: Candidates, by: Filter) -> None:
        self.candidates = candidates
        self.filter = by
        self.rows = whitened(np.column_stack([y_l, columns]), by)
        self.weight = np.zeros(len(y_l))
        self.count = 0
        self.version = 0
        self.pieces: list[int] = []
        width, every = columns.shape[1], len(candidates.which)
        self.gram, self.score = np.zeros((width, width)), np.zeros(width)
        self.live: Ints = np.empty(0, dtype=np.int64)
        self._blocks: deque[_Block] = deque()
        self._unblocked = 0
        # One place for each candidate that will ever be: of the live ones nothing is copied as they come and go.
        self._cross, self._states = np.zeros((width, every)), np.zeros((STATES, every))
        self._square, self._moment = np.zeros(every), np.zeros(every)
        self._told: tuple[Posterior, Extra] | None = None

    @property
    def _here(self) -> slice:
        """The places of the live candidates among all."""
        return slice(int(self.live[0]), int(self.live[-1]) + 1) if len(self.live) else slice(0)

    @property
    def cross(self) -> Floats:
        """Sums of the regression's columns times each live candidate's. Shape (p, live)."""
        return self._cross[:, self._here]

    @property
    def square(self) -> Floats:
        """Sums of squares of each live candidate's column. Shape (live,)."""
        return self._square[self._here]

    @property
    def moment(self) -> Floats:
        """Sums of each live candidate's column times y. Shape (live,)."""
        return self._moment[self._here]

    @property
    def active(self) -> Floats:
        """The regression's rows taken so far, weighted. Shape (count, p)."""
        return np.asarray(self.rows[: self.count, 1:] * self.weight[: self.count, None])

    @property
    def y(self) -> Floats:
        """Y in the rows taken so far, weighted. Shape (count,)."""
        return np.asarray(self.rows[: self.count, 0] * self.weight[: self.count])

    def take(self, weight: Floats, day: int) -> None:
        """Adds the next rows, those of a UTC day number, each multiplied by `weight`, shape (n,)."""
        start, stop = self.count, self.count + len(weight)
        self._slide(day)
        here = self._here
        raw = self.candidates.columns(self.live, start, stop)
        rows = whitened_on(raw, self.filter, start, self._states[:, here]) * weight[:, None]
        self._blocks.append(_Block(start, int(self.live[0]), rows))
        self.weight[start:stop] = weight
        self.count = stop
        own = self.rows[start:stop] * weight[:, None]
        self.gram += own[:, 1:].T @ own[:, 1:]
        self.score += own[:, 1:].T @ own[:, 0]
        both = own.T @ rows
        self._cross[:, here] += both[1:]
        self._square[here] += (rows**2).sum(axis=0)
        self._moment[here] += both[0]
        self._told = None

    def so_far(self) -> SumsSoFar:
        """What must be kept to go on from here another time."""
        here = self._here
        held = (self._cross[:, here], self._states[:, here], self._square[here], self._moment[here])
        return SumsSoFar(
            self.weight[: self.count].copy(),
            self.version,
            tuple(self.pieces),
            self.gram.copy(),
            self.score.copy(),
            here.start,
            here.stop,
            *(one.copy() for one in held),
        )

    def go_on(self, kept: SumsSoFar, amended: Sequence[Floats], holes: Mapping[int, int]) -> None:
        """Stands as after the rows that were taken when `kept` was, none having been taken yet.

        `amended` are the litres, shape (k,) each, by which y was amended until then, in order; `holes` the hole of each
        leak in the regression, by its number.
        """
        self.count, self.version, self.pieces = len(kept.weight), kept.version, list(kept.pieces)
        self.weight[: self.count] = kept.weight
        for number, hole in holes.items():
            self.candidates = self.candidates.with_hole(number, hole)
        for litres in amended:
            self.rows[:, 0] += self._whitened(litres)
        pieces = [self._whitened(self.candidates.column(number))[:, None] for number in self.pieces]
        self.rows = np.hstack([self.rows, *pieces])
        self.gram, self.score = kept.gram.copy(), kept.score.copy()
        self.live, here = np.arange(kept.low, kept.high), slice(kept.low, kept.high)
        self._cross = np.zeros((len(self.score), len(self._square)))
        self._cross[:, here], self._states[:, here] = kept.cross, kept.states
        self._square[here], self._moment[here] = kept.square, kept.moment
        self._unblocked = self.count

    def _whitened(self, column: Floats) -> Floats:
        """A column, shape (k,), whitened from the first dip on."""
        return whitened(column[:, None], self.filter)[:, 0]

    def _make_blocks(self) -> None:
        """Makes again the blocks of the rows that were taken before the sums went on from what was kept."""
        day, onset, made = self.candidates.day, self.candidates.onset, []
        firsts = np.flatnonzero(np.diff(day, prepend=day[:1] - 1))
        starts = np.append(onset[firsts], len(self.weight))
        states, live_from = np.zeros_like(self._states), int(self.live[0])
        for start, stop, today in zip(starts[:-1].tolist(), starts[1:].tolist(), day[firsts].tolist(), strict=True):
            low, high = np.searchsorted(day, [today - ONSET_DAYS + 1, today + 1]).tolist()
            if stop > self._unblocked or high <= live_from:
                continue
            # As wide as it was: what is multiplied with it lies as it did. Nobody asks of those that are let go.
            rows, here = np.zeros((stop - start, high - low)), slice(max(low, live_from), high)
            raw = self.candidates.columns(np.arange(here.start, here.stop), start, stop)
            rows[:, here.start - low :] = whitened_on(raw, self.filter, start, states[:, here])
            made.append(_Block(start, low, rows * self.weight[start:stop, None]))
        self._blocks.extendleft(reversed(made))
        self._unblocked = 0

    def _slide(self, day: int) -> None:
        """Brings the candidates that set in on a day, and lets those go whose onset is too old."""
        low, high = np.searchsorted(self.candidates.day, [day - ONSET_DAYS + 1, day + 1]).tolist()
        self.live = np.arange(low, high)
        while self._blocks and self._blocks[0].low + self._blocks[0].rows.shape[1] <= low:
            self._blocks.popleft()

    def course(self, number: int) -> Floats:
        """A live candidate's weighted rows from its onset on, as far as rows were taken. Shape (n,), n ≤ count."""
        here = slice(int(self.candidates.onset[number]), self.count)
        column = self.candidates.columns(np.array([number]), here.start, here.stop)
        return whitened_on(column, self.filter, here.start, np.zeros((STATES, 1)))[:, 0] * self.weight[here]

    def crossed(self, values: Floats) -> Floats:
        """Sums of weighted `values`, shape (count,), times each live candidate's column. Shape (live,)."""
        if self._unblocked:
            self._make_blocks()
        out = np.zeros(len(self.live))
        first = int(self.live[0]) if len(self.live) else 0
        for block in self._blocks:
            skip = max(first - block.low, 0)
            part = block.rows[:, skip:]
            at = block.low + skip - first
            out[at : at + part.shape[1]] += values[block.start : block.start + len(part)] @ part
        return out

    def activate(self, number: int) -> None:
        """Brings a candidate into the regression."""
        self.version += 1
        column = self._whitened(self.candidates.column(number))
        self.rows = np.hstack([self.rows, column[:, None]])
        self.pieces.append(number)
        mine, active = column[: self.count] * self.weight[: self.count], self.active
        crossed = active.T @ mine
        self.gram = np.block([[self.gram, crossed[:-1, None]], [crossed[None, :]]])
        self.score = np.append(self.score, mine @ self.y)
        self._cross = np.vstack([self._cross, np.zeros(self._cross.shape[1])])
        self._cross[-1, self._here] = self.crossed(mine)
        self._told = None

    def reshape(self, place: int, column: Floats, hole: int) -> None:
        """Gives a leak in the regression another hole; `column`, shape (k,), is then its whitened course."""
        self.version += 1
        number = self.pieces[place - (len(self.score) - len(self.pieces))]
        self.candidates = self.candidates.with_hole(number, hole)
        self.rows[:, 1 + place] = column
        mine, active = column[: self.count] * self.weight[: self.count], self.active
        self.gram[place] = self.gram[:, place] = active.T @ mine
        self.score[place] = mine @ self.y
        at = number - int(self.live[0])
        if at >= 0:
            self._replace(number, mine)
            self._cross[:, number] = self.gram[place]
            self._square[number], self._moment[number] = mine @ mine, self.score[place]
        self._cross[place, self._here] = self.crossed(mine)
        self._told = None

    def _replace(self, number: int, mine: Floats) -> None:
        """Puts another weighted column in the place of a live candidate's, and the filter's states with it."""
        if self._unblocked:
            self._make_blocks()
        for block in self._blocks:
            if block.low <= number < block.low + block.rows.shape[1]:
                block.rows[:, number - block.low] = mine[block.start : block.start + len(block.rows)]
        begin = max(int(self.candidates.onset[number]) - 1, 0)
        state = np.zeros((len(self._states), 1))
        whitened_on(self.candidates.columns(np.array([number]), begin, self.count), self.filter, begin, state)
        self._states[:, number] = state[:, 0]

    def amend(self, litres: Floats) -> None:
        """Adds litres, shape (k,), to y from the first dip on: something is known now that those rows did not know."""
        self.version += 1
        column = self._whitened(litres)
        self.rows[:, 0] += column
        mine = column[: self.count] * self.weight[: self.count]
        self.score += self.active.T @ mine
        self._moment[self._here] += self.crossed(mine)
        self._told = None

    def extra(self, belief: Posterior) -> Extra:
        """Each live candidate added alone to the regression; asked again of the same belief, it is not made again."""
        if self._told is None or self._told[0] is not belief:
            self._told = belief, extra_columns(belief, self.cross, self.square, self.moment)
        return self._told[1]
