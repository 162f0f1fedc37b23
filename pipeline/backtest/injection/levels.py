"""Moves a gauge's levels as if other litres stood in the tank.

It goes through the chart, onto the gauge's own grid, by the historian's own habit of keeping rows.
Before a move the level that the gauge rounded away is put back, evenly within its cell, so that a level that creeps
crosses the grid as it would have: slowly wandering, and from reading to reading as much as the gauge itself is noisy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import ndtr

from pipeline.backtest.injection.fault import HOUR_S, CannotHoldError
from pipeline.ledger.gauge import Strapping, seconds

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
ShiftOf = Callable[[Floats], Floats]

GRIDS_MM: Final = (0.01, 0.02, 0.025, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0)
FEWEST_EQUAL: Final = 0.02
"""A historian that reports on exception hardly repeats a value."""


@dataclass(frozen=True, slots=True)
class Habit:
    """How a gauge and its historian report.

    The grid of the levels and the least change that is told [mm], the usual time between samples and the longest
    silence [s], whether rows are kept on a change alone (`is_on_change`) or a held value is repeated (`is_held`), and
    the SD by which a reading at rest differs from its neighbours beyond what the grid makes of it (0 where rows are not
    all kept).
    """

    grid_mm: float
    step_mm: float
    nominal_s: float
    heartbeat_s: float
    is_on_change: bool
    is_held: bool
    noise_mm: float


@dataclass(frozen=True, slots=True)
class Gauge:
    """Usable readings of a tank, one an instant, in order: times, levels, and the chart and habit that go with them."""

    tank_id: str
    ts_s: Floats
    level_mm: Floats
    strapping: Strapping
    habit: Habit

    def level_at(self, at_s: Floats) -> Floats:
        """Level between readings, by straight lines. Shape of `at_s`. [mm]"""
        return np.interp(at_s, self.ts_s, self.level_mm)

    def volume_at(self, at_s: Floats) -> Floats:
        """Litres by the chart, water included. Shape of `at_s`. [l]"""
        return self.strapping.volume_l(self.level_at(at_s), at_s)


def gauge_of(rows: pl.DataFrame, strapping: Strapping) -> Gauge:
    """The gauge of one tank from its readings as they stand in the lake, in any order.

    Raises
    ------
    CannotHoldError
        If there are too few usable readings.
    """
    bottom, top = strapping.span_mm()
    inside = (pl.col("level_mm") >= max(bottom, 1.0)) & (pl.col("level_mm") <= top)
    usable = rows.filter((pl.col("quality") != "bad") & inside).unique("ts", keep="first").sort("ts")
    if usable.height < 20:
        raise CannotHoldError(f"tank {rows['tank_id'][0] if rows.height else '?'} has too few readings")
    ts_s, level = seconds(usable["ts"]), usable["level_mm"].to_numpy()
    return Gauge(str(usable["tank_id"][0]), ts_s, level, strapping, habit_of(ts_s, level))


def habit_of(ts_s: Floats, level_mm: Floats) -> Habit:
    """How the levels are rounded and kept, from the levels themselves."""
    gap, step = np.diff(ts_s), np.abs(np.diff(level_mm))
    grid = 0.001
    for size in GRIDS_MM:
        if np.mean(np.abs(level_mm / size - np.round(level_mm / size)) < 1e-4) > 0.999:
            grid = size
    usual = max(float(np.quantile(gap, 0.05)), 1.0)
    # After a longer silence a historian tells a smaller change, too.
    soon = step[gap <= 3.0 * usual]
    moved = soon[soon > 1e-6]
    least = float(np.quantile(moved, 0.02)) if len(moved) else grid
    equal = float(np.mean(soon <= 1e-6)) if len(soon) else 1.0
    on_change = equal < FEWEST_EQUAL and float(np.quantile(gap, 0.9)) > 1.9 * usual
    held = not on_change and least > 1.5 * grid and equal > 0.3
    step_mm = max(least, grid) if on_change or held else grid
    quiet = gap[(step < step_mm - 1e-6) & (gap > 3.0 * usual)]
    heartbeat = float(np.median(quiet)) if len(quiet) > 10 else float("inf")
    noise = 0.0 if on_change or held else _noise_mm(level_mm, grid)
    return Habit(grid, step_mm, usual, heartbeat, on_change, held, noise)


def _noise_mm(level_mm: Floats, grid_mm: float) -> float:
    """SD of a reading's own noise, from second differences but those that a move stands out of."""
    second = np.abs(np.diff(level_mm, 2))
    least = second[second <= 4.0 * 1.4826 * float(np.median(second)) + 0.5 * grid_mm]
    return float(np.sqrt(max(np.mean(least**2) / 6.0 - grid_mm**2 / 12.0, 0.0))) if len(least) else 0.0


