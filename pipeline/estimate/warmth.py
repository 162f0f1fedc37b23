"""The product's temperature, in the tank as its thermometer has it and at the meters."""

from __future__ import annotations

from math import inf, isfinite

import numpy as np
from numpy.typing import NDArray

from pipeline.physics.products import expansion_15_per_k
from pipeline.physics.ranks import median, quantile

Floats = NDArray[np.float64]

TEMP_WALK_C = 0.006
"""How far the bulk's temperature may wander in one hour, SD. No source: it follows the soil over days."""
TEMP_RATE_SD = 0.1
"""SD of the bulk's rate of cooling after a drop [K/h]; how fast that rate may change is the next. No source."""
TEMP_RATE_WALK = 0.0004
IN_THE_OPEN = 10.0
"""How many times as fast a tank in the open follows the weather. No source."""
WARMTH_SD_K = 0.4
"""How far the product at the meters is from the tank's temperature by the hour of the day, SD: 5 to 10 % of the way to
the air's, whose day swings by 4 to 8 K to either side. Common practice, no source."""
LATE_SD_H = 0.5
"""By how long a thermometer that is smoothed is late, or early, SD. No source."""
DAILY_SD_K = 0.015
"""How far a thermometer is off by the hour of the day, SD of the cosine and of the sine. Common practice, no source: a
rate error of 0.003 to 0.01 K/h that turns with the day."""
OPEN_DAILY_SD_K, UNTOLD_DAILY_SD_K = 0.3, 2.0
"""The same of a tank in the open, whose thermometer lags behind a day that swings by kelvins and feels the sun, and of
one without a thermometer, of which it is the swing itself. Common practice, no source: half an hour to an hour of lag,
and 1 to 4 K to either side."""
HALF_DAY_SHARE = 0.5
"""How much the half day may add to either, as a share: days warm sooner than they cool. No source."""
BEHIND_SHARE, BEHIND_H = 0.3, 1.0
"""What share of a drop's change of temperature a thermometer may still lack, SD, and how long that takes to go. No
source: a probe in its tube follows in some minutes to an hour or two."""
DAILY_NAMES = ("cosine", "sine", "half:cosine", "half:sine")
"""Of the columns of a day's swing."""
COARSE_C = 0.25
"""A thermometer whose nearest values so far lie so far apart is coarse: its steps are no temperature. No source."""
EDGE_SHARE = 0.1
"""How well a coarse thermometer tells the temperature when it steps, as a share of the step. No source."""
UNREAD_H, STILL_H, STILL_COARSE_H, TIMES = 3.0, 72.0, 240.0, 3.0
"""A thermometer has died where it gives nothing for so long, or stands at one value for so long, a coarse one for
longer, and so many times longer than it ever did; a fine one also where a drop changes nothing. No source: a buried
tank follows its soil by some hundredths of a kelvin a day, and drops bring kelvins. [h]"""
DAY_S = 86400.0
"""Seconds in a day."""


