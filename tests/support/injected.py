"""What a ledger shows of a tank, with a fault in it and without: the judge of whether injection is true."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import stats

from pipeline.backtest.injection.fault import Injection
from pipeline.backtest.injection.levels import habit_of
from pipeline.backtest.injection.run import inject
from pipeline.ledger.dips import settled_dips
from pipeline.ledger.drop_tickets import match_tickets, tickets_of
from pipeline.ledger.drops import find_drops
from pipeline.ledger.fleet import build_unit, feeds_of, meter_flows, share_at, unit_members
from pipeline.ledger.movements import cumulative_l, ordered_flow
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
    is_fed = pl.col("meter_id").is_in([feed.meter_id for feed in feeds if feed.unit_id == unit.unit_id])
    flows = [
        ordered_flow(name, flow.start_s, flow.end_s, flow.volume_l * share_at(feeds, name, unit.unit_id, flow.end_s))
        for name, flow in meter_flows(frames["sales"].filter(is_fed)).items()
    ]
    flows = [flow for flow in flows if flow.volume_l.sum() > 0.0]
    sold = np.sum([cumulative_l(flow, unit.series.ts_s) for flow in flows], axis=0)
    litres = unit.tickets["ticket_volume_l"].to_numpy()
    drops = match_tickets(find_drops(unit.series, sold), tickets_of(unit.tickets), unit.series.ts_s[-1])
    dips = settled_dips(unit.series, flows, drops, [])
    came = np.zeros(len(dips))
    for drop in drops:
        came += litres[list(drop.tickets)].sum() * (dips.ts_s > drop.start_s)
    surface = float(np.median(unit.series.surface_l_per_mm))
    return dips.ts_s, dips.gauge_l + dips.sold_l.sum(axis=1) - came, surface, drops


def moved(ts_s, stock_l, start_s, end_s, drops=()):
    """By how much the book-corrected stock changes over a stretch of time: medians of six hours after and before.

    A drop just before or after the stretch is no part of it: the six hours end where it begins or ended.
    """
    since = max([drop.end_s for drop in drops if drop.end_s <= start_s] + [start_s - AROUND_S])
    until = min([drop.start_s for drop in drops if drop.start_s >= end_s] + [end_s + AROUND_S])
    before, after = (ts_s <= start_s) & (ts_s > since), (ts_s >= end_s) & (ts_s < until)
    if before.sum() <= 2 or after.sum() <= 2:
        return float("nan")
    return float(np.median(stock_l[after]) - np.median(stock_l[before]))


SIZES = {
    "tank_leak": 1.5, "line_leak": 15.0, "bulk_theft": 400.0, "slow_theft": 40.0, "meter_drift": 1.5,
    "short_delivery": 250.0, "over_delivery": 250.0, "unexplained": 90.0,
}  # fmt: skip
LASTS_S = {"tank_leak": DAY_S, "line_leak": DAY_S, "slow_theft": DAY_S, "meter_drift": DAY_S,
           "unexplained": DAY_S}  # fmt: skip
FEWEST_PLACEBOS = 6


@dataclass(frozen=True)
class Judged:
    """A fault: litres put in, shown by the ledger, and shown of the same stretch without it; litres of a millimetre.

    `placebo` are the ledger's litres of stretches in which nothing was put: as long, of the same tank, at the same hour
    of other days, with as many drops. They are the noise that the tank has without the fault. `free` of them do not
    overlap. `told` is the step in which the gauge tells its level [l]: a change is told no finer, while stretches in
    which the level lay still do not show it.
    """

    put_in: float
    shown: float
    without: float
    surface: float
    placebo: np.ndarray
    free: float
    told: float

    def z(self, litres):
        """How far litres are from the placebos: Student's t for one more like them, as the normal value as likely."""
        count = len(self.placebo)
        # The difference of two values, each rounded to the step, has a variance of a sixth of it squared.
        spread = np.hypot(self.placebo.std(ddof=1) * np.sqrt(1.0 + 1.0 / self.free), self.told / np.sqrt(6.0))
        t = (litres - self.placebo.mean()) / spread
        freedom = max(min(self.free, count) - 1.0, 2.0)
        return float(-np.sign(t) * stats.norm.ppf(stats.t.sf(abs(t), freedom)))


