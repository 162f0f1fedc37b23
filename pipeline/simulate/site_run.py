"""One site through the window: its sales, its pools, and the rows that they leave in the lake."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.simulate import metering, tables
from pipeline.simulate.chart import true_shape, with_chart_faults
from pipeline.simulate.demand import Sales, draw_sales
from pipeline.simulate.faults import pool_of
from pipeline.simulate.historian import outages_s
from pipeline.simulate.model import DAY_S, Fault, Fleet, Floats, Flow, Meter, Site, Tank
from pipeline.simulate.pools import PoolTruth, clock_shift_s, pool_readings, pool_truth
from pipeline.simulate.seeds import Part, stream
from pipeline.simulate.settings import FleetSettings
from pipeline.simulate.stock import make_pool


@dataclass
class SiteRun:
    """What a site leaves behind: rows by table, and the truth."""

    site: Site
    frames: dict[str, pl.DataFrame]
    pools: list[PoolTruth]
    sales: Sales
    true_l: Floats
    gaps: list[tuple[float, float]]


def run_site(site: Site, fleet: Fleet, faults: list[Fault], settings: FleetSettings) -> SiteRun:
    """Simulate one site. Litres, rates, times and deliveries of `faults`, which are the site's, are filled in."""
    meters = fleet.meters_of(site.index)
    tanks = [with_chart_faults(t, [f for f in faults if f.tank_index == t.index]) for t in fleet.tanks_of(site.index)]
    sales = draw_sales(site, tanks, meters, fleet)
    true_l = metering.true_litres(sales, site, faults, fleet)
    draws = {tank.index: _draws_of(tank, sales, true_l, meters, faults, fleet=fleet) for tank in tanks}
    pools = [_run_pool(group, site, fleet, draws, faults) for group in _pools(tanks)]
    _settle_meter_faults(sales, true_l, faults, fleet)
    gaps = outages_s(site, fleet.window, len(tanks), fleet.seed)
    frames = _till_frames(site, fleet, sales, faults, settings)
    drops = [drop for pool in pools for drop in pool.path.drops]
    frames["deliveries"] = tables.frame("deliveries", tables.delivery_rows(site, drops, fleet))
    on_gauge = [fault for fault in faults if fault.cause == "clock_skew" and fault.params["till"] <= 0.0]
    frames["readings"] = pl.concat(
        [rows for pool in pools for rows in pool_readings(pool, _of_pool(faults, pool), fleet, gaps, on_gauge)]
    )
    frames["strapping"] = pl.concat(
        [tables.strapping_frame(t, [f for f in faults if f.tank_index == t.index], fleet.window) for t in tanks]
    )
    return SiteRun(site, frames, pools, sales, true_l, gaps)


def _pools(tanks: list[Tank]) -> list[list[Tank]]:
    groups: dict[str, list[Tank]] = {}
    for tank in tanks:
        groups.setdefault(pool_of(tank), []).append(tank)
    return list(groups.values())


def _of_pool(faults: list[Fault], truth: PoolTruth) -> list[Fault]:
    members = {tank.index for tank in truth.pool.tanks}
    return [fault for fault in faults if fault.tank_index in members]


def _run_pool(tanks: list[Tank], site: Site, fleet: Fleet, draws: dict[int, Flow], faults: list[Fault]) -> PoolTruth:
    shapes = [true_shape(tank, fleet.seed, fleet.family) for tank in tanks]
    pool = make_pool(tanks, shapes, site, fleet)
    mine = [fault for fault in faults if fault.tank_index in {tank.index for tank in tanks}]
    return pool_truth(pool, [draws[tank.index] for tank in tanks], mine, fleet)


