"""What a ledger shows of a tank, with a fault in it and without: the judge of whether injection is true."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.run import inject
from pipeline.ledger.dips import settled_dips
from pipeline.ledger.drops import find_drops, match_tickets
from pipeline.ledger.fleet import build_unit, feeds_of, meter_flows, share_at, unit_members
from pipeline.ledger.gauge import seconds
from pipeline.ledger.movements import MeterFlow, cumulative_l
from pipeline.simulate.run import simulate_fleet
from pipeline.simulate.settings import FleetSettings

DAY_S = 86_400.0
AROUND_S = 6 * 3600.0
Frames = Mapping[str, pl.DataFrame]


def sound_fleet(tanks, days, *, seed):
    """A simulated fleet with nothing wrong, its quirks of reporting among it."""
    frames = simulate_fleet(tanks, days, seed=seed, causes=[], settings=FleetSettings())
    return {name: frame for name, frame in frames.items() if not name.startswith("_")}


def pools(frames):
    """Each body of product, by its first tank."""
    return {members[0]: members for members in unit_members(frames["tanks"])}


def course(frames: Frames, members):
    """A pool's settled dips, the stock with what was sold put back and what came taken out, its l/mm and drops."""
    tables = dict(frames)
    tables["readings"] = (
        frames["readings"].filter(pl.col("tank_id").is_in(members)).unique(["tank_id", "ts"], keep="first")
    )
    unit = build_unit(tables, members)
    feeds = feeds_of(frames["meter_feeds"], [unit])
    flows = [
        MeterFlow(name, flow.start_s, flow.end_s, flow.volume_l * share_at(feeds, name, unit.unit_id, flow.end_s))
        for name, flow in meter_flows(frames["sales"]).items()
    ]
    flows = [flow for flow in flows if flow.volume_l.sum() > 0.0]
    sold = np.sum([cumulative_l(flow, unit.series.ts_s) for flow in flows], axis=0)
    litres = unit.tickets["ticket_volume_l"].to_numpy()
    drops = match_tickets(
        find_drops(unit.series, sold), seconds(unit.tickets["ts_ticket"]), litres, unit.series.ts_s[-1]
    )
    dips = settled_dips(unit.series, flows, drops, [])
    came = np.zeros(len(dips))
    for drop in drops:
        came += litres[list(drop.tickets)].sum() * (dips.ts_s > drop.start_s)
    surface = float(np.median(unit.series.surface_l_per_mm))
    return dips.ts_s, dips.gauge_l + dips.sold_l.sum(axis=1) - came, surface, drops


def moved(ts_s, stock_l, start_s, end_s):
    """By how much the book-corrected stock changes over a stretch of time: medians of six hours after and before."""
    before = stock_l[(ts_s <= start_s) & (ts_s > start_s - AROUND_S)]
    after = stock_l[(ts_s >= end_s) & (ts_s < end_s + AROUND_S)]
    return float(np.median(after) - np.median(before)) if len(before) > 2 and len(after) > 2 else float("nan")


SIZES = {
    "tank_leak": 1.5, "line_leak": 15.0, "bulk_theft": 400.0, "slow_theft": 40.0, "meter_drift": 1.5,
    "short_delivery": 250.0, "over_delivery": 250.0, "unexplained": 90.0,
}  # fmt: skip
LASTS_S = {"tank_leak": 4 * DAY_S, "line_leak": 4 * DAY_S, "slow_theft": 4 * DAY_S, "meter_drift": 4 * DAY_S,
           "unexplained": 4 * DAY_S}  # fmt: skip


def scores(frames: Frames, cause: str, start_s: float, *, seed: int):
    """For a fault of a cause in every pool at once: put in, shown, shown without it, the noise, litres of a millimetre.

    The noise is the spread of the same figure over other stretches of the same length, without the fault.
    """
    start = start_s + frames["readings"]["ts"].min().timestamp()
    end = start + LASTS_S[cause] if cause in LASTS_S else None
    injections = [Injection(cause, first, start, SIZES[cause], end) for first in pools(frames)]
    made = inject(frames, injections, seed=seed)
    rows = []
    for row in made.frames["labels"].iter_rows(named=True):
        members = next(group for group in pools(frames).values() if row["tank_id"] in group)
        edges = row["ts_start"].timestamp() - 60.0, row["ts_end"].timestamp() + 60.0
        if cause.endswith("delivery"):
            edges = edges[0], edges[1] + 1800.0
        ts, stock, surface, drops = course(frames, members)
        others = np.arange(ts[0] + DAY_S, ts[-1] - (edges[1] - edges[0]) - DAY_S, DAY_S / 3.0)
        if cause.endswith("delivery"):
            others = np.array([drop.start_s - 60.0 for drop in drops])
        usual = np.array([moved(ts, stock, at, at + edges[1] - edges[0]) for at in others])
        usual = usual[np.isfinite(usual)]
        noise = 1.4826 * float(np.median(np.abs(usual - np.median(usual))))
        shown = moved(*course(made.frames, members)[:2], *edges)
        rows.append((row["litres"], shown, moved(ts, stock, *edges), float(np.median(usual)), noise, surface))
    return rows
