"""How a gauge reports: what its reporting hides, and how long a value may hold until the next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ledger.gauge import LONGEST_HOLD_S, seconds
from pipeline.physics.ranks import median, quantile

Floats = NDArray[np.float64]

DAY_S = 86400.0
WINDOW_DAYS = 7
SHORTEST_HOLD_S = 7200.0
FEWEST_CHANGES = 8
"""With fewer changes on a day its reporting is not judged."""
HELD_SHARE = 0.05
"""A gauge that shows a change all but this share of the times it is asked holds nothing back."""
UNKNOWN_MM = 0.1
"""What is taken to be hidden before a gauge has shown it: the last digit that most give. Common practice, no source."""
BEATS = 8.0
"""Changes of a day that a heartbeat may bring, one an hour through a night. No source."""


@dataclass(frozen=True)
class Reporting:
    """A tank's reporting as known after each UTC day in `day` (n,).

    `hidden_mm` (n,) the smallest change that it lets through, NaN where unknown; `hold_s` (n,) how old a value may be
    and still hold. [s]
    """

    day: NDArray[np.int64]
    hidden_mm: Floats
    hold_s: Floats

    def hidden_on(self, day: int) -> float:
        """The last that was known of the hidden change up to a day. [mm] NaN where nothing was."""
        place = int(np.searchsorted(self.day, day, "right")) - 1
        return float(self.hidden_mm[place]) if place >= 0 else np.nan

    def hold_on(self, day: NDArray[np.int64]) -> Floats:
        """How old a value may be on each day and still hold. Shape of `day`. [s]"""
        if not len(self.day):
            return np.full(len(day), SHORTEST_HOLD_S)
        place = np.searchsorted(self.day, day, "right") - 1
        return np.where(place >= 0, self.hold_s[np.maximum(place, 0)], SHORTEST_HOLD_S)


def most_hidden_mm(gauges: Iterable[Reporting], day: int) -> float:
    """The largest change that the reporting of some gauges together hides, as known on a UTC day number. [mm]"""
    hidden = [one.hidden_on(day) for one in gauges]
    return max((UNKNOWN_MM if np.isnan(one) else one for one in hidden), default=UNKNOWN_MM)


def reporting_of(readings: pl.DataFrame) -> Reporting:
    """How one tank's readings are reported, day by day, each day from the last `WINDOW_DAYS` days up to it.

    Where a value is reported on exception, or repeated until it has moved enough, no two neighbouring values differ by
    less than the deadband, but for those that a heartbeat brings after a long silence: so a low quantile of the changes
    is what is hidden. A gauge that reports all it sees shows steps as small as its resolution, however fast its tank
    sells. A value holds for as long as the longest silence of a usual day.

    Parameters
    ----------
    readings : frame
        One tank's `readings` rows.
    """
    rows = readings.filter((pl.col("quality") != "bad") & pl.col("level_mm").is_not_null()).sort("ts")
    at_s, level = seconds(rows["ts"]), rows["level_mm"].to_numpy()
    is_new = np.diff(at_s, prepend=-np.inf) > 0.0
    at_s, level = at_s[is_new], level[is_new]
    if len(at_s) < 2:
        return Reporting(np.empty(0, np.int64), np.empty(0), np.empty(0))
    gap, step = np.diff(at_s), np.abs(np.diff(level))
    day = np.floor(at_s[1:] / DAY_S).astype(np.int64)
    days, firsts = np.unique(day, return_index=True)
    edges = np.append(firsts, len(day))
    hidden, longest = np.full(len(days), np.nan), np.empty(len(days))
    for number in range(len(days)):
        here = slice(edges[number], edges[number + 1])
        hidden[number] = _hidden_mm(gap[here], step[here])
        longest[number] = gap[here].max()
    return Reporting(
        days,
        _trailing_median(hidden),
        np.clip(_trailing_median(longest), SHORTEST_HOLD_S, LONGEST_HOLD_S),
    )


def _hidden_mm(gap_s: Floats, step_mm: Floats) -> float:
    """The smallest change that one day's reporting lets through. [mm] NaN with too few changes."""
    moved = step_mm > 1e-4
    if moved.sum() < FEWEST_CHANGES:
        return np.nan
    # Of the times at which the gauge could have reported, the share at which it did, and reported a change.
    asked = gap_s.sum() / max(quantile(gap_s, 0.01), 1.0)
    if moved.sum() > (1.0 - HELD_SHARE) * asked:
        return quantile(step_mm[moved], 0.01)
    prompt = moved & (gap_s < 0.95 * gap_s.max()) if np.ptp(gap_s) > 1.0 else moved
    steps = step_mm[prompt if prompt.sum() >= FEWEST_CHANGES else moved]
    return quantile(steps, min(BEATS / len(steps) + 0.02, 0.2))


def _trailing_median(values: Floats) -> Floats:
    """Median of the known values among the last `WINDOW_DAYS`, each place's own included."""
    out = np.full(len(values), np.nan)
    for number in range(len(values)):
        recent = values[max(0, number - WINDOW_DAYS + 1) : number + 1]
        recent = recent[np.isfinite(recent)]
        if len(recent):
            out[number] = median(recent)
    return out
