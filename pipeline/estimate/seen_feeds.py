"""Which of a unit's meters draw on it, day by day, each day's answer found again by what it was told from."""

from __future__ import annotations

from functools import partial

import numpy as np

from pipeline.estimate.kept import Shelf, key_of
from pipeline.features.feeds import FeedDay, own_feeds
from pipeline.ledger.moves import Moves


def feeds_between(moves: Moves, start_s: float, end_s: float, kept: Shelf[list[FeedDay]]) -> dict[str, FeedDay]:
    """What `own_feeds` says of each of a unit's meters between two instants, by the meter's identifier."""
    here = slice(*np.searchsorted(moves.ts_s, [start_s, end_s]))
    rows = (moves.ts_s, moves.known_s, moves.stock_l, moves.sold_l, moves.own, moves.in_drop)
    key = key_of(end_s, moves.meters, moves.step_s, *(one[here] for one in rows))
    return {one.meter_id: one for one in kept.of(key, partial(own_feeds, moves, start_s, end_s))}