def is_told(temp_c: Floats, hours: Floats, dropped: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether a thermometer that works tells the temperature at each dip, or did lately. Shape (k,).

    `temp_c` (k,) as read, NaN where not; `dropped` (k,) the first dip after a drop. No dip knows a later one. One that
    has never moved is taken at its word.
    """
    told = np.zeros(len(hours), dtype=bool)
    value, finest_c, is_unmoved = np.nan, inf, False
    read_h, since_h, unread_h, still_h = -inf, 0.0, 0.0, 0.0
    for dip, (reading, hour, is_after) in enumerate(
        zip(temp_c.tolist(), hours.tolist(), dropped.tolist(), strict=True)
    ):
        if isfinite(reading):
            if reading != value:
                if isfinite(value):
                    still_h, finest_c = max(still_h, read_h - since_h), min(finest_c, abs(reading - value))
                value, since_h, is_unmoved = reading, hour, False
            elif is_after and finest_c < COARSE_C:
                is_unmoved = True
            if isfinite(read_h):
                unread_h = max(unread_h, hour - read_h)
            read_h = hour
        least_h = STILL_H if finest_c < COARSE_C else STILL_COARSE_H
        is_read = hour - read_h <= max(UNREAD_H, TIMES * unread_h)
        is_alive = not is_unmoved and hour - since_h <= max(least_h, TIMES * still_h)
        told[dip] = is_read and (is_alive or not isfinite(finest_c))
    return told


def coarseness_c(read_s: Floats, temp_c: Floats, at_s: Floats) -> Floats:
    """By how much a thermometer has shown to step, by the end of each instant's UTC day; 0 of a fine one. Shape (k,).

    `temp_c` (n,) are readings at `read_s` (n,), in order. [°C]
    """
    days = np.floor(at_s / DAY_S)
    found = np.zeros(len(at_s))
    values: set[float] = set()
    taken = 0
    for day in np.unique(days):
        until = int(np.searchsorted(read_s, (day + 1.0) * DAY_S))
        here = temp_c[taken:until]
        values.update(np.unique(np.round(here[np.isfinite(here)], 2)).tolist())
        taken = until
        least = float(np.diff(sorted(values)).min()) if len(values) > 1 else 0.0
        if least < COARSE_C and len(values) > 1:
            break
        found[days == day] = least
    return found


def smoothed_temp_c(
    temp_c: Floats, hours: Floats, drop_hours: Floats, coarse_c: Floats, *, in_the_open: bool
) -> Floats:
    """The probe's temperature smoothed by past values only, begun anew at each drop; gaps carry it on. [°C]

    A Kalman filter of temperature and its rate: the bulk cools or warms slowly and steadily, what the probe shows
    beyond that is its noise, told from second differences of the readings so far. Without it each reading's noise would
    be taken for litres. A tank `in_the_open` follows the weather; and a reading that the filter cannot believe makes it
    begin anew. A reading that is `coarse_c` (k,) says that the temperature lies within half a step of it, and where it
    changes, that it lies between.
    """
    times = IN_THE_OPEN if in_the_open else 1.0
    walk, rate_walk = times * TEMP_WALK_C, times * TEMP_RATE_WALK
    out = []
    segment = np.searchsorted(drop_hours, hours, "left")
    noise = _temp_noise_c(temp_c, segment)
    value, rate, last_segment = 15.0, 0.0, -1
    p_tt, p_tr, p_rr = 25.0, 0.0, TEMP_RATE_SD**2
    steps = np.clip(np.diff(hours, prepend=hours[:1]), 0.0, 12.0)
    columns = (temp_c.tolist(), steps.tolist(), segment.tolist(), (noise**2).tolist(), (0.5 * coarse_c).tolist())
    for reading, step, part, noise_k2, half in zip(*columns, strict=True):
        if part != last_segment:
            last_segment, rate, p_tt, p_tr, p_rr = part, 0.0, 100.0, 0.0, TEMP_RATE_SD**2
        value += rate * step
        p_tt += 2.0 * step * p_tr + step * step * p_rr + walk**2 * step
        p_tr += step * p_rr
        p_rr += rate_walk**2 * step
        if isfinite(reading):
            surprise, noise_k2 = (
                _told_by_steps(reading - value, p_tt, half) if half > 0.0 else (reading - value, noise_k2)
            )
            if surprise * surprise > 25.0 * (p_tt + noise_k2):
                p_tt += surprise * surprise
            total = p_tt + noise_k2
            gain_t, gain_r = p_tt / total, p_tr / total
            value, rate = value + gain_t * surprise, rate + gain_r * surprise
            p_rr -= gain_r * p_tr
            p_tr *= 1.0 - gain_t
            p_tt *= 1.0 - gain_t
        out.append(value)
    return np.array(out, dtype=np.float64)


def _told_by_steps(surprise: float, p_tt: float, half: float) -> tuple[float, float]:
    """What a reading that lies within `half` a step says: how far off the estimate is [K], and the variance of that.

    Nothing while an estimate that is surer than the step, of variance `p_tt`, lies within it.
    """
    if p_tt >= half * half:
        return surprise, half * half / 3.0
    beyond = max(surprise - half, 0.0) + min(surprise + half, 0.0)
    return beyond, (2.0 * EDGE_SHARE * half) ** 2 if beyond else inf


def _temp_noise_c(temp_c: Floats, segment: NDArray[np.int64]) -> Floats:
    """SD of each half hour's temperature, from the second differences so far. [°C]"""
    second = np.abs(np.diff(temp_c, 2))
    same = (segment[2:] == segment[:-2]) & np.isfinite(second)
    usual = np.full(len(temp_c), 0.05)
    for start in range(48, len(temp_c), 48):
        sample = second[max(0, start - 960) : start - 2][same[max(0, start - 960) : start - 2]]
        if len(sample) >= 20:
            low = 1.4826 * median(sample) / np.sqrt(6.0)
            wide = float(np.sqrt(np.mean(np.minimum(sample, quantile(sample, 0.9)) ** 2) / 6.0))
            usual[start : start + 48] = max(low, wide, 0.01)
    return usual


def by_the_hour(sold_15: Floats, hours: Floats, product: str) -> Floats:
    """Litres at 15 °C that were not sold, for each kelvin by which the product at the meters is warmer than the tank's.

    So far, weighed by the cosine and by the sine of the hour of the day. Shape (k, 2). [l/K]
    """
    steps = expansion_15_per_k(product) * np.diff(sold_15, prepend=sold_15[:1])
    return np.asarray(np.cumsum(steps[:, None] * turned(hours), axis=0))


def turned(hours: Floats) -> Floats:
    """Cosine and sine of the hour of the day, UTC. Shape (k, 2)."""
    turn = 2.0 * np.pi * hours / 24.0
    return np.column_stack([np.cos(turn), np.sin(turn)])


def daily_columns(l_per_k: Floats, hours: Floats) -> Floats:
    """Litres that a day's swing of a kelvin feigns: cosine and sine of the day, and of the half day. Shape (k, 4)."""
    return np.asarray(l_per_k[:, None] * np.column_stack([turned(hours), HALF_DAY_SHARE * turned(2.0 * hours)]))


def thermometer_columns(temp_c: Floats, hours: Floats, jump_var_l2: Floats) -> Floats:
    """By how much a thermometer reads off for each hour that it is late, for the share of a drop that it lacks, by day.

    The temperature's rate [K/h], none at a drop; a drop's change of temperature, fading over `BEHIND_H` [K];
    cosine and sine of the hour. Shape (k, 4).
    """
    steps, warmer = np.diff(hours, prepend=hours[:1]), np.diff(temp_c, prepend=temp_c[:1])
    is_after = jump_var_l2 > 0.0
    rate = np.where(is_after, 0.0, np.clip(warmer / np.maximum(steps, 0.25), -1.0, 1.0))
    behind = np.where(is_after, warmer, 0.0)
    keep = np.exp(-steps / BEHIND_H)
    for place in range(1, len(behind)):
        behind[place] += keep[place] * behind[place - 1]
    return np.column_stack([rate, behind, turned(hours)])
