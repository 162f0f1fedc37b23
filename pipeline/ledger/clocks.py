"""How far a site's till clock runs ahead of its gauge's clock, day by day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from pipeline.ledger.gauge import GaugeSeries
from pipeline.ledger.movements import MeterFlow, in_order, sold_until_l
from pipeline.ledger.stamps import LOADS_L_PER_MIN, ONE_INSTANT, Stamp, load_rates, odd_share, stamped
from pipeline.physics.ranks import median, quantile

Floats = NDArray[np.float64]

WIDEST_LAG_S = 150 * 60.0
"""Widest lag looked for: an hour of daylight saving and more."""
APART_S = 60.0
"""Readings that come sooner after one another are left out when clocks are compared."""
KNOT_S = 5.0
"""How finely sales are followed."""
ODD_SHARE = 0.2
"""Share of a day's litres in sales of an odd length from which it is asked which instant the till knows. No source."""
CLEAR_FIT = 0.05
"""Share of the movement by which one instant must explain more than both. No source."""
HOUR_S = 3600.0
ALIKE_S, ALIKE_L = 30.0, 2.0
"""Where lags so far apart explain a day to within so many litres, as between readings hours apart, the one nearest to
none is taken. No source."""
STAMP_SHARE_SD = 0.25
"""What one sale on which a reading fell tells a lag to, as a share of the time between readings, SD: its stamps may be
its start's or its payment's, and it runs at no even pace. Of many sales that averages out. No source."""
STAMP_SD_S, BY_HAND_SD_S = 30.0, 150.0
"""What a sale's stamp is off by beside the clock, SD: somebody hangs up or pays a while after; and where people write
down whole minutes, the nearest five. No source."""
FEWEST_BY_HAND = 3
"""With fewer sales in a day it is chance that all stand at one second of the minute. No source."""
MOST_TIMES = 1.5
"""A fall is a sale's up to so many times the most that is booked between two readings. No source."""
FEWEST_LITRES = 300.0
"""Below this much sold at a site in a day its clocks are not compared."""


@dataclass(frozen=True)
class DayLag:
    """Till minus gauge clock on one day [s], its standard error [s], and how much of the day's movement it explains.

    `gain` is the share by which the unexplained movement falls against no lag (0..1); `fit` the share of movement
    that the sales explain at the best lag (0..1), `calm_fit` that of the day without its worst hour: one draw that
    nobody booked is no matter of clocks; `stamp` which of a sale's two instants the till knew that day, and
    `load_l_per_min` how fast loads then went; `is_silent`
    that no sale of the day is there, though the tanks were drawn from as on others; `agrees` that the lag is the day
    before's again.
    """

    lag_s: float
    sd_s: float
    gain: float
    fit: float
    stamp: Stamp = "both"
    is_silent: bool = False
    agrees: bool = False
    calm_fit: float = 0.0
    load_l_per_min: float = LOADS_L_PER_MIN[0]


SILENT = DayLag(0.0, np.inf, 0.0, 0.0, is_silent=True)
"""Of a day whose sales are not there nothing is known of its clocks."""


@dataclass(frozen=True)
class TankMovement:
    """One tank's readings of a day, its meters' sales as booked, and which steps are left out (drops, long gaps)."""

    series: GaugeSeries
    flows: list[MeterFlow]
    usable: NDArray[np.bool_]


def day_clock(tanks: list[TankMovement]) -> DayLag | None:
    """The lag of a day by what its till knows of a sale: both instants, unless the levels clearly say one."""
    lag, flows = _lag_as(tanks, "both", LOADS_L_PER_MIN[0]), [flow for tank in tanks for flow in tank.flows]
    if lag is None or odd_share(flows) <= ODD_SHARE:
        return lag
    best = replace(lag, fit=lag.fit + CLEAR_FIT)
    for stamp, rate in product(ONE_INSTANT, load_rates(flows)):
        other = _lag_as(tanks, stamp, rate)
        if other is not None and other.fit > best.fit:
            best = replace(other, stamp=stamp, load_l_per_min=rate)
    return lag if best.stamp == "both" else best


