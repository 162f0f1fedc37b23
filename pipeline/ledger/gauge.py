"""From raw readings to gauge stock: which rows count, litres below the product's and the water's surface."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

from pipeline.physics.ranks import RunningMedian

Floats = NDArray[np.float64]

REFERENCE_TEMP_C = 15.0
COLDEST_C, WARMEST_C = -60.0, 90.0
"""No product in a tank is colder or warmer; common practice, no source. What a gauge says beyond is not known."""
OTHER_UNITS_MM = {"in": 25.4, "cm": 10.0, "m": 1000.0, "ft": 304.8}
"""Millimetres in units that a gauge has been seen to fall into (exact; NIST SP 811, appendix B.8)."""
UNIT_SLACK = 0.01
SLIP_S = 3600.0
LEAP = 5.0
ABOVE_TOP = 1.02
"""A level that is its own figure in another unit within `SLIP_S`, but for `UNIT_SLACK`, has slipped into it: no pump
leaves just that. It is back when it leaps by more than `LEAP`, or would stand above the tank's top. No source."""
MICROSECONDS = 1e6
FIRST_GAPS = 500
"""How many of the first gaps between readings tell the usual one."""
ROWS_OF_A_SPLINE = 3
"""A cubic needs more rows than these."""
SPIKE_MM, SPIKE_S, AT_ONCE_S = 20.0, 3600.0, 120.0
"""A single reading that hops this far and straight back within an hour is no level."""
FASTEST_DROP_L_PER_MIN = 2000.0
"""A faster rise is a jump of the gauge and no drop. No source; a 4 inch hose gives some 1,200."""
REGULAR_SHARE = 0.9
"""With fewer of its gaps near the usual one a gauge is not read at regular times. No source."""
HELD_BACK_MM = 0.05
"""A gauge read at regular times shows smaller changes than this now and then; one that reports on a change none."""
LONGEST_HOLD_S = 12 * 3600.0
"""No value that is reported on a change stands longer than this. No source."""
NEAR_SHARE = 0.6
"""Within so much of the usual time between readings a joined tank's reading counts for its partner's instant: what was
sold between two readings lies on no straight line."""


@dataclass(frozen=True)
class Strapping:
    """A tank's charts over time: `valid_from_s` shape (k,), and for each its levels and litres."""

    valid_from_s: Floats
    charts: tuple[tuple[Floats, Floats], ...]

    def volume_l(self, level_mm: Floats, at_s: Floats) -> Floats:
        """Litres below each level by the chart in force then, linear between rows. NaN outside the chart. [l]"""
        version = np.maximum(np.searchsorted(self.valid_from_s, at_s, "right") - 1, 0)
        out = np.full(len(level_mm), np.nan)
        for index, (level, volume) in enumerate(self.charts):
            here = version == index
            if here.any():
                out[here] = np.interp(level_mm[here], level, volume, left=np.nan, right=np.nan)
        return out

    def between_rows_l(self, level_mm: Floats, at_s: Floats) -> Floats:
        """By how much a smooth curve through the rows lies above the straight lines between them. [l]

        A tank is round and its chart's lines are straight: with rows 100 mm apart that is up to ten litres. Levels
        outside the chart are taken for its ends, where the two agree.
        """
        version = np.maximum(np.searchsorted(self.valid_from_s, at_s, "right") - 1, 0)
        out = np.zeros(len(level_mm))
        for index, (level, volume) in enumerate(self.charts):
            here = version == index
            if here.any():
                held = np.clip(level_mm[here], level[0], level[-1])
                out[here] = smooth_curve(level, volume)(held) - np.interp(held, level, volume)
        return out

    def surface_l_per_mm(self, level_mm: Floats, at_s: Floats, *, half_mm: float = 15.0) -> Floats:
        """Litres per millimetre at each level, the chart's slope over `half_mm` either side. [l/mm]"""
        bottom, top = self.span_mm()
        low, high = np.clip(level_mm - half_mm, bottom, top), np.clip(level_mm + half_mm, bottom, top)
        return (self.volume_l(high, at_s) - self.volume_l(low, at_s)) / np.maximum(high - low, 1e-6)

    def span_mm(self) -> tuple[float, float]:
        """Lowest and highest level that every version of the chart covers. [mm]"""
        return max(level[0] for level, _ in self.charts), min(level[-1] for level, _ in self.charts)