def _draws_of(
    tank: Tank, sales: Sales, true_l: Floats, meters: list[Meter], faults: list[Fault], *, fleet: Fleet
) -> Flow:
    """What the meters really take from a tank, and what their tests pour back minutes later. [l, ambient]"""
    share = np.zeros(sales.meter.size)
    for meter in meters:
        for (fed, _), part in zip(meter.feeds, meter.true_shares, strict=True):
            if fed == tank.index:
                share[sales.meter == meter.index] = part
    for fault in faults:
        if fault.cause == "wrong_feed":
            during = (sales.meter == fault.meter_index) & _within(sales, fault)
            share[during] = 1.0 if int(fault.params["true"]) == tank.index else 0.0
    used = share > 0.0
    out = Flow(sales.start_s[used], sales.end_s[used], -(true_l * share)[used])
    tests = used & sales.is_test
    rng = stream(fleet.seed, Part.DEMAND, tank.site_index, tank.index)
    back_s = sales.end_s[tests] + np.round(rng.uniform(60.0, 240.0, int(tests.sum())))
    return Flow.joined([out, Flow(back_s, back_s + 30.0, (true_l * share)[tests])])


def _within(sales: Sales, fault: Fault) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Sales that lie in a fault's time."""
    end_s = np.inf if fault.end_s is None else fault.end_s
    return (sales.start_s >= fault.start_s) & (sales.end_s < end_s)


def _settle_meter_faults(sales: Sales, true_l: Floats, faults: list[Fault], fleet: Fleet) -> None:
    """Fill in the litres of faults that are a meter's; those of missing sales are filled in with the till."""
    for fault in faults:
        rows = (sales.meter == fault.meter_index) & _within(sales, fault) & ~sales.is_test
        if fault.cause == "meter_drift":
            fault.litres = float((sales.recorded_l - true_l)[rows].sum())
        elif fault.cause == "wrong_feed":
            fault.litres = float(sales.recorded_l[rows].sum())
        elif fault.cause == "line_leak":
            fault.rate_l_per_h = fault.params["rate_l_per_h"]
        elif fault.cause == "tank_leak":
            fault.rate_l_per_h = -(fault.litres or 0.0) / max(fault.params.get("hours", 0.0), 1.0)


def _till_frames(
    site: Site, fleet: Fleet, sales: Sales, faults: list[Fault], settings: FleetSettings
) -> dict[str, pl.DataFrame]:
    """Rows of `sales` and `meter_totals`; sales that were never booked move the totaliser alone."""
    meters = fleet.meters_of(site.index)
    on_till = [fault for fault in faults if fault.cause == "clock_skew" and fault.params["till"] > 0.0]
    missing = metering.missing_rows(sales, faults, fleet.seed)
    for fault in faults:
        if fault.cause == "missing_sales":
            fault.litres = -float(sales.recorded_l[missing & (sales.meter == fault.meter_index)].sum())
    booked = stamped(sales.only(~missing), site, fleet)
    totals = []
    for meter in meters:
        at_s, total_l = metering.totaliser_readings(
            site, meter, sales, fleet.window, resets=settings.quirks, seed=fleet.seed
        )
        totals.append(tables.totals_frame(meter, at_s, total_l, fleet.window, _till_shift_s(site, on_till, at_s)))
    shift_s = _till_shift_s(site, on_till, booked.end_s)
    return {
        "sales": tables.sales_frame(site, booked, meters, fleet.window, shift_s),
        "meter_totals": pl.concat(totals) if totals else tables.frame("meter_totals", []),
    }


def stamped(sales: Sales, site: Site, fleet: Fleet) -> Sales:
    """Return the sales with the instants that the family's tills write down."""
    start_s, end_s = sales.start_s, sales.end_s
    for place, law in enumerate(fleet.family.till_laws):
        start_s, end_s = law(start_s, end_s, fleet.family.rng(fleet.seed, "till", place, site.index))
    return replace(sales, start_s=start_s, end_s=end_s)


def _till_shift_s(site: Site, faults: list[Fault], at_s: Floats) -> Floats:
    """How far the till's clock is ahead: a few seconds, a drift that a weekly setting takes back, and faults. [s]"""
    drift = site.till_drift_s_per_day * np.mod(at_s / DAY_S, 7.0)
    return site.till_offset_s + drift + clock_shift_s(faults, at_s)