def _lag_as(tanks: list[TankMovement], stamp: Stamp, load_l_per_min: float) -> DayLag | None:
    drawn = [
        replace(tank, flows=[in_order(stamped(flow, stamp, load_l_per_min)) for flow in tank.flows]) for tank in tanks
    ]
    return day_lag(drawn)


def day_lag(tanks: list[TankMovement]) -> DayLag | None:
    """The lag at which the meters' sales explain the tanks' falls best, over all tanks of a site and one day.

    The highest cross-correlation gives the lag to a step; the sum of squares of (fall − sold, both between two
    readings) is then searched in passes, each three times finer, and its curvature gives the standard error. None
    where too little was sold or read.
    """
    prepared = [item for tank in tanks if (item := _prepared(tank)) is not None]
    if not prepared or sum(float(np.nansum(np.abs(item[1]))) for item in prepared) < FEWEST_LITRES:
        return None
    at_zero = float(_misfit(prepared, np.zeros(1))[0])
    apart_s = min(median(np.diff(item[0])) for item in prepared)
    step = max(60.0, apart_s)
    best = _coarse_lag_s(prepared, step)
    while step > 3.0:
        grid = best + step * np.linspace(-1.0, 1.0, 7)
        best = float(grid[int(np.argmin(_misfit(prepared, grid)))])
        step /= 3.0
    floor = float(_misfit(prepared, np.array([best]))[0])
    count = sum(len(item[0]) for item in prepared)
    width = 20.0
    sides = _misfit(prepared, np.array([best - width, best + width]))
    curvature = max(float(sides.sum()) - 2 * floor, 1e-9) / width**2
    moved = sum(float(np.nansum(item[1] ** 2)) for item in prepared)
    sd_s = float(np.sqrt(2.0 * floor / max(count, 1) / curvature))
    read = max(_read_in_sales(prepared, best), 1)
    nearest = _nearest_s(prepared, best, floor + max(floor / max(count, 1), ALIKE_L**2))
    if abs(best - nearest) > ALIKE_S:
        best, sd_s = nearest, float(np.hypot(sd_s, 0.5 * (best - nearest)))
    return DayLag(
        lag_s=best,
        sd_s=float(np.hypot(sd_s, max(STAMP_SHARE_SD * apart_s / read, _stamps_sd_s(tanks)))),
        gain=1.0 - floor / max(at_zero, 1e-9),
        fit=1.0 - floor / max(moved, 1e-9),
        calm_fit=_calm_fit(prepared, best),
    )


def _stamps_sd_s(tanks: list[TankMovement]) -> float:
    """What a day's lag is off by because each sale's stamps are, by as many sales as its litres count for. [s]"""
    flows = [flow for tank in tanks for flow in tank.flows]
    litres = np.concatenate([np.empty(0), *(flow.volume_l for flow in flows)])
    seconds = np.concatenate([np.empty(0), *(flow.end_s for flow in flows)]) % 60.0
    is_by_hand = len(seconds) >= FEWEST_BY_HAND and float(np.ptp(seconds)) == 0.0
    each_s = BY_HAND_SD_S if is_by_hand else STAMP_SD_S
    return each_s * float(np.sqrt((litres**2).sum()) / max(litres.sum(), 1e-9))


def _nearest_s(prepared: list[Prepared], best_s: float, enough: float) -> float:
    """The lag nearest to none, no farther than `best_s`, whose misfit is no more than `enough`. [s]"""
    lags_s = best_s * np.linspace(0.0, 1.0, 61)
    return float(lags_s[int(np.argmax(_misfit(prepared, lags_s) <= enough))]) if best_s else 0.0


