"""A site's trading days: each opens at one local wall-clock time, so it lasts 23 or 25 h where the clocks change."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

DAY_S = 86400.0
INSTANT_S = 1e-6
"""The last instant of a trading day lies this much before the next one opens: stamps are whole microseconds."""


@dataclass(frozen=True)
class TradingDays:
    """Consecutive trading days.

    `dates` (n), by the local date on which each opens; `bounds_s` (n + 1,), the UTC instants at which each opens and
    the last one closes. [s since 1970]
    """

    dates: tuple[date, ...]
    bounds_s: Floats

    def __len__(self) -> int:
        """How many there are."""
        return len(self.dates)

    def index_of(self, at_s: Floats) -> Whole:
        """Number of the trading day that each instant falls on; -1 or n outside them. Shape of `at_s`."""
        return np.searchsorted(self.bounds_s, at_s, "right").astype(np.int64) - 1

    def run_days(self) -> Whole:
        """UTC day number on which each boundary's trading day ended, whose run is first to see it whole. (n + 1,)"""
        return np.floor((self.bounds_s - INSTANT_S) / DAY_S).astype(np.int64)

    def hours(self) -> Floats:
        """Length of each trading day, shape (n,). [h]"""
        return np.diff(self.bounds_s) / 3600.0


def day_end_s(day: Whole) -> Floats:
    """The instant at which each UTC day number ends. [s since 1970]"""
    return np.asarray((day + 1) * DAY_S, dtype=np.float64)


def opening_s(day: date, timezone: ZoneInfo, opens_at: time) -> float:
    """The instant at which a local date's trading day opens. [s since 1970]

    A wall-clock time that a spring change skips is read with the offset in force before the change; one that an autumn
    change repeats is its first.
    """
    return datetime.combine(day, opens_at, tzinfo=timezone).astimezone(UTC).timestamp()


def trading_days(timezone: str, trading_day_start: str, first_s: float, last_s: float) -> TradingDays:
    """All trading days that touch the time from `first_s` to `last_s`, both included.

    Parameters
    ----------
    timezone : str
        IANA name.
    trading_day_start : str
        Local wall-clock time, HH:MM.
    first_s, last_s : float
        Instants. [s since 1970]

    Raises
    ------
    zoneinfo.ZoneInfoNotFoundError : if there is no such time zone.
    ValueError : if `trading_day_start` is no time.
    """
    zone, opens_at = ZoneInfo(timezone), time.fromisoformat(trading_day_start)
    day = datetime.fromtimestamp(first_s, zone).date() - timedelta(days=2)
    openings = [(day, opening_s(day, zone, opens_at))]
    while openings[-1][1] <= last_s:
        day += timedelta(days=1)
        openings.append((day, opening_s(day, zone, opens_at)))
    # One opening more than days: the last one is where the last day closes.
    first = max(number for number, (_, at_s) in enumerate(openings) if at_s <= first_s)
    kept = openings[first:]
    return TradingDays(tuple(day for day, _ in kept[:-1]), np.array([at_s for _, at_s in kept]))
