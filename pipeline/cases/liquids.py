"""Findings about what is in the tank: water, a split blend, a product that does not belong."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.finding import Evidence, Finding
from pipeline.estimate.known import DAY_S, known_day
from pipeline.estimate.observe import KnownDrop, SiteObserved, UnitObserved
from pipeline.features.water import WaterPoint, water_points
from pipeline.ledger.gauge import seconds
from pipeline.physics.products import product_base_density_15_kg_m3

Floats = NDArray[np.float64]

RISE_MM = 2.5
"""A smaller rise of the water float is left alone: common practice, no source; the legal look is to 3.2 mm (1/8 in)."""
RISE_TIMES = 5.0
LOOK_BACK_DAYS = 21
VANISHED_MM = 6.0
DRY_DAYS = 25.0
"""Water that has not risen for so long is no longer coming in: rain may stay away for weeks. No source."""
DATUM_SD_MM = 3.0
"""How far a tank's bottom may lie from where its chart begins, which widens towards it. Common practice, no source."""
DENSITY_RANGE_KG_M3 = {
    "gasoline_e0": (715.0, 780.0),
    "gasoline_e5": (715.0, 780.0),
    "gasoline_e10": (715.0, 782.0),
    "gasoline_e85": (765.0, 800.0),
    "diesel_b0": (800.0, 850.0),
    "diesel_b7": (800.0, 852.0),
    "diesel_b20": (805.0, 860.0),
    "kerosene": (770.0, 845.0),
    "heating_oil": (805.0, 890.0),
}
"""Densities at 15 °C that a product may have: EN 228 (720 to 775), EN 590 (820 to 845, arctic classes from 800), with
room for blends; E85, kerosene and heating oil common practice, no source. [kg/m³]"""
MIXED_DAYS = 30
"""So long after a wrong product the stock's density says nothing of what comes next. No source."""
DENSITY_ROOM_KG_M3 = 8.0
BATCH_KG_M3 = 6.0
"""How far one batch's density may lie from the ticket's and the stock's, before the room above. No source."""
USUAL_TICKETS = 5
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
    removed = seconds(unit.unit.events.filter(pl.col("kind") == "water_removed")["ts"])
    start = 0
    k = 6
    while k < len(points):
        start = max(start, int(np.searchsorted(at, at[k] - LOOK_BACK_DAYS * DAY_S)))
        if start == k:  # nothing was seen for so long that there is no ground to rise from
            k += 1
            continue
        base, noise = _ground(height[start:k])
        risen = bool((height[max(k - 1, 0) : k + 1] > base + max(RISE_MM, RISE_TIMES * noise)).all())
        gone = base > VANISHED_MM and bool((height[max(k - 1, 0) : k + 1] < 0.3 * base).all())
        drained = gone and bool(((removed > at[k] - 2 * DAY_S) & (removed < at[k])).any())
        if drained or not (risen or (gone and unit.unit.product in BLENDS)):
            start = k if drained else start
            k += 1
            continue
        last = _episode_end(at, height, removed, k)
        found.append(_episode(unit, tank_id, (at, height, litres, slopes), (start, k, last, noise)))
        start, k = last + 1, last + 7
    return found


