"""Findings about water in a tank: that it came in, and that it splits a blend."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR
from pipeline.estimate.bayes import p_value_log_bayes, student_p
from pipeline.estimate.known import DAY_S, known_day
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.features.water import WaterPoint, water_points
from pipeline.ledger.gauge import seconds
from pipeline.physics.ranks import median, quantile

Floats = NDArray[np.float64]

RISE_MM = 2.5
"""A smaller rise of the water float is left alone: common practice, no source; the legal look is to 3.2 mm (1/8 in)."""
RISE_TIMES = 5.0
TRACE_SHARE = 60e-6
"""What each drop may bring of water, as a share of its litres: EN 590 lets in 200 mg/kg, dissolved and free (from
memory)."""
LOOK_BACK_DAYS = 21
RENEWED, POINT_S = ("probe_replaced", "chart_replaced", "tank_in_service"), 4 * 3600.0
"""After these the float stands on another ground, from the first stretch of readings after them."""
DEAD_MM = 10.0
"""Less water than this a float may not show at all: it lies on the bottom. Common practice, no source."""
VANISHED_MM = 6.0
DRY_DAYS = 25.0
"""Water that has not risen for so long is no longer coming in: rain may stay away for weeks. No source."""
DATUM_SD_MM = 3.0
"""How far a tank's bottom may lie from where its chart begins, which widens towards it. Common practice, no source."""
BLENDS = ("gasoline_e5", "gasoline_e10", "gasoline_e85")


def water_findings(site: SiteObserved) -> list[Finding]:
    """Water that came into a tank, or a blend that has split or is about to, one finding a tank and episode."""
    found: list[Finding] = []
    for unit in site.units:
        for tank_id, series, strapping in zip(
            unit.unit.members, unit.unit.member_series, unit.unit.strappings, strict=True
        ):
            found += _water(unit, tank_id, water_points(series, strapping))
    return found


def _water(unit: UnitObserved, tank_id: str, points: list[WaterPoint]) -> list[Finding]:
    """Rises of the float above the lowest it stood in the days before, and its vanishing."""
    found: list[Finding] = []
    if len(points) < 12:
        return found
    at = np.array([point.ts_s for point in points])
    height = np.array([point.water_mm for point in points])
    litres = np.array([point.water_l for point in points])
    slopes = np.array([point.surface_l_per_mm for point in points])
    shown = least_shown_mm(height)
    removed = seconds(unit.unit.events.filter(pl.col("kind") == "water_removed")["ts"])
    renewed = np.searchsorted(at, seconds(unit.unit.events.filter(pl.col("kind").is_in(RENEWED))["ts"]) + POINT_S)
    start = 0
    k = 6
    while k < len(points):
        start = max(start, int(np.searchsorted(at, at[k] - LOOK_BACK_DAYS * DAY_S)), *renewed[renewed <= k].tolist())
        if start == k:  # nothing was seen for so long that there is no ground to rise from
            k += 1
            continue
        if not _may_have_moved(height[start:k], height[max(k - 1, 0) : k + 1]):
            k += 1
            continue
        base, noise = _ground(height[start:k], shown[k])
        brought = _brought_mm(unit, (at[start], at[k]), median(slopes[start:k]))
        risen = bool((height[max(k - 1, 0) : k + 1] > base + brought + max(RISE_MM, RISE_TIMES * noise)).all())
        gone = base > VANISHED_MM and bool((height[max(k - 1, 0) : k + 1] < 0.3 * base).all())
        drained = gone and bool(((removed > at[k] - 2 * DAY_S) & (removed < at[k])).any())
        if drained or not (risen or (gone and unit.unit.product in BLENDS)):
            start = k if drained else start
            k += 1
            continue
        last = _episode_end(at, height, removed, k)
        found.append(_episode(unit, tank_id, (at, height, litres, slopes), (start, k, last, noise, base), brought))
        start, k = last + 1, last + 7
    return found


def _brought_mm(unit: UnitObserved, span_s: tuple[float, float], surface_l_per_mm: float) -> float:
    """By how much traces of water in the drops between two instants, as known then, may have raised a bottom. [mm]"""
    since_s, now_s = span_s
    came_l = sum(
        known.drop.gain_l
        for known in unit.drops
        if since_s <= known.drop.start_s <= now_s and known.day <= known_day(now_s)
    )
    return TRACE_SHARE * came_l / surface_l_per_mm if surface_l_per_mm > 0.0 else 0.0


