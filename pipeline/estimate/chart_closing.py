"""How far the cumulative variance of a tank closes by the site's chart and by the corrected one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_data import METERS, ChartData

Floats = NDArray[np.float64]

DAYS_A_MONTH = 365.25 / 12.0
ENDS = 3
"""So many dips at each end of a stretch say by their medians where it begins and ends."""


@dataclass(frozen=True)
class Closing:
    """How far the cumulative variance (gauge less book, at 15 °C) strays from its mean, as root mean square [l].

    By the site's chart and by the corrected one: over all the data, and within each stretch between two drops, where
    no ticket's error comes in. Moves of which nothing is known are taken out.
    """

    before_l: float
    after_l: float
    between_drops_before_l: float
    between_drops_after_l: float


@dataclass(frozen=True)
class Stretch:
    """One stretch between two drops: from `start_s` to `end_s`, the level from `start_mm` to `end_mm`, `sold_l` drawn.

    `before_l` and `after_l` are the variance that came up in it by the site's chart and by the corrected one.
    """

    start_s: float
    end_s: float
    start_mm: float
    end_mm: float
    sold_l: float
    before_l: float
    after_l: float


def closing_of(data: ChartData, correction_l: Floats) -> Closing:
    """How the data close with litres added at each dip. `correction_l` of shape (k,). [l]"""
    before, after = data.by_chart_l, data.y_l + data.vcf * correction_l
    return Closing(
        _stray_l(_joined(before, data.free)),
        _stray_l(_joined(after, data.free)),
        _stray_l(_centred(before, data.cycle)),
        _stray_l(_centred(after, data.cycle)),
    )


def stretches_of(data: ChartData, correction_l: Floats) -> tuple[Stretch, ...]:
    """The same stretch by stretch, for those that have dips enough to tell both ends."""
    before, after = data.by_chart_l, data.y_l + data.vcf * correction_l
    sold = _sold_l(data)
    found = []
    for number in np.unique(data.cycle):
        dips = np.flatnonzero(data.cycle == number)
        if len(dips) < 2 * ENDS:
            continue
        first, last = dips[:ENDS], dips[-ENDS:]
        found.append(
            Stretch(
                start_s=3600.0 * float(data.hours[dips[0]]),
                end_s=3600.0 * float(data.hours[dips[-1]]),
                start_mm=float(data.level_mm[dips[0]]),
                end_mm=float(data.level_mm[dips[-1]]),
                sold_l=float(np.median(sold[last]) - np.median(sold[first])),
                before_l=float(np.median(before[last]) - np.median(before[first])),
                after_l=float(np.median(after[last]) - np.median(after[first])),
            )
        )
    return tuple(found)


def sold_l_per_month(data: ChartData) -> float:
    """Litres at 15 °C drawn in a month. [l]"""
    sold = _sold_l(data)
    return 24.0 * DAYS_A_MONTH * float(sold[-1] - sold[0]) / float(data.hours[-1] - data.hours[0])


def daily_variance_l(data: ChartData, correction_l: Floats) -> float:
    """Litres that the chart puts into the variance of a month's days, each day's taken without its sign. [l]

    From the first dip of a UTC day to that of the next the chart makes a variance of the litres that it lacks there
    less those that it lacks then. NaN where no two days follow each other.
    """
    day, first = np.unique(np.floor(data.hours / 24.0).astype(np.int64), return_index=True)
    lacks = (data.vcf * correction_l)[first]
    next_day = np.diff(day) == 1
    return DAYS_A_MONTH * float(np.mean(np.abs(np.diff(lacks)[next_day]))) if next_day.any() else float("nan")


def _sold_l(data: ChartData) -> Floats:
    """Litres at 15 °C drawn up to each dip. Shape (k,). [l]"""
    return np.asarray(-data.others[:, data.names.index(METERS)])


def _joined(values: Floats, free: NDArray[np.bool_]) -> Floats:
    """The values with the steps before free dips taken out."""
    steps = np.diff(values, prepend=values[:1])
    return np.cumsum(np.where(free, 0.0, steps))


def _centred(values: Floats, cycle: NDArray[np.int64]) -> Floats:
    """The values less the mean of their cycle."""
    _, place = np.unique(cycle, return_inverse=True)
    return np.asarray(values - (np.bincount(place, values) / np.bincount(place))[place])


def _stray_l(values: Floats) -> float:
    return float(np.std(values))
