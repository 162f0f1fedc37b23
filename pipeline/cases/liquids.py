"""Findings about what is in the tank: water, a split blend, a product that does not belong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.batches import DENSITY_RANGE_KG_M3, Grade, bias_of, grade_of, other_product_log_bayes
from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.estimate.bayes import p_value_log_bayes, student_p
from pipeline.estimate.known import DAY_S, known_day
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.features.water import WaterPoint, water_points
from pipeline.ledger.gauge import GaugeSeries, seconds
from pipeline.physics.products import product_base_density_15_kg_m3
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
MIXED_DAYS = 30
"""So long after a wrong product the stock's density says nothing of what comes next. No source."""
BEFORE_DROP_S, MIXED_S, AFTER_DROP_S = 12 * 3600.0, 600.0, 2700.0
"""Density is read for so long before a drop, and from ten minutes after it, when it is mixed, for as long as its day
waits. No source."""
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


@dataclass
class _Told:
    """What the drops of one unit so far told: wrong tickets, gauge less ticket with its doubt, the last wrong drop."""

    wrong: set[int]
    differences: list[tuple[int, float, float]]
    mixed_s: float = -np.inf


def density_findings(site: SiteObserved) -> list[Finding]:
    """Drops whose density at 15 °C, by the gauge or by the ticket, is another product's sooner than a batch's."""
    found: list[Finding] = []
    told = {unit.unit.unit_id: _Told(set(), []) for unit in site.units}
    dropped = [dropped_density_15(unit) for unit in site.units]
    drops = [
        (known.drop.start_s, place, number)
        for place, unit in enumerate(site.units)
        for number, known in enumerate(unit.drops)
    ]
    for _, place, number in sorted(drops):
        unit, known = site.units[place], site.units[place].drops[number]
        measured, doubt = dropped[place][:, number].tolist()
        finding = _wrong_product(site, unit, known, told, (measured, doubt))
        if finding is not None:
            found.append(finding)
            mine = told[unit.unit.unit_id]
            mine.wrong |= set(known.drop.tickets)
            mine.mixed_s = known.drop.start_s + MIXED_DAYS * DAY_S
    return found


def _wrong_product(
    site: SiteObserved, unit: UnitObserved, known: KnownDrop, told: dict[str, _Told], dropped: tuple[float, float]
) -> Finding | None:
    """A drop whose density is another product's, on the day that sees it or, by a later ticket, on the next.

    `dropped` is its density at 15 °C by the gauge, and the doubt [kg/m³].
    """
    grade = grade_of(unit.unit.product, _tickets_before(site, unit.unit.product, known, told))
    mine = told[unit.unit.unit_id]
    measured, doubt = dropped
    past = [(off, sd) for day, off, sd in mine.differences if day < known.day]
    bias, bias_sd = bias_of(np.array([off for off, _ in past]), np.array([sd for _, sd in past]))
    if known.drop.start_s < mine.mixed_s:  # what is still in the tank says little of what comes next
        measured = np.nan
    chances = [(known.day, known.tickets_then)]
    if not known.tickets_then and known.drop.tickets:
        chances.append((known.day + 1, known.drop.tickets))
    for day, tickets in chances:
        rows = unit.unit.tickets[list(tickets)]
        farthest, together = _ticketed(rows, grade)
        odds = LOG_PRIOR["wrong_product"] + other_product_log_bayes(
            grade, (farthest, together), measured - bias, float(np.hypot(doubt, bias_sd))
        )
        if odds > RAISE_AT:
            return _other_product(unit, known, (day, odds), rows, (measured, farthest, grade.mean))
        if np.isfinite(measured) and np.isfinite(together):
            mine.differences.append((day, measured - together, doubt))
    return None


def _ticketed(tickets: pl.DataFrame, grade: Grade) -> tuple[float, float]:
    """Of a drop's tickets the density that is farthest from the grade's, and that of all; NaN without one. [kg/m³]"""
    known = tickets.drop_nulls("ticket_density_15_kg_m3")
    density, litres = known["ticket_density_15_kg_m3"].to_numpy(), known["ticket_volume_l"].to_numpy()
    if not len(density):
        return np.nan, np.nan
    together = float(np.average(density, weights=litres)) if litres.sum() > 0.0 else float(density.mean())
    return float(density[int(np.argmax(np.abs(density - grade.mean)))]), together