def _ground(height: Floats) -> tuple[float, float]:
    """The level the float stood at, the lower quartile, and the scatter about it. [mm]"""
    base = float(np.quantile(height, 0.25))
    near = height[height <= np.median(height) + 1e-9]
    noise = max(0.25, 1.4826 * float(np.median(np.abs(np.diff(height)))) if len(height) > 4 else 0.5)
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
    span: tuple[int, int, int, float],
) -> Finding:
    at, height, litres, slopes = points
    start, first, last, noise = span
    base = float(np.quantile(height[start:first], 0.25))
    ground_l = float(np.median(litres[start:first][height[start:first] <= np.median(height[start:first]) + 1e-9]))
    calm = np.flatnonzero(height[start : first + 1] <= base + max(1.0, 2.0 * noise))
    onset = start + int(calm[-1]) if len(calm) else max(first - 1, 0)
    split = unit.unit.product in BLENDS
    gained = litres[onset : last + 1] - ground_l
    ongoing = last >= len(at) - 1 and at[-1] - at[int(np.argmax(height[first:])) + first] < DRY_DAYS * DAY_S
    top = first + int(np.argmax(height[first : last + 1]))
    rise = float(height[top] - base)
    gain = abs(float(litres[top] - ground_l))
    lain = DATUM_SD_MM * float(slopes[top] - slopes[onset])
    sd = float(np.sqrt(max(1.0, noise * gain / max(abs(rise), 0.5)) ** 2 + (0.06 * gain) ** 2 + lain**2))
    return Finding(
        cause="phase_separation" if split else "water_ingress",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=tank_id,
        day=known_day(float(at[first]) + 2 * 3600.0),
        start_s=float(at[onset]),
        end_s=None if ongoing else float(at[top]),
        litres=None if split else float(gained.max()),
        sd_l=sd,
        log_odds=min(-3.0 + 1.0 * abs(float(height[first]) - base) / max(noise, 0.3), 6.0),
        rival=("water_ingress", 0.0) if split else ("probe_fault", 0.0),
        evidence=(
            Evidence("interval", "the water float moved by", rise, "mm", float(at[onset]), float(at[top])),
            Evidence("statistic", "water below the product now", float(litres[last]), "l"),
        ),
    )


def density_findings(site: SiteObserved) -> list[Finding]:
    """Drops whose density at 15 °C, by the gauge or by the ticket, no grade of the tank's product has."""
    found: list[Finding] = []
    for unit in site.units:
        last: Finding | None = None
        wrong: set[int] = set()
        for known in sorted(unit.drops, key=lambda one: one.drop.start_s):
            is_mixed = last is not None and known.drop.start_s - last.start_s < MIXED_DAYS * DAY_S
            finding = _wrong_product(unit, known, wrong, is_mixed=is_mixed)
            if finding is not None:
                found.append(finding)
                last = finding
                wrong |= set(known.drop.tickets)
    return found


def _wrong_product(unit: UnitObserved, known: KnownDrop, wrong: set[int], *, is_mixed: bool) -> Finding | None:
    """A drop whose density does not fit; where the stock `is_mixed`, right product looks odd beside it.

    `wrong` are the unit's tickets of wrong products before, which say nothing of the right one.
    """
    measured, usual, doubt = dropped_density_15(unit, known)
    off = _off_by_gauge(unit, known, (measured, usual), is_mixed=is_mixed)
    by_gauge = off > DENSITY_ROOM_KG_M3 + 3.0 * doubt
    mine = known.tickets_then if by_gauge else known.drop.tickets
    rows = unit.unit.tickets[list(mine)]
    ticketed = rows["ticket_density_15_kg_m3"].drop_nulls().to_numpy()
    before, count = _usual_ticket_kg_m3(unit, known, wrong)
    off_ticket = max((_off_by_ticket(unit, (before, count), one) for one in ticketed), default=0.0)
    if not by_gauge and off_ticket <= DENSITY_ROOM_KG_M3:
        return None
    low, high = DENSITY_RANGE_KG_M3[unit.unit.product]
    largest = rows.sort("ticket_volume_l", descending=True)
    return Finding(
        cause="wrong_product",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=str(largest["tank_id"][0]) if rows.height else unit.unit.members[0],
        delivery_id=str(largest["delivery_id"][0]) if rows.height else None,
        day=known.day if by_gauge or known.tickets_then else known.day + 1,
        start_s=known.drop.start_s,
        end_s=known.drop.end_s,
        log_odds=min(1.0 + 0.15 * max(off - 3 * doubt, off_ticket), 5.0),
        evidence=tuple(
            Evidence("statistic", name, value, "kg/m³", known.drop.start_s)
            for name, value in (
                ("density at 15 °C of what was dropped, by the gauge", measured),
                ("density at 15 °C on the ticket", float(ticketed[0]) if len(ticketed) else np.nan),
                ("density at 15 °C on the tickets before, usually", before),
                ("lowest that the product may have", low),
                ("highest", high),
            )
            if np.isfinite(value)
        ),
    )


