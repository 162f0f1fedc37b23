"""What the meters make of the sales: true litres behind recorded ones, and the totalisers."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.demand import Sales, test_visit_s
from pipeline.simulate.laws.meters import Pours
from pipeline.simulate.model import DAY_S, HOUR_S, Bools, Fault, Fleet, Floats, Flow, Meter, Site, Window
from pipeline.simulate.seeds import Part, stream


def true_litres(sales: Sales, site: Site, faults: list[Fault], fleet: Fleet) -> Floats:
    """Litres that really left the hose for each sale: recorded / (1 + error). [l]"""
    result = sales.recorded_l.copy()
    window, seed = fleet.window, fleet.seed
    visit_s = test_visit_s(site, window, seed)
    for meter in fleet.meters_of(site.index):
        rows = np.flatnonzero(sales.meter == meter.index)
        rng = stream(seed, Part.METER_NOISE, meter.index)
        error = steady_error(meter, sales.start_s[rows], sales.recorded_l[rows], visit_s, seed)
        error = error + _family_error(meter, sales.only(rows), fleet)
        for fault in faults:
            if fault.cause == "meter_drift" and fault.meter_index == meter.index:
                error = error + drift_at(fault, sales.start_s[rows], window)
        # Repeatability is a share of a usual sale; a small one is worse, a large one a little better.
        spread = meter.repeatability * np.sqrt(30.0 / np.maximum(sales.recorded_l[rows], 5.0))
        result[rows] = sales.recorded_l[rows] / (1.0 + error + spread * rng.normal(0.0, 1.0, rows.size))
    return result


def _family_error(meter: Meter, sales: Sales, fleet: Fleet) -> Floats | float:
    """What the family's laws of meters add to a sound meter's error at each of its sales."""
    pours = Pours(sales.start_s, sales.end_s - sales.start_s, sales.recorded_l)
    laws = enumerate(fleet.family.meter_laws)
    return sum(
        (law(pours, fleet.family.rng(fleet.seed, "meter error", place, meter.index)) for place, law in laws), 0.0
    )


def steady_error(meter: Meter, at_s: Floats, recorded_l: Floats, visit_s: float | None, seed: int) -> Floats:
    """Error of a sound meter at each of its sales: its own, wear, and an adjustment at the inspector's visit."""
    worn = meter.wear_per_m3 * np.cumsum(recorded_l) / 1_000.0
    error = meter.error + worn
    if visit_s is not None and is_adjusted(meter, seed):
        after = at_s > visit_s + DAY_S / 2.0
        fresh = float(stream(seed, Part.EVENTS, meter.site_index, meter.index).normal(0.0, 0.0008))
        start = worn[after][0] if after.any() else 0.0
        error = np.where(after, fresh + worn - start, error)
    return error


def is_adjusted(meter: Meter, seed: int) -> bool:
    """Whether the inspector has a meter adjusted: those more than 0.25 % off, and a few others."""
    luck = stream(seed, Part.EVENTS, meter.site_index, meter.index, 1).random()
    return abs(meter.error) > 0.0025 or bool(luck < 0.15)


def adjustment_s(meter: Meter, fleet: Fleet) -> float | None:
    """Instant from which the meter runs as the inspector left it; None if he left it alone or did not come."""
    visit_s = test_visit_s(fleet.sites[meter.site_index], fleet.window, fleet.seed)
    return visit_s + DAY_S / 2.0 if visit_s is not None and is_adjusted(meter, fleet.seed) else None


def drift_at(fault: Fault, at_s: Floats, window: Window) -> Floats:
    """What a drifting meter's fault adds to its error at each instant."""
    end_s = window.seconds if fault.end_s is None else fault.end_s
    inside = (at_s >= fault.start_s) & (at_s < end_s)
    share = np.ones_like(at_s)
    if fault.params["ramp"] > 0.0:
        share = (at_s - fault.start_s) / (end_s - fault.start_s)
    return np.where(inside, fault.params["error"] * share, 0.0)


def missing_rows(sales: Sales, faults: list[Fault], seed: int) -> Bools:
    """Sales that the till never booked, though the totaliser moved: a share of one meter's, in one shift."""
    missing = np.zeros(sales.meter.size, dtype=bool)
    for fault in faults:
        if fault.cause != "missing_sales":
            continue
        rng = stream(seed, Part.FAULT_DETAIL, fault.index, 1)
        end_s = np.inf if fault.end_s is None else fault.end_s
        hour = (sales.start_s / HOUR_S - fault.params["shift_starts_h"]) % 24.0
        rows = (
            (sales.meter == fault.meter_index)
            & (sales.start_s >= fault.start_s)
            & (sales.end_s < end_s)
            & (hour < fault.params["shift_lasts_h"])
            & ~sales.is_test
        )
        missing |= rows & (rng.random(rows.size) < fault.params["share"])
    return missing


def totaliser_readings(
    site: Site, meter: Meter, sales: Sales, window: Window, *, resets: bool, seed: int
) -> tuple[Floats, Floats]:
    """Instants and litres of a meter's running totaliser, read at regular times. [s, l]

    `sales` are all that went through it, booked or not. Some take a sale in as it runs, most when it ends. They
    roll over at their last digit; one in twelve is reset.
    """
    rng = stream(seed, Part.METER_NOISE, meter.index, 1)
    at_s = np.arange(rng.integers(0, 60), window.seconds, site.totals_every_s)
    mine = sales.meter == meter.index
    start_s, end_s, litres = sales.start_s[mine], sales.end_s[mine], sales.recorded_l[mine]
    if site.totals_running:
        total = Flow(start_s, end_s, litres).moved_by(at_s)
    else:
        order = np.argsort(end_s, kind="stable")
        steps = np.append(0.0, np.cumsum(litres[order]))
        total = steps[np.searchsorted(end_s[order], at_s, side="right")]
    total = np.asarray(np.round(np.mod(meter.total_start_l + total, meter.rollover_l), 2))
    reset_s = rng.uniform(0.0, 12.0 * window.seconds)
    if resets and reset_s < window.seconds:
        before = at_s < reset_s
        if before.any() and not before.all():
            total = np.where(before, total, np.round(np.mod(total - total[before][-1], meter.rollover_l), 2))
    return at_s, total