def rounded(level_mm: Floats, grid_mm: float) -> Floats:
    """Levels on a grid, free of binary dust."""
    return np.round(np.round(level_mm / grid_mm) * grid_mm, 3)


def within_cell(ts_s: Floats, rng: np.random.Generator, *, noise: float = 0.0, tau_s: float = HOUR_S) -> Floats:
    """A part of a cell, evenly spread over −½ to ½. Shape (n,).

    It wanders, linked over `tau_s`, and noise of an SD of so many cells moves each reading by itself.
    """
    if not len(ts_s):
        return np.empty(0)
    grid_s = np.arange(ts_s[0], ts_s[-1] + tau_s, tau_s / 10.0)
    keep = float(np.exp(-0.1))
    shocks = rng.normal(0.0, np.sqrt(1.0 - keep**2), len(grid_s))
    shocks[0] = rng.normal()
    slow = np.asarray(lfilter([1.0], [1.0, -keep], shocks))
    place = ndtr(np.interp(ts_s, grid_s, slow)) + noise * rng.normal(0.0, 1.0, len(ts_s))
    return np.asarray(0.998 * (place % 1.0 - 0.5))


def shift_mm(gauges: list[Gauge], number: int, at_s: Floats, litres: Floats) -> Floats:
    """By how much the level of one of a pool's gauges moves when the pool holds `litres` more. Shape of `at_s`. [mm]

    Joined tanks move together. Exact where a tank stands alone; for a pool by Newton's method on the sum of its charts.

    Raises
    ------
    CannotHoldError
        If the pool does not hold so many litres, or cannot.
    """
    mine = gauges[number]
    moved = litres != 0.0
    shift = np.zeros(len(at_s))
    if not moved.any():
        return shift
    when, wanted = at_s[moved], litres[moved]
    if len(gauges) == 1:
        shift[moved] = _alone(mine, when, wanted)
    else:
        levels = [one.level_at(when) for one in gauges]
        shift[moved] = _together(gauges, levels, when, wanted)
    return shift


def _alone(gauge: Gauge, at_s: Floats, litres: Floats) -> Floats:
    level, strap = gauge.level_at(at_s), gauge.strapping
    target = strap.volume_l(level, at_s) + litres
    version = np.maximum(np.searchsorted(strap.valid_from_s, at_s, "right") - 1, 0)
    out = np.full(len(at_s), np.nan)
    for index, (levels, volumes) in enumerate(strap.charts):
        here = version == index
        out[here] = np.interp(target[here], volumes, levels, left=np.nan, right=np.nan)
    if not np.isfinite(out).all():
        raise CannotHoldError(f"tank {gauge.tank_id} does not hold, or has no room for, so many litres")
    return out - level


def _together(gauges: list[Gauge], levels: list[Floats], at_s: Floats, litres: Floats) -> Floats:
    before = sum((one.strapping.volume_l(level, at_s) for one, level in zip(gauges, levels, strict=True)), 0.0)
    shift = np.zeros(len(at_s))
    for _ in range(12):
        held, surface = np.zeros(len(at_s)), np.zeros(len(at_s))
        for one, level in zip(gauges, levels, strict=True):
            held += one.strapping.volume_l(level + shift, at_s)
            surface += one.strapping.surface_l_per_mm(level + shift, at_s, half_mm=2.0)
        shift = shift + (before + litres - held) / np.maximum(surface, 1e-3)
    if not np.isfinite(shift).all():
        raise CannotHoldError(f"tank {gauges[0].tank_id} does not hold, or has no room for, so many litres")
    return shift


