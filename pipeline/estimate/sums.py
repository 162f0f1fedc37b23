"""Running sums over whitened rows: the regression's own, and its crosses with every onset that is still weighed."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.hypotheses import Candidates
from pipeline.estimate.regression import Extra, Posterior, extra_columns
from pipeline.estimate.whiten import Filter, whitened, whitened_on

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
        width = columns.shape[1]
        self.gram, self.score = np.zeros((width, width)), np.zeros(width)
        self.live: Ints = np.empty(0, dtype=np.int64)
        self._begun = 0
        self._states = np.zeros((by.keep.shape[-1], 0))
        self._blocks: deque[_Block] = deque()
        self.cross, self.square, self.moment = np.zeros((width, 0)), np.zeros(0), np.zeros(0)

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
        raw = self.candidates.columns(self.live, start, stop)
        rows = whitened_on(raw, self.filter, start, self._states) * weight[:, None]
        self._blocks.append(_Block(start, int(self.live[0]), rows))
        self.weight[start:stop] = weight
        self.count = stop
        own = self.rows[start:stop] * weight[:, None]
        self.gram += own[:, 1:].T @ own[:, 1:]
        self.score += own[:, 1:].T @ own[:, 0]
        self.cross += own[:, 1:].T @ rows
        self.square += (rows**2).sum(axis=0)
        self.moment += own[:, 0] @ rows

    def _slide(self, day: int) -> None:
        """Brings the candidates that set in on a day, and lets those go whose onset is too old."""
        low, high = np.searchsorted(self.candidates.day, [day - ONSET_DAYS + 1, day + 1]).tolist()
        gone, new = int(np.searchsorted(self.live, low)), high - self._begun
        self.live = np.arange(low, high)
        self.cross = np.hstack([self.cross[:, gone:], np.zeros((len(self.score), new))])
        self.square = np.concatenate([self.square[gone:], np.zeros(new)])
        self.moment = np.concatenate([self.moment[gone:], np.zeros(new)])
        self._states = np.hstack([self._states[:, gone:], np.zeros((len(self._states), new))])
        self._begun = high
        while self._blocks and self._blocks[0].low + self._blocks[0].rows.shape[1] <= low:
            self._blocks.popleft()

    def crossed(self, values: Floats) -> Floats:
        """Sums of weighted `values`, shape (count,), times each live candidate's column. Shape (live,)."""
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
        column = whitened(self.candidates.column(number)[:, None], self.filter)
        self.rows = np.hstack([self.rows, column])
        self.pieces.append(number)
        mine, active = column[: self.count, 0] * self.weight[: self.count], self.active
        crossed = active.T @ mine
        self.gram = np.block([[self.gram, crossed[:-1, None]], [crossed[None, :]]])
        self.score = np.append(self.score, mine @ self.y)
        self.cross = np.vstack([self.cross, self.crossed(mine)])

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
            self.cross[:, at] = self.gram[place]
            self.square[at], self.moment[at] = mine @ mine, self.score[place]
        self.cross[place] = self.crossed(mine)

    def _replace(self, number: int, mine: Floats) -> None:
        """Puts another weighted column in the place of a live candidate's, and the filter's states with it."""
        for block in self._blocks:
            if block.low <= number < block.low + block.rows.shape[1]:
                block.rows[:, number - block.low] = mine[block.start : block.start + len(block.rows)]
        begin = max(int(self.candidates.onset[number]) - 1, 0)
        state = np.zeros((len(self._states), 1))
        whitened_on(self.candidates.columns(np.array([number]), begin, self.count), self.filter, begin, state)
        self._states[:, number - int(self.live[0])] = state[:, 0]

    def amend(self, litres: Floats) -> None:
        """Adds litres, shape (k,), to y from the first dip on: something is known now that those rows did not know."""
        self.version += 1
        column = whitened(litres[:, None], self.filter)[:, 0]
        self.rows[:, 0] += column
        mine = column[: self.count] * self.weight[: self.count]
        self.score += self.active.T @ mine
        self.moment += self.crossed(mine)

    def extra(self, belief: Posterior, numbers: Ints) -> Extra:
        """Each of some live candidates added alone to the regression."""
        at = numbers - int(self.live[0]) if len(self.live) else numbers
        return extra_columns(belief, self.cross[:, at], self.square[at], self.moment[at])