def smooth_curve(level_mm: Floats, volume_l: Floats) -> CubicSpline | PchipInterpolator:
    """A curve through a chart's rows that rises: the cubic spline, or where that would fall the monotone cubic.

    References
    ----------
    .. [1] F. Fritsch, R. Carlson, "Monotone piecewise cubic interpolation", SIAM Journal on Numerical Analysis 17
       (1980) 238-246, DOI 10.1137/0717021.
    """
    if len(level_mm) > ROWS_OF_A_SPLINE:
        spline = CubicSpline(level_mm, volume_l)
        middle = 0.5 * (level_mm[1:] + level_mm[:-1])
        if (spline(np.concatenate([level_mm, middle]), 1) > 0.0).all():
            return spline
    return PchipInterpolator(level_mm, volume_l)


def strapping_of(rows: pl.DataFrame) -> Strapping:
    """Charts of one tank from its `strapping` rows (level_mm, volume_l, valid_from)."""
    versions = rows.sort("valid_from", "level_mm").partition_by("valid_from", maintain_order=True)
    starts = [seconds(part["valid_from"])[0] for part in versions]
    charts = tuple((part["level_mm"].to_numpy(), part["volume_l"].to_numpy()) for part in versions)
    return Strapping(np.array(starts), charts)


def seconds(column: pl.Series) -> Floats:
    """Instants as seconds since 1970, shape (n,). Exact to the microsecond for this century."""
    return column.cast(pl.Datetime("us", "UTC")).to_physical().to_numpy().astype(np.float64) / MICROSECONDS


@dataclass(frozen=True)
class GaugeSeries:
    """Usable readings of one tank (or of joined tanks together) in order of time; every array has shape (n,).

    `level_mm`, `water_mm`, `temp_c`, `density_kg_m3` (NaN where not measured), `gauge_l` gauge stock at ambient
    temperature, `surface_l_per_mm` the chart's slope, and `nominal_s` the usual time between readings [s]; where rows
    come on a change alone (`is_on_change`), the time between two askings, and a reading stands until the next.
    `apart_l` is what joined tanks hold beyond what they would if all stood at their mean level; 0 of a single tank.
    """

    ts_s: Floats
    level_mm: Floats
    water_mm: Floats
    temp_c: Floats
    density_kg_m3: Floats
    gauge_l: Floats
    surface_l_per_mm: Floats
    apart_l: Floats
    nominal_s: float
    is_on_change: bool = False

    def __len__(self) -> int:
        """How many readings there are."""
        return len(self.ts_s)

    @cached_property
    def told_temp(self) -> tuple[Floats, Floats]:
        """Instants at which a temperature was measured, and it. [s, °C]"""
        known = np.isfinite(self.temp_c)
        return self.ts_s[known], self.temp_c[known]

    @cached_property
    def _slopes(self) -> RunningMedian:
        return RunningMedian(self.surface_l_per_mm)

    def usual_l_per_mm(self, until_s: float) -> float:
        """The chart's usual slope by the readings before an instant, by the first where there is none. [l/mm]"""
        return self._slopes.of_first(max(int(np.searchsorted(self.ts_s, until_s)), 1))


def kept(series: GaugeSeries, keep: NDArray[np.bool_] | slice) -> GaugeSeries:
    """The readings for which `keep`, shape (n,), is true, or those of a slice."""
    values = {name: value[keep] for name, value in vars(series).items() if isinstance(value, np.ndarray)}
    return GaugeSeries(**values, nominal_s=series.nominal_s, is_on_change=series.is_on_change)


def _filled_forward(values: Floats) -> Floats:
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return values
    index = np.maximum(np.searchsorted(known, np.arange(len(values)), "right") - 1, 0)
    return values[known[index]]


def _spikes(ts_s: Floats, level_mm: Floats) -> NDArray[np.bool_]:
    """Readings that leave both neighbours by over `SPIKE_MM` the same way while those agree within a third of it.

    Neighbours further apart than `SPIKE_S` may have a drop and its sales between them; not so where one of them is
    within `AT_ONCE_S`: a value that stood for long before it, as on a gauge that reports changes alone.
    """
    out = np.zeros(len(level_mm), dtype=bool)
    if len(level_mm) < 3:
        return out
    to, back = level_mm[1:-1] - level_mm[:-2], level_mm[1:-1] - level_mm[2:]
    away = np.minimum(np.abs(to), np.abs(back))
    out[1:-1] = (to * back > 0) & (away > SPIKE_MM) & (np.abs(to - back) < away / 3.0)
    apart_s = np.diff(ts_s)
    out[1:-1] &= (ts_s[2:] - ts_s[:-2] <= SPIKE_S) | (np.minimum(apart_s[1:], apart_s[:-1]) <= AT_ONCE_S)
    return out