def _off_by_gauge(unit: UnitObserved, known: KnownDrop, seen: tuple[float, float], *, is_mixed: bool) -> float:
    """By how much the measured density lies outside its product's, or is further than a batch from what it should be.

    `seen` what was dropped and what was there before. [kg/m³]
    """
    measured, usual = seen
    if not np.isfinite(measured):
        return 0.0
    low, high = DENSITY_RANGE_KG_M3[unit.unit.product]
    ticketed = unit.unit.tickets[list(known.tickets_then)]["ticket_density_15_kg_m3"].drop_nulls().to_numpy()
    expected = [one for one in (*ticketed, usual) if np.isfinite(one)]
    apart = min((abs(measured - one) for one in expected), default=0.0) - BATCH_KG_M3
    return float(max(low - measured, measured - high, 0.0 if is_mixed else apart, 0.0))


def _off_by_ticket(unit: UnitObserved, before: tuple[float, int], ticketed: float) -> float:
    """The same of a ticket's density, held against what so many tickets before it have. [kg/m³]

    Of one ticket against one, the less usual for the grade is the odd one.
    """
    usual, count = before
    low, high = DENSITY_RANGE_KG_M3[unit.unit.product]
    middle = 0.5 * (low + high)
    is_odd = count > 1 or abs(ticketed - middle) > abs(usual - middle)
    apart = abs(ticketed - usual) - BATCH_KG_M3 if is_odd else 0.0
    return float(max(low - ticketed, ticketed - high, np.nan_to_num(apart), 0.0))


def _usual_ticket_kg_m3(unit: UnitObserved, known: KnownDrop, wrong: set[int]) -> tuple[float, int]:
    """Median density of the last right tickets before a drop, and of how many. [kg/m³]

    NaN where there is none, or they differ; a density that the grade does not have is no right one.
    """
    tickets = unit.unit.tickets
    low, high = DENSITY_RANGE_KG_M3[unit.unit.product]
    is_right = np.array([number not in wrong for number in range(tickets.height)], dtype=bool)
    before = tickets.filter(
        pl.Series(is_right & (seconds(tickets["ts_ticket"]) < known.drop.start_s - DAY_S / 2))
        & pl.col("ticket_density_15_kg_m3").is_between(low, high)
    )
    last = before.sort("ts_ticket")["ticket_density_15_kg_m3"].tail(USUAL_TICKETS).to_numpy()
    if not len(last):
        return np.nan, 0
    usual = float(np.median(last))
    return (usual if np.mean(np.abs(last - usual) <= BATCH_KG_M3) > 0.5 else np.nan), len(last)


def dropped_density_15(unit: UnitObserved, known: KnownDrop) -> tuple[float, float, float]:
    """Densities at 15 °C of what a drop brought and of what was there, and the doubt. [kg/m³]

    From the tank's before and after, by mass.
    """
    series, drop = unit.unit.series, known.drop
    sight = np.isfinite(series.density_kg_m3) & np.isfinite(series.temp_c)
    before = sight & (series.ts_s > drop.start_s - 12 * 3600.0) & (series.ts_s <= drop.start_s)
    after = sight & (series.ts_s > drop.end_s + 600.0) & (series.ts_s < drop.end_s + 2700.0)
    if not before.any() or not after.any():
        return np.nan, np.nan, np.inf
    was = _density_15(unit, before)
    now = _density_15(unit, after)
    stock = float(np.interp(drop.start_s, series.ts_s, series.gauge_l))
    came = max(drop.gain_l, 1.0)
    return now + (now - was) * stock / came, was, 0.6 * (1.0 + 1.5 * stock / came)


def _density_15(unit: UnitObserved, here: NDArray[np.bool_]) -> float:
    series = unit.unit.series
    density, temp = float(np.median(series.density_kg_m3[here])), float(np.median(series.temp_c[here]))
    return float(np.asarray(product_base_density_15_kg_m3(unit.unit.product, density, np.clip(temp, -20, 40))))
