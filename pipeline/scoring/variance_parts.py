"""A trading day's variance split into what its run knew of: named causes, tolerances, and an exact remainder.

All parts are litres at ambient temperature, a loss negative, taken at each day with what that day's run believed: a
cause that is named later does not change an earlier day. Sales on the wrong tank and sales that only the totaliser
knows come from what was observed; lasting rates from the walk; everything else from the findings.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.finding import Finding
from pipeline.estimate.chart_columns import chart_changes_s, chart_columns
from pipeline.estimate.hypotheses import LASTING, Hypothesis
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.observe import SiteObserved, UnitObserved
from pipeline.estimate.unit_walk import UnitWalk, exchanges_s
from pipeline.features.trading_days import DAY_S, day_end_s
from pipeline.ledger.fleet import Unit, meter_flows, share_at
from pipeline.physics.losses import vapour_pressure_ratio
from pipeline.physics.products import expansion_per_k, held_in_range
from pipeline.scoring.drop_rises import coefficients, day_views, drop_rises_15_l, ticket_litres_15, vcf_at_bounds
from pipeline.scoring.unit_days import UnitDays

Floats = NDArray[np.float64]

MISMATCH_CAUSES = ("short_delivery", "over_delivery", "missing_ticket")
"""Causes that are a drop's mismatch against its tickets."""
OBSERVED_CAUSES = ("wrong_feed", "missing_sales", *MISMATCH_CAUSES)
"""Causes whose litres are in what was observed, sale by sale and drop by drop."""
OFF_BALANCE_CAUSES = ("water_ingress", "phase_separation")
"""Water that the float sees is no gauge stock, so it moves no variance."""
CLOCKS_APART_S = 30.0
"""Clocks nearer than this are not said to differ; what they do to a day stays in the residual. No source."""

Parts = dict[str, Floats]


def variance_parts(
    days: UnitDays,
    site: SiteObserved,
    seen: UnitObserved,
    walked: UnitWalk | None,
    findings: Sequence[Finding],
    *,
    sales: pl.DataFrame,
) -> tuple[Parts, Floats]:
    """Litres of each part on each of n days, shape (n,) each; they add up to `days.variance_l`.

    Where a day's variance is not known its parts are NaN. `sales` are the site's. Beside the parts, the residual as it
    would be without the findings' courses and with the sudden moves taken out as they were first seen, shape (n,): no
    later estimate of a cause moves it, so it is what scores are made of.
    """
    parts: Parts = defaultdict(lambda: np.zeros(len(days)))
    _add_feeds(parts, days, site, seen, sales)
    _add_unbooked(parts, days, seen)
    _add_clocks(parts, days)
    before = {name: litres.copy() for name, litres in parts.items()}
    _add_courses(parts, days, seen, findings)
    courses = sum((parts[name] - before.get(name, 0.0) for name in parts), np.zeros(len(days)))
    drawn = days.sold_l.sum(axis=1) - parts["wrong_feed"] - parts["missing_sales"]
    if walked is not None:
        _add_thermal(parts, days, walked, drawn)
        _add_beliefs(parts, days, walked)
        _add_drops(parts, days, walked, findings)
    _add_chart_changes(parts, days, seen, walked)
    known = np.isfinite(days.variance_l)
    named = np.sum(list(parts.values()), axis=0) if parts else np.zeros(len(days))
    parts["residual"] = days.variance_l - named
    left = parts["residual"] + courses - _moved_suddenly_l(days, seen)
    return {name: np.where(known, litres, np.nan) for name, litres in parts.items()}, left


def _moved_suddenly_l(days: UnitDays, seen: UnitObserved) -> Floats:
    """Litres of each day's sudden moves, of those that its run had seen. Shape (n,). [l]"""
    moved = np.zeros(len(days))
    for day, step in seen.steps:
        span = np.clip(days.days.bounds_s, step.start_s, max(step.end_s, step.start_s + 1.0))
        share = np.diff(span) / max(step.end_s - step.start_s, 1.0)
        moved += np.where(days.run_day[1:] >= day, step.litres * share, 0.0)
    return moved