def in_another_unit(ts_s: Floats, level_mm: Floats, top_mm: float) -> NDArray[np.bool_]:
    """Which readings are another unit's figures: from where a level slips into one until it is back. Shape (n,).

    Each is told by itself and those before it, so that no later day changes what an earlier one left out.
    """
    out = np.zeros(len(level_mm), dtype=bool)
    step = level_mm[1:] / level_mm[:-1]
    is_soon = np.diff(ts_s) <= SLIP_S
    for unit_mm in OTHER_UNITS_MM.values():
        for start in np.flatnonzero(is_soon & (np.abs(step * unit_mm - 1.0) < UNIT_SLACK)) + 1:
            is_back = (step[start:] > LEAP) | (level_mm[start + 1 :] * unit_mm > ABOVE_TOP * top_mm)
            end = start + 1 + int(np.argmax(is_back)) if is_back.any() else len(out)
            out[start:end] = True
    return out


def gauge_series(readings: pl.DataFrame, strapping: Strapping) -> GaugeSeries:
    """Usable readings of one tank with their gauge stock.

    Rows of quality `bad`, without a level, or with one outside the chart or in another unit are left out; water, when
    not measured, is taken as last seen, and as none before the first sight.
    """
    rows = readings.filter((pl.col("quality") != "bad") & pl.col("level_mm").is_not_null()).sort("ts")
    ts_s = seconds(rows["ts"])
    columns = {
        name: rows[name].cast(pl.Float64).to_numpy().astype(np.float64, copy=True)
        for name in ("level_mm", "water_mm", "temp_c", "density_kg_m3")
    }
    bottom, top = strapping.span_mm()
    columns["water_mm"][(columns["water_mm"] < 0) | (columns["water_mm"] > top)] = np.nan
    columns["temp_c"][(columns["temp_c"] < COLDEST_C) | (columns["temp_c"] > WARMEST_C)] = np.nan
    columns["density_kg_m3"][(columns["density_kg_m3"] < 500) | (columns["density_kg_m3"] > 1100)] = np.nan
    level = columns["level_mm"]
    usable = np.isfinite(level) & (level >= max(bottom, 1.0)) & (level <= top)
    before = _filled_after(ts_s, level, usable, strapping)
    if before is not None:
        usable[before], level[before] = True, max(bottom, 1.0)
    ts_s, columns = ts_s[usable], {name: values[usable] for name, values in columns.items()}
    metric = ~in_another_unit(ts_s, columns["level_mm"], top)
    ts_s, columns = ts_s[metric], {name: values[metric] for name, values in columns.items()}
    steady = ~_spikes(ts_s, columns["level_mm"])
    ts_s, columns = ts_s[steady], {name: values[steady] for name, values in columns.items()}
    water = np.nan_to_num(_filled_forward(columns["water_mm"]), nan=0.0)
    gauge = strapping.volume_l(columns["level_mm"], ts_s) - strapping.volume_l(np.maximum(water, bottom), ts_s)
    nominal, is_on_change = _asked(ts_s, columns["level_mm"])
    return GaugeSeries(
        ts_s=ts_s,
        level_mm=columns["level_mm"],
        water_mm=columns["water_mm"],
        temp_c=columns["temp_c"],
        density_kg_m3=columns["density_kg_m3"],
        gauge_l=gauge,
        surface_l_per_mm=strapping.surface_l_per_mm(columns["level_mm"], ts_s),
        apart_l=np.zeros(len(ts_s)),
        nominal_s=nominal,
        is_on_change=is_on_change,
    )


def _filled_after(ts_s: Floats, level_mm: Floats, usable: NDArray[np.bool_], strapping: Strapping) -> int | None:
    """The reading without product after which a tank is filled for the first time, where that is what it shows.

    The gauge gave nothing but such before, and a drop may have brought what the next reading shows.
    """
    first = int(np.argmax(usable)) if usable.any() else 0
    if first == 0 or not 0.0 <= level_mm[first - 1] < 1.0 or np.nanmax(level_mm[:first]) >= 1.0:
        return None
    came_l = float(strapping.volume_l(level_mm[first : first + 1], ts_s[first : first + 1])[0])
    since_min = (ts_s[first] - ts_s[first - 1]) / 60.0
    return first - 1 if came_l <= FASTEST_DROP_L_PER_MIN * since_min else None


