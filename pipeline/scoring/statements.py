"""What a month of trading days says of a tank: throughput, variance, the leak that it shows or could have shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.cases.finding import Finding
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.ledger.movements import open_spans
from pipeline.scoring.unit_days import UnitDays

Floats = NDArray[np.float64]

DETECTABLE_SDS: Final = 3.29
"""Sum of the normal quantiles of 95 % detection and of 5 % false alarms."""
INTERVAL_SDS: Final = 1.96
DEADBAND_MM: Final = 0.75
"""A gauge that hides this much cannot show a tank tight: it may stand still all night over a leak of litres an hour.
Such a month fails only where its leak's whole interval lies beyond the limit."""
FEWEST_DAYS: Final = 10
FEWEST_TOLD: Final = 3
SETTLED_DIPS: Final = 20
"""A day with so many half hours of settled readings counts. With fewer such days than the second figure a month has no
estimate; with fewer than the first, they are the reason where it says nothing. Common practice, no source."""
QUIET_HOURS: Final = 1.0
"""Without a rest of this length on most days there is no quiet time to speak of."""
FAULTS: Final = {"probe_fault": "the gauge was at fault", "clock_skew": "the clocks of gauge and till were apart"}
MOST_SD_L_PER_H: Final = 1e3
"""A leak that is unsure by more is no estimate. No source."""
EPOCH = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class Limits:
    """Leaks by which a month is judged [l/h]: one that must be detectable, and one from which it has failed."""

    detectable_l_per_h: float = 0.757
    fail_l_per_h: float = 0.757 / 2


@dataclass(frozen=True)
class Statement:
    """One unit's month; figures are NaN where the data cannot give them."""

    month: date
    throughput_l: float
    variance_l: float
    leak_l_per_h: float
    sd_l_per_h: float
    detectable_l_per_h: float
    verdict: str
    reason: str | None

    @property
    def interval_l_per_h(self) -> tuple[float, float]:
        """95 % interval of the leak. [l/h]"""
        half = INTERVAL_SDS * self.sd_l_per_h
        return self.leak_l_per_h - half, self.leak_l_per_h + half


def statements(
    days: UnitDays,
    walked: UnitWalk | None,
    findings: Sequence[Finding],
    *,
    hidden_mm: Floats,
    limits: Limits,
) -> list[Statement]:
    """One statement a calendar month of trading days, in order.

    Parameters
    ----------
    days : UnitDays
    walked : the unit's walk, None where too little settled
    findings : those of the unit and of its site, whenever seen
    hidden_mm : ndarray, shape (n,)
        Change of level that the reporting hides on each day, NaN where unknown. [mm]
    limits : Limits
    """
    months = np.array([day.toordinal() - day.day + 1 for day in days.days.dates])
    return [
        _statement(days, walked, findings, (date.fromordinal(int(month)), months == month, hidden_mm), limits)
        for month in np.unique(months)
    ]


def _statement(
    days: UnitDays,
    walked: UnitWalk | None,
    findings: Sequence[Finding],
    of: tuple[date, NDArray[np.bool_], Floats],
    limits: Limits,
) -> Statement:
    month, inside, hidden_mm = of
    throughput = float(days.sold_l[inside].sum())
    variance = days.variance_l[inside]
    known = np.isfinite(variance)
    leak, sd = month_leak(walked, month) if _settled_days(days, walked, inside) >= FEWEST_TOLD else (np.nan, np.nan)
    hidden = float(np.nanmedian(hidden_mm[inside])) if np.isfinite(hidden_mm[inside]).any() else np.nan
    detectable = DETECTABLE_SDS * sd
    surely_failed = detectable <= limits.detectable_l_per_h and leak - INTERVAL_SDS * sd > limits.fail_l_per_h
    if hidden >= DEADBAND_MM and not surely_failed:
        detectable = max(detectable, _hidden_leak_l_per_h(days, walked, inside, hidden))
        if detectable <= limits.detectable_l_per_h:
            leak, sd, detectable = np.nan, np.nan, np.nan
    verdict = _verdict(leak, detectable, limits)
    reason = _reason(days, walked, findings, of, hidden) if verdict == "inconclusive" else None
    return Statement(
        month=month,
        throughput_l=throughput,
        variance_l=float(variance[known].sum()) if known.any() else np.nan,
        leak_l_per_h=leak,
        sd_l_per_h=sd,
        detectable_l_per_h=detectable,
        verdict=verdict,
        reason=reason,
    )


