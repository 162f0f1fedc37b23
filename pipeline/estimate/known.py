"""Which UTC day's run first sees an instant, and what a day's clocks are corrected by."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.ledger.clocks import DayLag

DAY_S = 86400.0
HOLD_BACK_S = 1800.0
"""The last half hour of a day is left to the next day's run: a sale that spans midnight is known only then."""
TOLD_FIT = 0.3
"""Share of the gauges' movement that sales must explain before a day's clocks or feeds are told. No source."""
AGREED_S, AGREED_GAIN = 30.0, 0.05
"""A lag that is the day before's again, so nearly, and explains so much more of the movement than none, is told however
little the sales explain: among all lags that are looked for, chance agrees one time in three hundred. No source."""
USUAL_FIT_DAYS = 10
POOR_FIT_SHARE = 0.8
POOR_SD_S = 60.0
"""A day whose sales explain less of the movement than this share of the usual one has clocks that moved, where so many
sales fell on a reading that they tell a lag so nearly. No source."""
LAG_USED = 4.0
"""A day's clock lag is corrected when it is this many standard errors from none."""


def known_day(at_s: float) -> int:
    """UTC day number whose run first sees data of this instant."""
    return int((at_s + HOLD_BACK_S) // DAY_S)


def first_seen_s(day: int, lags: Mapping[int, DayLag]) -> float:
    """The instant of the gauge's clock from which on data are first seen by the run of a UTC day number.

    Half an hour before the day begins; where the till's clock is ahead, sooner by as much as it was the day before:
    what was sold in that time has the next day's date.
    """
    return day * DAY_S - HOLD_BACK_S - max(used_lag_s(lags.get(day - 1)), 0.0)


def seen_day(at_s: float, lags: Mapping[int, DayLag]) -> int:
    """UTC day number whose run first sees what the gauge and the meters say of an instant of the gauge's clock."""
    day = known_day(at_s)
    return day + 1 if at_s >= first_seen_s(day + 1, lags) else day


def agrees(lag: DayLag, before: DayLag | None) -> bool:
    """Whether a day's lag, larger than clocks differ by chance, is the day before's again."""
    if before is None or min(lag.gain, before.gain) < AGREED_GAIN:
        return False
    return abs(lag.lag_s) > AGREED_S >= abs(lag.lag_s - before.lag_s)


def is_clock_told(lag: DayLag) -> bool:
    """Whether a day's sales and gauges say how far apart their clocks are."""
    return lag.agrees or lag.fit >= TOLD_FIT


def used_lag_s(lag: DayLag | None) -> float:
    """The lag to correct for: the day's own where it is sure, else none. [s]"""
    if lag is None or abs(lag.lag_s) < LAG_USED * lag.sd_s or lag.gain < 0.002 or not is_clock_told(lag):
        return 0.0
    return lag.lag_s


def clock_changed(lags: dict[int, DayLag], day: int) -> bool:
    """Whether a day's sales stand at the wrong time for part of it, as clocks moved against each other, or nowhere.

    Where sales never explain much of what a gauge shows, a quiet site's or a noisy gauge's, a day like those before it
    is no such day.
    """
    lag = lags.get(day)
    if lag is None:
        return False
    before = [lags[one] for one in range(day - USUAL_FIT_DAYS, day) if one in lags]
    usual = [one.fit for one in before if not one.is_silent]
    fit = max(lag.fit, lag.calm_fit)
    is_poor = not is_clock_told(lag) and fit < POOR_FIT_SHARE * (float(np.median(usual)) if usual else 1.0)
    is_poor &= lag.sd_s <= POOR_SD_S
    return is_poor or lag.is_silent or clock_moved(lags, day)


def clock_moved(lags: dict[int, DayLag], day: int) -> bool:
    """Whether a day's lag is plainly another than the day before's."""
    lag, before = lags.get(day), lags.get(day - 1)
    if lag is None or before is None or not (is_clock_told(lag) and is_clock_told(before)):
        return False
    return abs(used_lag_s(lag) - used_lag_s(before)) > 30.0


def explains_falls(lag: DayLag | None) -> bool:
    """Whether a day's sales explain enough of what the gauges show to say by themselves which tanks they left."""
    return lag is None or lag.fit >= TOLD_FIT