def _add_feeds(parts: Parts, days: UnitDays, site: SiteObserved, seen: UnitObserved, sales: pl.DataFrame) -> None:
    """Sales booked here and drawn elsewhere raise the variance; sales drawn here and booked elsewhere lower it.

    `sales` are the site's. A meter of which no change of tank is known draws on the tanks that it is booked to.
    """
    unit_id = seen.unit.unit_id
    for meter in sorted({change.meter_id for change in site.feeds}):
        flow = meter_flows(sales.filter(pl.col("meter_id") == meter)).get(meter)
        if flow is None:
            continue
        day = days.days.index_of(flow.end_s)
        inside = (day >= 0) & (day < len(days))
        day, end_s, volume = day[inside], flow.end_s[inside], flow.volume_l[inside]
        booked = share_at(days.feeds, meter, unit_id, end_s)
        drawn = booked.copy()
        for change in site.feeds:
            if change.meter_id == meter:
                now = (end_s - days.lag_s[day] >= change.from_s) & (days.run_day[day + 1] >= change.day)
                drawn[now] = float(change.to_unit == unit_id)
        litres = np.bincount(day, volume * (booked - drawn), minlength=len(days))
        if litres.any():
            parts["wrong_feed"] = parts["wrong_feed"] + litres


def _add_unbooked(parts: Parts, days: UnitDays, seen: UnitObserved) -> None:
    """Litres that a totaliser counted beyond its sales, spread over the time between its two readings."""
    for one in seen.unbooked:
        inside = np.diff(np.clip(days.days.bounds_s, one.start_s, max(one.end_s, one.start_s + 1.0)))
        known = days.run_day[1:] >= one.known_s // DAY_S
        litres = one.litres * np.where(known, inside / max(one.end_s - one.start_s, 1.0), 0.0)
        parts["missing_sales"] = parts["missing_sales"] - litres


def _add_clocks(parts: Parts, days: UnitDays) -> None:
    """What the gauge has seen leave and the till has not booked at each boundary, or the other way round.

    Where the clocks are clearly apart, what passes between the two is theirs; sales under way are the meters'.
    """
    at = days.days.bounds_s
    known_s = day_end_s(days.run_day)
    by_gauge = days.booked.until_l(at + days.lag_s, known_s)
    by_till = np.where(np.abs(days.lag_s) >= CLOCKS_APART_S, days.booked.until_l(at, known_s), by_gauge)
    if (by_gauge != by_till).any():
        parts["clock_skew"] = parts["clock_skew"] - np.diff(by_gauge - by_till)
    parts["meter_tolerance"] = parts["meter_tolerance"] - np.diff(by_till - days.booked.ended_l(at))


def _add_courses(parts: Parts, days: UnitDays, seen: UnitObserved, findings: Sequence[Finding]) -> None:
    """The litres of each finding that its day's run knew of, by the finding's own course."""
    has_water = bool(np.isfinite(seen.unit.series.water_mm).any())
    for finding in findings:
        if finding.unit_id != seen.unit.unit_id or finding.cause in OBSERVED_CAUSES or not len(finding.course.at_s):
            continue
        if finding.cause in LASTING and (finding.cause != "unexplained" or finding.rate_l_per_h is not None):
            continue
        if finding.cause in OFF_BALANCE_CAUSES and has_water:
            continue
        litres = np.diff(finding.course.until(days.days.bounds_s))
        parts[finding.cause] = parts[finding.cause] + np.where(days.run_day[1:] >= finding.day, litres, 0.0)


def _add_thermal(parts: Parts, days: UnitDays, walked: UnitWalk, drawn: Floats) -> None:
    """Ambient less 15 °C: the stock's own growth, and what tickets and sales at other temperatures make of the book."""
    balance, unit = walked.walk.balance, walked.seen.unit
    vcf = vcf_at_bounds(days, walked)
    grown = np.diff(np.nan_to_num(days.stock_l) * (1.0 - vcf))
    first, last = np.maximum(days.last_dip[:-1], 0), np.maximum(days.last_dip[1:], 0)
    sold_15 = balance.sold_15_l.sum(axis=1)
    sold = walked.dips.sold_l.sum(axis=1)
    moved = sold[last] - sold[first]
    with np.errstate(invalid="ignore", divide="ignore"):
        at_sale = np.where(moved > 1.0, (sold_15[last] - sold_15[first]) / moved, vcf[1:])
    shrunk = days.ticketed_l - ticket_litres_15(days, unit, vcf).sum(axis=0)
    parts["thermal"] = parts["thermal"] + grown + drawn * (1.0 - at_sale) - shrunk