def _may_have_moved(before: Floats, now: Floats) -> bool:
    """Whether heights can be risen above the ground of those before, or gone: that ground lies within what they were.

    Most points are neither, and that is told without their ground.
    """
    top = float(before.max())
    return float(now.min()) > float(before.min()) + RISE_MM or (top > VANISHED_MM and float(now.max()) < 0.3 * top)


def least_shown_mm(height: Floats) -> Floats:
    """The least water that a float has shown beside none, by each point, no more than `DEAD_MM`. Shape (n,). [mm]"""
    return np.minimum(np.minimum.accumulate(np.where(height > 0.0, height, np.inf)), DEAD_MM)


def _ground(height: Floats, shown_mm: float) -> tuple[float, float]:
    """The level the float stood at, the lower quartile, and the scatter about it. [mm]

    One that shows none may stand up to `shown_mm`, the least that it ever showed.
    """
    base = max(quantile(height, 0.25), shown_mm)
    near = height[height <= median(height) + 1e-9]
    noise = max(0.25, 1.4826 * median(np.abs(np.diff(height))) if len(height) > 4 else 0.5)
    return base, max(noise, float(np.std(near)) if len(near) > 3 else 0.0)


def _episode_end(at: Floats, height: Floats, removed: Floats, first: int) -> int:
    """Last point of an episode: until the water is removed, or has not risen for `DRY_DAYS`."""
    top, top_at = height[first], at[first]
    last = first
    for k in range(first, len(at)):
        if ((removed > at[first]) & (removed <= at[k])).any():
            return max(k - 1, first)
        if height[k] > top + 0.5:
            top, top_at = height[k], at[k]
        if at[k] - top_at > DRY_DAYS * DAY_S:
            return last
        last = k
    return last


def _episode(
    unit: UnitObserved,
    tank_id: str,
    points: tuple[Floats, Floats, Floats, Floats],
    span: tuple[int, int, int, float, float],
    brought_mm: float,
) -> Finding:
    at, height, litres, slopes = points
    start, first, last, noise, base = span
    ground_l = float(np.median(litres[start:first][height[start:first] <= np.median(height[start:first]) + 1e-9]))
    calm = np.flatnonzero(height[start : first + 1] <= base + max(1.0, 2.0 * noise))
    onset = start + int(calm[-1]) if len(calm) else max(first - 1, 0)
    split = unit.unit.product in BLENDS
    cause = "phase_separation" if split else "water_ingress"
    # Null: the float scatters about its ground as it did before, as many times as it was looked at, and drops raise it.
    moved = float(height[first]) - base
    moved -= min(brought_mm, max(moved, 0.0))
    gained = litres[onset : last + 1] - ground_l
    ongoing = last >= len(at) - 1 and at[-1] - at[int(np.argmax(height[first:])) + first] < DRY_DAYS * DAY_S
    top = first + int(np.argmax(height[first : last + 1]))
    rise = float(height[top] - base)
    gain = abs(float(litres[top] - ground_l))
    lain = DATUM_SD_MM * float(slopes[top] - slopes[onset])
    return Finding(
        cause=cause,
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=tank_id,
        day=known_day(float(at[first]) + 2 * 3600.0),
        start_s=float(at[onset]),
        end_s=None if ongoing else float(at[top]),
        litres=None if split else float(gained.max()),
        sd_l=_gain_sd_l(gain, rise, noise, lain),
        log_odds=LOG_PRIOR[cause] + p_value_log_bayes(student_p(moved / max(noise, 0.3), max(first - start, 1.0))),
        log_prior=LOG_PRIOR[cause],
        rival=("water_ingress", 0.0) if split else ("probe_fault", 0.0),
        evidence=(
            Evidence("interval", "the water float moved by", rise, "mm", float(at[onset]), float(at[top])),
            Evidence("statistic", "water below the product now", float(litres[last]), "l"),
        ),
    )


def _gain_sd_l(gain_l: float, rise_mm: float, noise_mm: float, lain_l: float) -> float:
    """SD of what an episode brought: the float's scatter, the chart near the bottom, and where the float begins. [l]"""
    scatter_l = max(1.0, noise_mm * gain_l / max(abs(rise_mm), 0.5))
    return float(np.sqrt(scatter_l**2 + (0.06 * gain_l) ** 2 + lain_l**2))