def _asked(ts_s: Floats, level_mm: Floats) -> tuple[float, bool]:
    """How often a gauge is asked [s], and whether only changes beyond a deadband are written down.

    By the first readings alone, so that what comes later changes nothing of what was made of them.
    """
    gaps, steps = np.diff(ts_s[: FIRST_GAPS + 1]), np.abs(np.diff(level_mm[: FIRST_GAPS + 1]))
    if not len(gaps):
        return 60.0, False
    usual = max(float(np.quantile(gaps, 0.05)), 1.0)
    is_irregular = float(np.mean(np.abs(gaps - usual) < 0.3 * usual)) < REGULAR_SHARE
    prompt = steps[gaps <= 1.5 * usual]
    if is_irregular and len(prompt) and float(np.quantile(prompt, 0.02)) > HELD_BACK_MM:
        return usual, True
    return max(float(np.median(gaps)), 1.0), False


def longest_hold_s(ts_s: Floats, least_s: float, most_s: float) -> float:
    """How long a reading may stand for the time after it, by the usual long silences of the first readings. [s]"""
    gaps = np.diff(ts_s[: FIRST_GAPS + 1])
    usual = float(np.quantile(gaps, 0.99)) if len(gaps) else 0.0
    return float(np.clip(1.3 * usual, least_s, most_s))


def joined_series(members: list[GaugeSeries]) -> GaugeSeries:
    """Joined tanks as one: stocks and surfaces added up, levels averaged, temperatures and densities by their litres.

    At the first member's instants, the others' values between their readings by straight lines; where only changes are
    written down, at every member's instants, for what has not changed stands as it was read. Instants where any member
    has no reading near by, or its last is too old to stand, are left out.
    """
    lead = members[0]
    is_on_change = any(member.is_on_change for member in members)
    at_s = np.unique(np.concatenate([member.ts_s for member in members])) if is_on_change else lead.ts_s
    near = np.ones(len(at_s), dtype=bool)
    parts: list[dict[str, Floats]] = []
    for member in members:
        here, values = _at(member, at_s, nominal_s=max(member.nominal_s, lead.nominal_s))
        near &= here
        parts.append(values)

    def mean(name: str) -> Floats:
        return np.asarray(np.mean([part[name] for part in parts], axis=0)[near])

    def total(name: str) -> Floats:
        return np.asarray(np.sum([part[name] for part in parts], axis=0)[near])

    level = np.mean([part["level_mm"] for part in parts], axis=0)
    return GaugeSeries(
        ts_s=at_s[near],
        level_mm=mean("level_mm"),
        water_mm=mean("water_mm"),
        temp_c=_by_litres("temp_c", parts)[near],
        density_kg_m3=_by_litres("density_kg_m3", parts)[near],
        gauge_l=total("gauge_l"),
        surface_l_per_mm=total("surface_l_per_mm"),
        apart_l=np.sum([part["surface_l_per_mm"] * (part["level_mm"] - level) for part in parts], axis=0)[near],
        nominal_s=lead.nominal_s,
        is_on_change=is_on_change,
    )


def _by_litres(name: str, parts: list[dict[str, Floats]]) -> Floats:
    """The mean of a value over joined tanks, each counting by its litres."""
    litres = [np.maximum(part["gauge_l"], 1.0) for part in parts]
    product = np.sum([part[name] * stock for part, stock in zip(parts, litres, strict=True)], axis=0)
    return np.asarray(product / np.sum(litres, axis=0))


def _at(member: GaugeSeries, at_s: Floats, *, nominal_s: float) -> tuple[NDArray[np.bool_], dict[str, Floats]]:
    """A member's values at other instants, and at which of them they are known."""
    names = ("level_mm", "water_mm", "temp_c", "density_kg_m3", "gauge_l", "surface_l_per_mm")
    if member.is_on_change:
        place = np.searchsorted(member.ts_s, at_s, "right") - 1
        last = np.maximum(place, 0)
        hold_s = longest_hold_s(member.ts_s, 3 * nominal_s, LONGEST_HOLD_S)
        known = (place >= 0) & (at_s - member.ts_s[last] <= hold_s)
        return known, {name: getattr(member, name)[last] for name in names}
    index = np.searchsorted(member.ts_s, at_s)
    left = member.ts_s[np.clip(index - 1, 0, len(member) - 1)]
    right = member.ts_s[np.clip(index, 0, len(member) - 1)]
    known = np.minimum(np.abs(at_s - left), np.abs(right - at_s)) <= NEAR_SHARE * nominal_s
    return known, {name: np.interp(at_s, member.ts_s, getattr(member, name)) for name in names}