@dataclass(frozen=True, slots=True)
class Moved:
    """New levels at old instants (`ts_s`, `level_mm`), instants that are no longer kept, and rows that are new."""

    ts_s: Floats
    level_mm: Floats
    dropped_s: Floats
    added_s: Floats
    added_mm: Floats


_NONE: Final = np.empty(0)


def moved_levels(gauge: Gauge, shift_of: ShiftOf, rng: np.random.Generator) -> Moved:
    """The gauge's readings once its levels have moved.

    Parameters
    ----------
    gauge : Gauge
    shift_of : callable of instants (k,) [s] to shifts (k,) [mm]
        0 at and before the first instant at which anything differs.
    rng : Generator
    """
    shift = shift_of(gauge.ts_s)
    changed = np.flatnonzero(shift != 0.0)
    if not len(changed):
        return Moved(_NONE, _NONE, _NONE, _NONE, _NONE)
    first = int(changed[0])
    habit = gauge.habit
    if not habit.is_on_change and not habit.is_held:
        ts, level = gauge.ts_s[first:], gauge.level_mm[first:]
        inside = level + habit.grid_mm * within_cell(ts, rng, noise=habit.noise_mm / habit.grid_mm)
        new = np.where(shift[first:] == 0.0, level, rounded(inside + shift[first:], habit.grid_mm))
        return Moved(ts, new, _NONE, _NONE, _NONE)
    return _reported(gauge, max(first - 1, 0), shift_of, rng)


def _reported(gauge: Gauge, first: int, shift_of: ShiftOf, rng: np.random.Generator) -> Moved:
    """Levels that were told on a change: what lay between two reports is laid out again, moved, and told anew."""
    habit = gauge.habit
    ts, level = gauge.ts_s[first:], gauge.level_mm[first:]
    at = _samples(ts, habit.nominal_s) if habit.is_on_change else ts
    is_row = np.isin(at, ts)
    row = np.searchsorted(ts, at, "right") - 1
    held = level[row]
    after = np.minimum(row + 1, len(ts) - 1)
    share = (at - ts[row]) / np.maximum(ts[after] - ts[row], 1.0)
    room = habit.step_mm - habit.grid_mm
    between = held + np.clip(share * (level[after] - held) + 2.0 * room * within_cell(at, rng), -room, room)
    # A historian that repeats a held value saw the level only where the value changed.
    was_seen = is_row & (habit.is_on_change | (np.abs(np.diff(level, prepend=np.nan)) > 1e-6)[row])
    shift = shift_of(at)
    part = habit.grid_mm * within_cell(at, rng) * (shift != 0.0)
    said, is_kept = _said(at, rounded(np.where(was_seen, held, between) + part + shift, habit.grid_mm), habit)
    if habit.is_held:
        return Moved(at, said, _NONE, _NONE, _NONE)
    stays, goes, comes = is_row & is_kept, is_row & ~is_kept, ~is_row & is_kept
    return Moved(at[stays], said[stays], at[goes], at[comes], said[comes])


def _samples(ts_s: Floats, nominal_s: float) -> Floats:
    """The rows' instants and those between them at which the gauge was asked and nothing was kept."""
    gaps = np.diff(ts_s)
    extra = [
        np.arange(1, round(gap / nominal_s)) * nominal_s + start
        for start, gap in zip(ts_s[:-1], gaps, strict=True)
        if 1.5 * nominal_s < gap < 2.0 * HOUR_S
    ]
    return np.unique(np.concatenate([ts_s, *extra])) if extra else ts_s


def _said(at_s: Floats, seen: Floats, habit: Habit) -> tuple[Floats, Bools]:
    """What a historian says at each sample, and whether it says it: after a change of a step, or a long silence."""
    said, kept = np.empty(len(seen)), np.zeros(len(seen), dtype=bool)
    last, last_s = np.inf, -np.inf
    for place, (now_s, level) in enumerate(zip(at_s.tolist(), seen.tolist(), strict=True)):
        is_due = now_s - last_s >= habit.heartbeat_s - 0.5 * habit.nominal_s
        if abs(level - last) >= habit.step_mm - 1e-6 or (is_due and habit.is_on_change):
            last, last_s, kept[place] = level, now_s, True
        said[place] = last
    return said, kept