def _other_product(
    unit: UnitObserved,
    known: KnownDrop,
    raised: tuple[int, float],
    rows: pl.DataFrame,
    seen: tuple[float, float, float],
) -> Finding:
    """The finding; `raised` day and log odds, `seen` densities by gauge and ticket, and what batches usually have."""
    low, high = DENSITY_RANGE_KG_M3[unit.unit.product]
    off = (pl.col("ticket_density_15_kg_m3") - seen[2]).abs()
    rows = rows.sort([off, "ticket_volume_l"], descending=True, nulls_last=True)
    return Finding(
        cause="wrong_product",
        site_id=unit.unit.site_id,
        unit_id=unit.unit.unit_id,
        tank_id=str(rows["tank_id"][0]) if rows.height else unit.unit.members[0],
        delivery_id=str(rows["delivery_id"][0]) if rows.height else None,
        day=raised[0],
        start_s=known.drop.start_s,
        end_s=known.drop.end_s,
        log_odds=raised[1],
        log_prior=LOG_PRIOR["wrong_product"],
        evidence=tuple(
            Evidence("statistic", name, value, "kg/m³", known.drop.start_s)
            for name, value in (
                ("density at 15 °C of what was dropped, by the gauge", seen[0]),
                ("density at 15 °C on the ticket", seen[1]),
                ("density at 15 °C of the site's tickets of that grade, usually", seen[2]),
                ("lowest that the product may have", low),
                ("highest", high),
            )
            if np.isfinite(value)
        ),
    )


def _tickets_before(site: SiteObserved, product: str, known: KnownDrop, told: dict[str, _Told]) -> Floats:
    """Densities of the site's right tickets of a product half a day and more before a drop. Shape (n,). [kg/m³]

    A density that the grade does not have is none of a right ticket.
    """
    low, high = DENSITY_RANGE_KG_M3[product]
    found = []
    for unit in site.units:
        if unit.unit.product == product:
            tickets, wrong = unit.unit.tickets, told[unit.unit.unit_id].wrong
            is_right = np.array([number not in wrong for number in range(tickets.height)], dtype=bool)
            is_right &= seconds(tickets["ts_ticket"]) < known.drop.start_s - DAY_S / 2
            found.append(tickets["ticket_density_15_kg_m3"].filter(pl.Series(is_right)).drop_nulls().to_numpy())
    before = np.concatenate(found)
    return before[(before >= low) & (before <= high)]


def dropped_density_15(unit: UnitObserved) -> Floats:
    """Density at 15 °C of what each drop brought, and its doubt. [kg/m³]

    Shape (2, drops), from the tank's before and after, by mass; NaN where the gauge measures no density.
    """
    series, drops = unit.unit.series, [known.drop for known in unit.drops]
    # What stood in the tank is what the drop before left, and nothing older.
    settled_s = [-np.inf, *(drop.end_s + MIXED_S for drop in drops)][: len(drops)]
    before = [
        _measured(series, max(drop.start_s - BEFORE_DROP_S, least_s), drop.start_s)
        for drop, least_s in zip(drops, settled_s, strict=True)
    ]
    after = [_measured(series, drop.end_s + MIXED_S, drop.end_s + AFTER_DROP_S) for drop in drops]
    seen = np.array([len(early) > 0 and len(late) > 0 for early, late in zip(before, after, strict=True)], dtype=bool)
    out = np.array([[np.nan], [np.inf]]).repeat(len(drops), axis=1)
    if not seen.any():
        return out
    places = [place for side in (before, after) for place, is_seen in zip(side, seen, strict=True) if is_seen]
    density = np.array([np.median(series.density_kg_m3[place]) for place in places])
    temp = np.array([np.median(series.temp_c[place]) for place in places])
    at_15 = np.asarray(product_base_density_15_kg_m3(unit.unit.product, density, np.clip(temp, -20, 40)))
    was, now = at_15.reshape(2, -1)
    starts = np.array([drop.start_s for drop in drops])[seen]
    came = np.maximum(np.array([drop.gain_l for drop in drops])[seen], 1.0)
    stock = np.interp(starts, series.ts_s, series.gauge_l)
    out[:, seen] = now + (now - was) * stock / came, 0.6 * (1.0 + 1.5 * stock / came)
    return out


def _measured(series: GaugeSeries, after_s: float, until_s: float) -> NDArray[np.int64]:
    """Places of the readings in (after_s, until_s] that give density and temperature. Shape (n,)."""
    low, high = np.searchsorted(series.ts_s, [after_s, until_s], "right")
    told = np.isfinite(series.density_kg_m3[low:high]) & np.isfinite(series.temp_c[low:high])
    return np.asarray(low + np.flatnonzero(told), dtype=np.int64)
