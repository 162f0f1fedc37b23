"""At which height a leak's hole fits best: what the regression's sums would be with the hole at each height."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.evidence import log_evidence
from pipeline.estimate.regression import Prior
from pipeline.estimate.sums import Sums

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HolesSoFar:
    """What such sums hold after `count` rows: `cross` (pieces, heights, 1 + p), `own` (heights, pieces, pieces)."""

    cross: Floats
    own: Floats
    count: int


class HoleSums:
    """Running sums of a leak's pieces, each with its hole at every height.

    `shapes` are the pieces' whitened courses, shape (k, heights) each, and `places` their places in the regression;
    where sums were `kept`, these are gone on with.
    """

    def __init__(
        self, sums: Sums, shapes: Sequence[Floats], places: Sequence[int], kept: HolesSoFar | None = None
    ) -> None:
        self.shapes = np.stack(shapes)
        self.places = list(places)
        self.width = len(sums.score)
        pieces, heights = len(shapes), self.shapes.shape[2]
        self.cross = np.zeros((pieces, heights, 1 + self.width))
        self.own = np.zeros((heights, pieces, pieces))
        self.count = 0
        if kept is None:
            self.take(sums)
        else:
            self.cross, self.own, self.count = kept.cross.copy(), kept.own.copy(), kept.count

    def so_far(self) -> HolesSoFar:
        """What must be kept to go on from here another time."""
        return HolesSoFar(self.cross.copy(), self.own.copy(), self.count)

    def take(self, sums: Sums) -> None:
        """Adds the rows taken since the last time."""
        here = slice(self.count, sums.count)
        weight = sums.weight[here, None]
        rows, shapes = sums.rows[here] * weight, self.shapes[:, here] * weight
        self.cross += shapes.transpose(0, 2, 1) @ rows
        by_height = shapes.transpose(2, 0, 1)
        self.own += by_height @ by_height.transpose(0, 2, 1)
        self.count = sums.count

    def evidence(self, sums: Sums, prior: Prior) -> Floats:
        """Log evidence of the rows taken so far with the hole at each height. Shape (heights,)."""
        gram, score = sums.gram.copy(), sums.score.copy()
        found = []
        for hole, own in enumerate(self.own):
            for piece, place in enumerate(self.places):
                gram[place] = gram[:, place] = self.cross[piece, hole, 1:]
                score[place] = self.cross[piece, hole, 0]
            gram[np.ix_(self.places, self.places)] = own
            found.append(log_evidence(gram, score, prior))
        return np.array(found)