def both_z(one):
    """Of what is missing beyond what was put in, and of the same stretch without the fault."""
    return one.z(one.shown - one.put_in), one.z(one.without)


def sound_courses(frames):
    """Of each pool, by its first tank, its course without a fault and the litres of its gauge's step."""
    found = {pool: course(frames, members) for pool, members in pools(frames).items()}
    return {pool: (one, one[2] * _step_mm(frames, pool)) for pool, one in found.items()}


def faults(frames: Frames, sound, cause, *, every_s, seed):
    """A fault of a cause in every pool every so often, at hours that are drawn, as `Judged` each; one injected lake."""
    rng = np.random.default_rng(seed)
    first, last = (edge.timestamp() for edge in (frames["readings"]["ts"].min(), frames["readings"]["ts"].max()))
    wanted = []
    for pool, ((_, _, _, drops), _) in sound.items():
        starts = np.arange(first + 3 * DAY_S, last - 4 * DAY_S, every_s)
        starts = starts + rng.uniform(0.0, DAY_S, len(starts))
        if cause.endswith("delivery"):
            starts = np.array([drop.start_s - 1.0 for drop in drops])
        ends = starts + LASTS_S[cause] if cause in LASTS_S else [None] * len(starts)
        wanted += [Injection(cause, pool, at, SIZES[cause], end) for at, end in zip(starts, ends, strict=True)]
    made = inject(frames, wanted, seed=seed).frames
    found = []
    for pool, members in pools(frames).items():
        rows = made["labels"].filter(pl.col("tank_id").is_in(members)).sort("ts_start")
        # Two that fell to one drop are no fault of the size that is told.
        found += _judged(sound[pool], course(made, members), rows.filter(pl.col("ts_start").is_unique()))
    return found


def _step_mm(frames, tank):
    """The step in which a gauge tells its level, as its own readings show it."""
    good = (pl.col("tank_id") == tank) & (pl.col("quality") == "good") & pl.col("level_mm").is_not_null()
    rows = frames["readings"].filter(good).unique("ts").sort("ts")
    habit = habit_of(rows["ts"].dt.timestamp("us").to_numpy() / 1e6, rows["level_mm"].to_numpy())
    return habit.step_mm


def _judged(sound, faulty, rows):
    (ts, stock, surface, drops), told = sound
    found = []
    for row in rows.iter_rows(named=True):
        start, end = row["ts_start"].timestamp() - 60.0, row["ts_end"].timestamp() + 60.0
        at_drop = row["delivery_id"] is not None
        end += 1800.0 * at_drop
        days = np.arange(-90, 91) * DAY_S
        others = np.array([drop.start_s - 60.0 for drop in drops]) - start if at_drop else days
        others = others[(np.abs(others) >= end - start) & (start + others > ts[0]) & (end + others < ts[-1])]
        alike = _inside(drops, start, end)
        others = np.array([off for off in others if _inside(drops, start + off, end + off) == alike])
        placebo = np.array([moved(ts, stock, start + off, end + off, drops) for off in others])
        others, placebo = others[np.isfinite(placebo)], placebo[np.isfinite(placebo)]
        shown, without = moved(*faulty[:2], start, end, faulty[3]), moved(ts, stock, start, end, drops)
        if len(placebo) >= FEWEST_PLACEBOS and np.isfinite([shown, without]).all():
            found.append(Judged(row["litres"], shown, without, surface, placebo, _free(others, end - start), told))
    return found


def _inside(drops, start_s, end_s):
    """How many drops fall into a stretch; two are as many as more."""
    return min(sum(drop.start_s < end_s and drop.end_s > start_s for drop in drops), 2)


def _free(others, lasts_s):
    """How many of the stretches are worth counting, where neighbours overlap."""
    gaps = np.diff(np.sort(others))
    return 1.0 + float(np.minimum(gaps / (lasts_s + AROUND_S), 1.0).sum())