def _add_beliefs(parts: Parts, days: UnitDays, walked: UnitWalk) -> None:
    """What the walk's coefficients make of each day: meters, vapour, expansion, chart, and the rates named."""
    balance, meters = walked.walk.balance, len(walked.walk.balance.meters)
    beta = coefficients(days, walked)
    sold = _sold_by_meter(days, balance.meters)
    parts["meter_tolerance"] = parts["meter_tolerance"] - (beta[:, :meters] * sold).sum(axis=1)
    for place, name in enumerate(balance.names):
        if name.startswith("calibrated:"):
            given = np.diff(balance.columns[np.maximum(days.last_dip, 0), place])
            parts["meter_tolerance"] = parts["meter_tolerance"] + beta[:, place] * given
    at = np.maximum(days.last_dip, 0)
    ratio = np.asarray(vapour_pressure_ratio(walked.seen.unit.product, balance.temp_c[at]))
    lost = beta[:, meters] * sold.sum(axis=1) + beta[:, meters + 1] * days.days.hours()
    parts["vapour"] = parts["vapour"] - 0.5 * (ratio[1:] + ratio[:-1]) * lost
    vcf = vcf_at_bounds(days, walked)
    growth = np.asarray(expansion_per_k(walked.seen.unit.product, held_in_range(balance.temp_c[at])))
    grown = np.diff(growth * np.nan_to_num(days.stock_l) * (balance.temp_c[at] - 15.0))
    warm = [place for place, name in enumerate(balance.names) if name.startswith(("warmth:", "thermometer:"))]
    read_off = (beta[:, warm] * np.diff(balance.columns[at][:, warm], axis=0)).sum(axis=1)
    parts["thermal"] = parts["thermal"] + (beta[:, meters + 2] * grown + read_off) / vcf[1:]
    of_chart = [number for number, name in enumerate(balance.names) if name.startswith("chart")]
    level, at_s = np.nan_to_num(days.level_mm, nan=100.0), days.days.bounds_s
    chart = (beta[:, of_chart] * np.diff(chart_columns(walked.seen.unit, level, at_s), axis=0)).sum(axis=1)
    chart -= np.diff(walked.seen.unit.between_rows_l(level, at_s))
    in_error = chart_in_error(days, walked)
    parts["chart_tolerance"] = parts["chart_tolerance"] + np.where(in_error, 0.0, chart)
    if in_error.any():
        parts["chart_error"] = parts["chart_error"] + np.where(in_error, chart, 0.0)
    for part, litres in _shifted_l(days, walked, beta).items():
        parts[part] = parts[part] + litres
    for cause, litres in _named_rates(days, walked, sold).items():
        parts[cause] = parts[cause] + litres


def _sold_by_meter(days: UnitDays, meters: tuple[str, ...]) -> Floats:
    """Booked litres of each of the balance's meters on each day. Shape (n, m). [l]"""
    place = {flow.meter_id: number for number, flow in enumerate(days.booked.flows)}
    nothing = np.zeros(len(days))
    columns = [days.sold_l[:, place[name]] if name in place else nothing for name in meters]
    return np.column_stack(columns) if columns else np.zeros((len(days), 0))


def chart_in_error(days: UnitDays, walked: UnitWalk) -> NDArray[np.bool_]:
    """Whether the run of each day had named the chart. Shape (n,)."""
    named = [one.day for one in walked.walk.named if one.hypothesis.cause == "chart_error"]
    return days.run_day[1:] >= min(named) if named else np.zeros(len(days), dtype=bool)


def _shifted_l(days: UnitDays, walked: UnitWalk, beta: Floats) -> Mapping[str, Floats]:
    """What a gauge that reads off by some millimetres adds to each whole day as its level moves, by part. (n,) [l]

    The jump itself is a sudden move of the day on which it comes, and not here. Beyond its step, a probe that was
    exchanged is off as charts are.
    """
    balance, unit = walked.walk.balance, walked.seen.unit
    level = np.nan_to_num(days.level_mm, nan=100.0)
    surface = np.sum([strap.surface_l_per_mm(level, days.days.bounds_s) for strap in unit.strappings], axis=0)
    exchanges_h = np.array(exchanges_s(unit)) / 3600.0
    shifted: dict[str, Floats] = {}
    for number, name in enumerate(balance.names):
        acts = np.flatnonzero(balance.columns[:, number]) if name.startswith("shift") else np.empty(0, np.int64)
        if not len(acts):
            continue
        before_h, after_h = balance.hours[[max(acts[0] - 1, 0), acts[0]]]
        is_exchange = np.any((before_h < exchanges_h) & (exchanges_h <= after_h))
        part = "chart_tolerance" if is_exchange else "probe_fault"
        litres = np.where(days.last_dip[:-1] >= acts[0], beta[:, number] * np.diff(surface), 0.0)
        shifted[part] = shifted.get(part, 0.0) + litres
    return shifted