def month_leak(walked: UnitWalk | None, month: date) -> tuple[float, float]:
    """Leak over a month and its SD, by the last run of that UTC month. NaN where there is none. [l/h]

    What a season's warming makes of an expansion that is not quite known, which no month averages away, is in the SD:
    the expansion is one of the balance's coefficients.
    """
    if walked is None:
        return np.nan, np.nan
    first = month.toordinal() - EPOCH
    last = (month.replace(year=month.year + month.month // 12, month=month.month % 12 + 1)).toordinal() - EPOCH - 1
    views = [view for view in walked.walk.views if first <= view.day <= last]
    if not views:
        return np.nan, np.nan
    leak, sd = views[-1].month_leak
    if not np.isfinite(leak) or not sd < MOST_SD_L_PER_H:
        return np.nan, np.nan
    return leak, sd


def _settled_days(days: UnitDays, walked: UnitWalk | None, inside: NDArray[np.bool_]) -> int:
    """How many of the days have settled readings."""
    return int((np.diff(days.last_dip)[inside] >= SETTLED_DIPS).sum()) if walked is not None else 0


def _verdict(leak: float, detectable: float, limits: Limits) -> str:
    if not np.isfinite(leak) or not detectable <= limits.detectable_l_per_h:
        return "inconclusive"
    return "fail" if leak > limits.fail_l_per_h else "pass"


def _hidden_leak_l_per_h(days: UnitDays, walked: UnitWalk | None, inside: NDArray[np.bool_], hidden_mm: float) -> float:
    """A leak that stays below the hidden change through a usual day's longest rest. [l/h]"""
    if walked is None:
        return np.nan
    surface = float(np.median(walked.seen.unit.series.surface_l_per_mm))
    rest_h = float(np.median(longest_rest_h(days, walked)[inside]))
    return hidden_mm * surface / max(rest_h, 0.25)


def longest_rest_h(days: UnitDays, walked: UnitWalk) -> Floats:
    """The longest time on each day without a hose open. Shape (n,). [h]"""
    spans = open_spans(walked.seen.flows)
    rests = np.empty(len(days))
    for number, (low, high) in enumerate(zip(days.days.bounds_s[:-1], days.days.bounds_s[1:], strict=True)):
        first, last = np.searchsorted(spans.end_s, low), np.searchsorted(spans.start_s, high)
        starts = np.append(spans.start_s[first:last], high)
        ends = np.insert(spans.end_s[first:last], 0, low)
        rests[number] = max(float((starts - ends).max()) / 3600.0, 0.0)
    return rests


def _reason(
    days: UnitDays,
    walked: UnitWalk | None,
    findings: Sequence[Finding],
    of: tuple[date, NDArray[np.bool_], Floats],
    hidden_mm: float,
) -> str:
    """Why a month says nothing, the first that holds."""
    _, inside, _ = of
    at = np.flatnonzero(inside)
    if hidden_mm >= DEADBAND_MM:
        return f"deadband: the gauge's reporting hides changes of {hidden_mm:.2g} mm"
    settled = _settled_days(days, walked, inside)
    if settled < FEWEST_DAYS:
        return f"too few days: {settled} of {len(at)} have settled readings"
    start_s, end_s = days.days.bounds_s[at[0]], days.days.bounds_s[at[-1] + 1]
    last_run = int(days.run_day[at[-1] + 1])
    for cause, words in FAULTS.items():
        for finding in findings:
            lasts = finding.end_s is None or finding.end_s > start_s
            if finding.cause == cause and finding.day <= last_run and finding.start_s < end_s and lasts:
                return f"a fault in the data: {words}"
    if walked is not None and float(np.median(longest_rest_h(days, walked)[at])) < QUIET_HOURS:
        return "no quiet time: on most days the tank never rests for an hour"
    return "the readings scatter too much for a leak of this size to show"
