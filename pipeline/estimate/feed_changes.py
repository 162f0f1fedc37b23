"""Which meters draw on another tank than the one that their sales are booked to, day by day.

Each is told by what the day's run sees, and the tanks' moves follow from its onset on, so that the next meter and the
next day are judged with the feed put right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.kept import Shelf
from pipeline.estimate.known import DAY_S, clock_changed, explains_falls, first_seen_s
from pipeline.estimate.seen_feeds import feeds_between
from pipeline.features.feeds import FeedDay, onset_s, other_feed
from pipeline.ledger.clocks import DayLag
from pipeline.ledger.fleet import Feed, share_at
from pipeline.ledger.moves import Moves

NOT_DRAWN_T = 6.0
AS_BOOKED = 0.7
"""A day tells of one hose where most of the others drew at least such a share where they are taken to. No source."""
FEED_LOOK_BACK_S = 10 * DAY_S
"""A hose that sells little shows on the wrong tank only after days."""


@dataclass(frozen=True)
class FeedChange:
    """A meter that draws on another tank than the one that its sales are booked to.

    From `from_s` on it is taken to draw on `to_unit` (None: on none that is known) and not on `unit_id`, where its
    sales are booked; seen on `day`, and in hindsight since `since_s`. `share` of its sales that the booked unit still
    lost, and its SD.
    """

    meter_id: str
    unit_id: str
    to_unit: str | None
    from_s: float
    since_s: float
    day: int
    share: float
    sd: float


@dataclass(frozen=True)
class _Seen:
    """What a day's run sees of the feeds, by unit: from when to when [s], on which day."""

    start_s: float
    end_s: float
    day: int
    feeds: Mapping[str, Mapping[str, FeedDay]]


def feed_changes(
    moves: Mapping[str, Moves],
    feeds: list[Feed],
    meters: Sequence[str],
    clocks: tuple[NDArray[np.int64], dict[int, DayLag]],
    kept: Shelf[list[FeedDay]],
) -> tuple[list[FeedChange], dict[str, Moves]]:
    """Some meters whose sales leave another unit than the one they are booked to, and the units' `moves` after that.

    A day on which the `clocks`, the site's days and their lags, moved is passed over, and one whose sales hardly
    explain the falls where the other hoses do not show that they do.
    """
    moves = dict(moves)
    days, lags = clocks
    changes: list[FeedChange] = []
    for day in days.tolist():
        if clock_changed(lags, day):
            continue
        start_s, end_s = first_seen_s(day, lags), first_seen_s(day + 1, lags)
        seen = _seen(moves, (start_s, end_s), day, kept)
        held = _held(moves, end_s)
        told = _told(seen, meters, explained=explains_falls(lags.get(day)))
        for meter in told:
            homes = [name for name, shares in held.items() if shares.get(meter, 0.0) > 0.99]
            booked_s = _booked_s(feeds, meter, end_s)
            since = seen if booked_s <= start_s else _seen(moves, (booked_s, end_s), day, kept)
            change = _changed(meter, homes[0], since, moves, feeds) if len(homes) == 1 else None
            if change is not None:
                changes.append(change)
                moves = {name: _put_right(own, change, name) for name, own in moves.items()}
                held = _held(moves, end_s)
    return changes, moves


def _seen(moves: Mapping[str, Moves], span_s: tuple[float, float], day: int, kept: Shelf[list[FeedDay]]) -> _Seen:
    return _Seen(*span_s, day, {name: feeds_between(own, *span_s, kept) for name, own in moves.items()})


def _told(seen: _Seen, meters: Sequence[str], *, explained: bool) -> list[str]:
    """The meters that a day may say something of: all where sales explain the falls, else those beside good ones.

    Where many hoses are open at once, or the till stamps them late, sales explain little of any step and yet enough of
    all together: then the site's other hoses lie where they are booked.
    """
    if explained:
        return list(meters)
    drawn = [(one.meter_id, one.drawn) for unit in seen.feeds.values() for one in unit.values()]
    others = {meter: [share for name, share in drawn if name != meter] for meter in meters}
    return [meter for meter, shares in others.items() if shares and float(np.median(shares)) >= AS_BOOKED]


def _booked_s(feeds: list[Feed], meter: str, before_s: float) -> float:
    """Since when the books have had a meter where it is just before an instant. [s]"""
    return max((one.from_s for one in feeds if one.meter_id == meter and one.from_s < before_s), default=-np.inf)


def _held(moves: Mapping[str, Moves], at_s: float) -> dict[str, dict[str, float]]:
    """The share of each meter that each unit is taken to supply just before an instant."""
    held = {}
    for name, own in moves.items():
        place = int(np.searchsorted(own.ts_s, at_s)) - 1
        held[name] = dict(zip(own.meters, own.own[place].tolist(), strict=True)) if place >= 0 else {}
    return held


def _changed(meter: str, home: str, seen: _Seen, moves: Mapping[str, Moves], feeds: list[Feed]) -> FeedChange | None:
    """What a day says of a meter that is taken to draw on `home`, where it does not."""
    here = seen.feeds[home].get(meter)
    if here is None or here.drawn > 0.5 or (1.0 - here.drawn) < NOT_DRAWN_T * here.sd:
        return None
    others = {
        name: seen.feeds[name].get(meter) or other_feed(own, meter, seen.start_s, seen.end_s)
        for name, own in moves.items()
        if name != home
    }
    # No spread at all is what is left where every row that tells is far off.
    likely = [
        (one.drawn / max(one.sd, 1e-9), name) for name, one in others.items() if one is not None and one.drawn > 0.4
    ]
    likely = [(score, name) for score, name in likely if score > 5.0]
    if not likely:
        return None
    booked_s = _booked_s(feeds, meter, seen.end_s)
    booked = [name for name in moves if share_at(feeds, meter, name, np.array([seen.end_s - 1.0]))[0] > 0.99]
    onset = max(onset_s(moves[home], meter, seen.start_s, seen.end_s), booked_s)
    back_s = max(seen.start_s - FEED_LOOK_BACK_S, booked_s)
    since = max(onset_s(moves[home], meter, back_s, seen.end_s), booked_s)
    unit_id = booked[0] if booked else home
    return FeedChange(meter, unit_id, max(likely)[1], onset, min(since, onset), seen.day, here.drawn, here.sd)


def _put_right(moves: Moves, change: FeedChange, unit_id: str) -> Moves:
    """A unit's moves with the meter's sales its own from the change on, or not."""
    own = moves.own.copy()
    own[moves.ts_s >= change.from_s, moves.meters.index(change.meter_id)] = float(unit_id == change.to_unit)
    return moves.with_own(own)