def _named_rates(days: UnitDays, walked: UnitWalk, sold: Floats) -> Mapping[str, Floats]:
    """Litres of each lasting rate that was named, day by day, from the dip on at which it set in."""
    balance = walked.walk.balance
    base = len(balance.names)
    views = day_views(days, walked)
    found: dict[str, Floats] = defaultdict(lambda: np.zeros(len(days)))
    for named in walked.walk.named:
        for place, onset in named.pieces if named.hypothesis.cause in LASTING else ():
            holes = {view.hole for view in views if view is not None}
            courses = {hole: _rate_course(days, walked, named.hypothesis, onset, sold, hole=hole) for hole in holes}
            for number, view in enumerate(views):
                if view is not None and place < base + len(view.pieces):
                    litres = float(view.belief.mean[place]) * courses[view.hole][number]
                    found[named.hypothesis.cause][number] += litres
    return found


def _rate_course(days: UnitDays, walked: UnitWalk, rate: Hypothesis, onset: int, sold: Floats, *, hole: int) -> Floats:
    """What a unit of the rate does to each day's variance once it has set in. Shape (n,)."""
    balance = walked.walk.balance
    since_h = float(balance.hours[max(onset - 1, 0)])
    bounds_h = days.days.bounds_s / 3600.0
    share = np.clip((bounds_h[1:] - np.maximum(bounds_h[:-1], since_h)) / np.diff(bounds_h), 0.0, 1.0)
    if rate.cause == "meter_drift":
        litres = sold[:, balance.meters.index(str(rate.meter_id))]
        return -litres * share
    at = np.maximum(days.last_dip, max(onset - 1, 0))
    if rate.cause == "line_leak":
        return -np.diff(balance.open_h[at])
    if rate.cause == "tank_leak":
        leak_h = balance.leak_h[:, hole]
        per_h = np.gradient(leak_h, balance.hours) if len(balance.hours) > 1 else np.ones(1)
        # Brought from the last dip to the boundary at that dip's own rate.
        to_bound = np.clip(bounds_h - np.maximum(balance.hours[at], since_h), 0.0, 24.0)
        return -np.diff(leak_h[at] + per_h[at] * to_bound)
    return share * np.diff(bounds_h)


def _add_drops(parts: Parts, days: UnitDays, walked: UnitWalk, findings: Sequence[Finding]) -> None:
    """Each drop's mismatch with its tickets: the cause's that a finding names, else the ticket's tolerance.

    A drop without a ticket is a cause of its own.
    """
    rises = drop_rises_15_l(days, walked)
    vcf = vcf_at_bounds(days, walked)
    ticketed = ticket_litres_15(days, walked.seen.unit, vcf)
    left = ticketed.sum(axis=0)
    for known, rise in zip(walked.seen.drops, rises, strict=True):
        mine = list(known.drop.tickets)
        if not mine:
            parts["missing_ticket"] = parts["missing_ticket"] + rise / vcf[1:]
            continue
        booked = ticketed[mine].sum(axis=0)
        left = left - booked
        litres = (rise - booked) / vcf[1:]
        finding = _named_delivery(walked.seen.unit, known, findings)
        seen = days.run_day[1:] >= finding.day if finding else np.zeros(len(days), dtype=bool)
        parts["ticket_tolerance"] = parts["ticket_tolerance"] + np.where(seen, 0.0, litres)
        if finding and seen.any():
            parts[finding.cause] = parts[finding.cause] + np.where(seen, litres, 0.0)
    parts["ticket_tolerance"] = parts["ticket_tolerance"] - left / vcf[1:]


def _named_delivery(unit: Unit, known: KnownDrop, findings: Sequence[Finding]) -> Finding | None:
    """The finding about a drop's mismatch with its tickets."""
    mine = (unit.unit_id, known.drop.start_s)
    return next((one for one in findings if one.cause in MISMATCH_CAUSES and (one.unit_id, one.start_s) == mine), None)


def _add_chart_changes(parts: Parts, days: UnitDays, seen: UnitObserved, walked: UnitWalk | None) -> None:
    """The step in gauge stock where a new chart comes into force: the same level, other litres."""
    series = seen.unit.series
    for change in chart_changes_s(seen.unit):
        day = int(days.days.index_of(np.array([change]))[0])
        place = int(np.searchsorted(series.ts_s, change, "left")) - 1
        if not 0 <= day < len(days) or place < 0:
            continue
        level = series.level_mm[place : place + 1]
        before, after = (float(seen.unit.stock_l(level, np.array([at]))[0]) for at in (change - 1.0, change + 1.0))
        in_error = walked is not None and bool(chart_in_error(days, walked)[day])
        name = "chart_error" if in_error else "chart_tolerance"
        step = np.zeros(len(days))
        step[day] = after - before
        parts[name] = parts[name] + step
