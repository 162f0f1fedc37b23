"""Totaliser against sales: litres that a meter counted and nobody booked.

A till writes a sale when it is paid, when the pump is let go or on the whole minute, so a reading of the totaliser may
stand before or behind the books by a sale or two and be level with them at the next. What nobody booked stays. At a
site that is new, or whose books have lately come level by themselves, litres count only once two more readings bear
them out; what is booked after all, by most of three readings, is given back.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.movements import MeterFlow, cumulative_l

Floats = NDArray[np.float64]

SMALLEST_L = 2.0
"""Smaller differences are rounding, or a sale caught in mid-flow."""
SMALLEST_SHARE = 0.005
"""So much of what a meter moved its two counters may differ by: the maximum permissible error of OIML R 117-1."""
GRAINS_L = (100.0, 10.0, 1.0)
"""What a totaliser may count in; it is told from the first `GRAIN_READINGS` readings. Common practice, no source."""
BY_HAND_L, BY_HAND_SIZES = 4.5, 5
"""Sales of so many sizes or more, all in whole litres, are written down by people, who round some of them to five or
ten: three SDs of 1.5 l a sale. No source."""
GRAIN_READINGS = 20
LARGEST_L = 1e5
"""A totaliser that moves by more within one span was set to another value."""
PLENTY_L = 1000.0
"""Litres of one span from which further readings must bear them out, at any meter: one reading may be a bad one."""
BORNE_OUT_BY = 2
"""Readings that must bear litres out where books run behind or ahead. No source."""
REMEMBERED_S = 14 * 86_400.0
"""So long a site counts as one whose till runs behind or ahead, a new one too, and what was unbooked may be booked. No
source."""


@dataclass(frozen=True)
class Unbooked:
    """Litres that a meter's totaliser moved between two readings beyond its booked sales. Times in seconds.

    Negative litres were counted so before and are booked now. `waited_s`, how long after the second reading it was
    known. Where a totaliser was silent with its sales they are what its tank lost: `is_counted` is false.
    """

    meter_id: str
    start_s: float
    end_s: float
    litres: float
    waited_s: float = 0.0
    is_counted: bool = True

    @property
    def known_s(self) -> float:
        """When the readings that bear it out were taken. [s]"""
        return self.end_s + self.waited_s


@dataclass(frozen=True)
class _Ahead:
    """By how much a totaliser is ahead of the books since its first reading.

    `ahead_l` (n,) at each reading `at_s` (n,), and `least_l` (n,), by which it must have moved since the one before to
    count.
    """

    at_s: Floats
    ahead_l: Floats
    least_l: Floats

    @property
    def swung_s(self) -> Floats:
        """Readings at which the books came level with the totaliser by themselves, or went ahead of it. [s]"""
        return self.at_s[1:][np.diff(self.ahead_l) <= -self.least_l[1:]]


@dataclass(frozen=True)
class MeterTotals:
    """A meter's totaliser readings `total_l` (n,) at `total_s` (n,), in order and on the till's clock, and its books.

    `booked` are all its draws: sales and test returns, whole (no shares).
    """

    meter_id: str
    total_s: Floats
    total_l: Floats
    booked: MeterFlow


def unbooked(meters: Sequence[MeterTotals], *, mirrored: bool = False) -> list[Unbooked]:
    """Spans in which the totalisers of a site's meters outran sales and test returns for good, in order of time.

    Readings taken while a hose was open are passed over. What was counted across a fall of the totaliser (a reset or a
    roll-over) is unknown; a single reading that falls and comes back was a bad one. With `mirrored` the books that
    outran a totaliser at work, instead: nothing takes such litres, so they are chance.
    """
    parts = [(one.meter_id, part) for one in meters for part in _parts(one, mirrored=mirrored)]
    new_s = [one.total_s[0] for one in meters if len(one.total_s)]
    swung_s = np.sort(np.concatenate([np.array([min(new_s, default=0.0)]), *(part.swung_s for _, part in parts)]))
    found = [span for meter_id, part in parts for span in _settled(meter_id, part, swung_s)]
    return sorted(found, key=lambda one: (one.end_s, one.meter_id))


def _parts(meter: MeterTotals, *, mirrored: bool) -> Iterator[_Ahead]:
    """The stretches between resets, each with what the totaliser is ahead by."""
    starts, ends = meter.booked.start_s, meter.booked.end_s
    is_idle = np.searchsorted(starts, meter.total_s + 15.0, "right") <= np.searchsorted(ends, meter.total_s - 15.0)
    at_s, total_l = meter.total_s[is_idle], meter.total_l[is_idle]
    sold_l = cumulative_l(meter.booked, at_s)
    good = _good(total_l, total_l - sold_l)
    at_s, total_l, sold_l = at_s[good], total_l[good], sold_l[good]
    grain_l = _grain_l(total_l)
    moved_l = np.diff(total_l)
    excess_l = moved_l - np.diff(sold_l)
    sales = np.diff(np.searchsorted(ends, at_s))
    rounded_l = BY_HAND_L * np.sqrt(sales) if _is_by_hand(meter.booked.volume_l) else 0.0
    least_l = np.maximum(np.maximum(max(SMALLEST_L, 1.5 * grain_l), rounded_l), SMALLEST_SHARE * np.abs(moved_l))
    if mirrored:
        # A totaliser that stands still is broken.
        excess_l = np.where(moved_l > 0.0, -excess_l, 0.0)
    resets = np.flatnonzero((moved_l < 0.0) | (np.abs(excess_l) >= LARGEST_L)) + 1
    for start, stop in zip([0, *resets.tolist()], [*resets.tolist(), len(at_s)], strict=True):
        excess = excess_l[start : stop - 1]
        ahead = np.concatenate([[0.0], np.cumsum(excess)])
        yield _Ahead(at_s[start:stop], ahead, np.concatenate([[0.0], least_l[start : stop - 1]]))


def _good(total_l: Floats, ahead_l: Floats) -> NDArray[np.bool_]:
    """Whether each reading is none that fell below the one before and was made good by the next. Shape (n,)."""
    good = np.ones(len(total_l), dtype=bool)
    fell = (total_l[1:-1] < total_l[:-2]) & (np.abs(ahead_l[2:] - ahead_l[:-2]) < PLENTY_L)
    good[1:-1] = ~fell
    return good


def _is_by_hand(sold_l: Floats) -> bool:
    """Whether the first `GRAIN_READINGS` sales of a meter look as if people had written them down."""
    first = sold_l[:GRAIN_READINGS]
    return len(np.unique(first)) >= BY_HAND_SIZES and bool((first % 1.0 == 0.0).all())


def _grain_l(total_l: Floats) -> float:
    """What a totaliser counts in, by its first readings; 0 where in less than whole litres. [l]"""
    first = total_l[:GRAIN_READINGS]
    return next((grain for grain in GRAINS_L if len(first) and np.allclose(first % grain, 0.0)), 0.0)


def _settled(meter_id: str, by: _Ahead, swung_s: Floats) -> Iterator[Unbooked]:
    """Each lasting rise above all that was counted before, and each fall that gives some of it back.

    `swung_s`, in order, when any of the site's books came level by themselves: one till writes them all.
    """
    from pipeline.features.kernels import settled_l  # numba is a second to import: only who analyses pays

    at_s = by.at_s
    is_late = np.searchsorted(swung_s, at_s, "right") > np.searchsorted(swung_s, at_s - REMEMBERED_S)
    litres, known = settled_l(at_s, by.ahead_l, by.least_l, is_late, (PLENTY_L, BORNE_OUT_BY, REMEMBERED_S))
    for place in np.flatnonzero(litres).tolist():
        start_s, end_s = float(at_s[place - 1]), float(at_s[place])
        yield Unbooked(meter_id, start_s, end_s, float(litres[place]), float(at_s[known[place]]) - end_s)
