"""Findings of a product that does not belong: a drop whose density is another's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.batches import DENSITY_RANGE_KG_M3, Grade, bias_of, grade_of, other_product_log_bayes
from pipeline.cases.finding import Evidence, Finding
from pipeline.cases.priors import LOG_PRIOR, RAISE_AT
from pipeline.estimate.known import DAY_S
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.ledger.gauge import GaugeSeries, seconds
from pipeline.physics.products import held_in_range, product_base_density_15_kg_m3

Floats = NDArray[np.float64]

MIXED_DAYS = 30
"""So long after a wrong product the stock's density says nothing of what comes next. No source."""
BEFORE_DROP_S, MIXED_S, AFTER_DROP_S = 12 * 3600.0, 600.0, 2700.0
"""Density is read for so long before a drop, and from ten minutes after it, when it is mixed, for as long as its day
waits. No source."""


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
    at_15 = np.asarray(product_base_density_15_kg_m3(unit.unit.product, density, held_in_range(temp)))
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