def _calm_fit(prepared: list[Prepared], lag_s: float) -> float:
    """Share of the movement that the sales explain in all but the hour of one tank in which they explain least."""
    left, moved, worst = 0.0, 0.0, (0.0, 0.0)
    for ts, fall, knots, sold in prepared:
        off_l2 = np.nan_to_num(fall - np.diff(np.interp(ts + lag_s, knots, sold))) ** 2
        fall_l2 = np.nan_to_num(fall) ** 2
        off_so_far, fall_so_far = (np.concatenate([[0.0], np.cumsum(each)]) for each in (off_l2, fall_l2))
        stop = np.searchsorted(ts[1:], ts[1:] + HOUR_S)
        of_hour = off_so_far[stop] - off_so_far[:-1]
        place = int(np.argmax(of_hour))
        worst = max(worst, (float(of_hour[place]), float(fall_so_far[stop[place]] - fall_so_far[place])))
        left, moved = left + float(off_so_far[-1]), moved + float(fall_so_far[-1])
    return 1.0 - (left - worst[0]) / max(moved - worst[1], 1e-9)


def _read_in_sales(prepared: list[Prepared], lag_s: float) -> int:
    """How many readings fell on an open hose."""
    count = 0
    for ts, _, knots, sold in prepared:
        before, after = (np.interp(ts + lag_s + side, knots, sold) for side in (-KNOT_S, KNOT_S))
        count += int(np.count_nonzero(after > before))
    return count


def _coarse_lag_s(prepared: list[Prepared], step_s: float) -> float:
    """The lag, in whole steps, at which falls and sales correlate best, by Fourier transform. [s]"""
    reach = int(WIDEST_LAG_S // step_s)
    total = np.zeros(2 * reach + 1)
    for ts, fall, knots, sold in prepared:
        edges = np.arange(ts[0], ts[-1] + step_s, step_s)
        drawn = np.diff(np.interp(edges, ts[1:], np.nancumsum(fall)))
        wide = np.arange(ts[0] - reach * step_s, edges[-1] + (reach + 0.5) * step_s, step_s)
        booked = np.diff(np.interp(wide, knots, sold))
        size = next_fast_len(len(booked), real=True)
        total += irfft(rfft(booked, size) * np.conj(rfft(drawn, size)), size)[: 2 * reach + 1]
    return float((int(np.argmax(total)) - reach) * step_s)


Prepared = tuple[Floats, Floats, Floats, Floats]


def _prepared(tank: TankMovement) -> Prepared | None:
    # Of readings some seconds apart the scatter hides what a hose draws meanwhile: those a minute apart will do.
    every = slice(None, None, max(round(APART_S / tank.series.nominal_s), 1) if len(tank.series) else None)
    ts, stock, usable = tank.series.ts_s[every], tank.series.gauge_l[every], tank.usable[every]
    if len(ts) < 20 or not tank.flows:
        return None
    fall = -np.diff(stock)
    keep = usable[1:] & usable[:-1] & (np.diff(ts) <= max(3 * tank.series.nominal_s, 400.0))
    knots = np.arange(ts[0] - WIDEST_LAG_S - 600, ts[-1] + WIDEST_LAG_S + 600, KNOT_S)
    sold = sold_until_l(tank.flows, knots)
    # Where few sales are large most readings stand still, and a fall as large as what was booked is no outlier.
    width = max(int(max(tank.series.nominal_s, APART_S) / KNOT_S), 1)
    booked = MOST_TIMES * float((sold[width:] - sold[:-width]).max())
    limit = max(8.0 * quantile(np.abs(fall[keep]), 0.95) + 10.0 if keep.any() else 0.0, booked)
    keep &= np.abs(fall) <= limit
    return (ts, np.where(keep, fall, np.nan), knots, sold) if keep.sum() >= 20 else None


def _misfit(prepared: list[Prepared], lags_s: Floats) -> Floats:
    """Sum of squares of fall less sales over all tanks, at each lag. Shape of `lags_s`."""
    from pipeline.ledger.kernels import misfits  # numba is a second to import: only who analyses pays

    lags_s = np.asarray(lags_s, dtype=np.float64)
    every = [misfits(ts, fall, sold, float(knots[0]), KNOT_S, lags_s) for ts, fall, knots, sold in prepared]
    return np.asarray(np.sum(every, axis=0), dtype=np.float64)
