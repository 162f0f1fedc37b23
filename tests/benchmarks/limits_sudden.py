"""Single unmetered draws on typical tanks, at rest and while selling: how many are seen, how soon, and what is not one.

A draw is seen when the step finder reports a loss of half to twice its litres that meets the draw's time within a
quarter of an hour. It is sized when the draw's litres lie within the step's interval too (its litres ± 1.96 of its
SD), and placed when the step begins and ends within half an hour of the draw. "After m minutes" is what the finder says
of data that end m minutes after the draw began, whole five-minute steps only. Whether a draw alone gives a case is
asked of the same findings as a run makes, with this step as the only one.
"""

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.backtest.injection.fault import DAY_S, Injection
from pipeline.backtest.injection.run import inject
from pipeline.backtest.intervals import poisson_interval, share_interval
from pipeline.cases.sudden import sudden_findings, unexplained_moves
from pipeline.estimate.known import first_seen_s, seen_day
from pipeline.estimate.observe import SiteObserved, UnitObserved, observe_site
from pipeline.features.steps import Step, find_steps, step_spread
from pipeline.ledger.movements import open_spans
from pipeline.sites import site_tables
from tests.benchmarks.limits_fleets import Figure, contract, tank_months, typical_fleet
from tests.support.fleets import Tables, clean

LEARN_DAYS = 10
EVERY_DAYS = 3
SOUND_DAYS = 60
NEAR_S = 900.0
LIMIT_L = {"at rest": "8-10 l", "selling": "35-42 l"}


@dataclass(frozen=True)
class Wanted:
    """A kind of draw: its litres, and within how many minutes of data it is to be seen."""

    state: str
    litres: float
    minutes: float


KINDS = (Wanted("at rest", 13.0, 15.0), Wanted("selling", 55.0, 30.0))
MINUTES = (15.0, 20.0, 25.0, 30.0, 40.0)


@dataclass(frozen=True)
class Draw:
    """What became of one draw by the day's end, and after how many minutes of data it is first seen."""

    seen: bool
    sized: bool
    placed: bool
    told: bool
    named: bool
    minutes: float
    off_l: float


def observed(frames: Tables) -> list[SiteObserved]:
    """Each site as a run observes it."""
    return [observe_site(one) for one in site_tables(clean(frames))]


def units(sites: Sequence[SiteObserved]) -> Iterator[tuple[SiteObserved, UnitObserved]]:
    """Each unit with its site."""
    return ((site, unit) for site in sites for unit in site.units)


def draw_times(unit: UnitObserved, wanted: Wanted, rng: np.random.Generator) -> list[float]:
    """An instant every few days at which the tank rests (for half an hour either side), or sells (three sales near)."""
    ts = unit.unit.series.ts_s
    grid = np.arange(ts[0] + LEARN_DAYS * DAY_S, ts[-1] - DAY_S, 60.0)
    spans = open_spans(unit.flows)
    before = spans.end_s[np.maximum(np.searchsorted(spans.end_s, grid) - 1, 0)]
    after = spans.start_s[np.minimum(np.searchsorted(spans.start_s, grid), len(spans.start_s) - 1)]
    begun = np.searchsorted(spans.start_s, grid, "right") > np.searchsorted(spans.end_s, grid, "right")
    sales = np.sort(np.concatenate([flow.start_s for flow in unit.flows]))
    near = np.searchsorted(sales, grid + 1200.0) - np.searchsorted(sales, grid - 1200.0)
    fits = (grid - before > 1800.0) & (after - grid > 1800.0) & ~begun if wanted.state == "at rest" else near >= 3
    for known in unit.drops:
        fits &= (grid < known.drop.start_s - 3 * 3600.0) | (grid > known.drop.end_s + 3 * 3600.0)
    # Whole data near by: forty of the ninety minutes around at the least.
    fits &= np.searchsorted(ts, grid + 2700.0) - np.searchsorted(ts, grid - 2700.0) >= 80
    times = []
    for start in np.arange(grid[0], grid[-1], EVERY_DAYS * DAY_S):
        here = grid[fits & (grid >= start) & (grid < start + (EVERY_DAYS - 1) * DAY_S)]
        if len(here):
            times.append(float(rng.choice(here)))
    return times


def _at(steps: Sequence[Step], start_s: float, end_s: float, litres: float) -> Step | None:
    """The loss that stands where a draw was, the largest of them."""
    here = [
        step for step in steps
        if -2.0 * litres <= step.litres <= -0.5 * litres
        and step.start_s <= end_s + NEAR_S and step.end_s >= start_s - NEAR_S
    ]  # fmt: skip
    return min(here, key=lambda step: step.litres) if here else None


def steps_until(unit: UnitObserved, day: int, until_s: float) -> list[Step]:
    """What the finder says on a day of data that end at an instant, earlier days' steps taken out as a run does."""
    moves, moved = unit.moves, unit.moves.moved_l()
    for seen, step in unit.steps:
        if seen < day:
            lasts = max(step.end_s - step.start_s, 1.0)
            moved = moved - step.litres * np.clip((moves.ts_s - step.start_s) / lasts, 0.0, 1.0)
    start = first_seen_s(day, unit.lags)
    spread = step_spread(moves, moved, start - 10 * DAY_S, start)
    return find_steps(moves, moved, spread, start, min(until_s - 0.5 * moves.step_s, first_seen_s(day + 1, unit.lags)))


def judged(site: SiteObserved, unit: UnitObserved, start_s: float, end_s: float, litres: float) -> Draw:
    """What became of one draw."""
    steps = [step for _, step in unit.steps]
    step = _at(steps, start_s, end_s, litres)
    day = seen_day(start_s, unit.lags)
    soon = [m for m in MINUTES if _at(steps_until(unit, day, start_s + 60.0 * m), start_s, end_s, litres)]
    minutes = min(soon, default=np.inf)
    if step is None:
        return Draw(False, False, False, False, False, minutes, np.nan)
    alone = dataclasses.replace(unit, steps=[pair for pair in unit.steps if pair[1] is step])
    moves = unexplained_moves(site, alone, np.empty(0))
    named = sudden_findings(dataclasses.replace(site, units=[alone]), {alone.unit.unit_id: moves})
    off = step.litres + litres
    placed = step.start_s >= start_s - 2.0 * NEAR_S and step.end_s <= end_s + 2.0 * NEAR_S
    told = any(not move.undone for move in moves)
    return Draw(True, abs(off) <= 1.96 * step.sd_l, placed, told, bool(named), minutes, off)


def draws_of(frames: Tables, wanted: Wanted, seed: int) -> list[Draw]:
    """One kind of draw put into every tank of a fleet every few days, and judged."""
    rng = np.random.default_rng(seed)
    faults = [
        Injection("bulk_theft", unit.unit.unit_id, at, wanted.litres)
        for _, unit in units(observed(frames))
        for at in draw_times(unit, wanted, rng)
    ]
    made = inject(contract(frames), faults, seed=seed)
    by_tank = {unit.unit.unit_id: (site, unit) for site, unit in units(observed(made.frames))}
    labels = made.frames["labels"].filter(pl.col("label_id").str.starts_with("INJ-"))
    return [
        judged(*by_tank[row["tank_id"]], row["ts_start"].timestamp(), row["ts_end"].timestamp(), wanted.litres)
        for row in labels.iter_rows(named=True)
    ]


def false_steps(seeds: Sequence[int]) -> tuple[dict[str, int], float]:
    """Losses of half to twice each kind's litres, in its state, where nothing was drawn; and tank-months looked at."""
    count, months = {wanted.state: 0 for wanted in KINDS}, 0.0
    for seed in seeds:
        frames = typical_fleet(12, SOUND_DAYS, seed=seed)
        months += tank_months(frames) * (1.0 - LEARN_DAYS / SOUND_DAYS)
        for _, unit in units(observed(frames)):
            since = unit.unit.series.ts_s[0] + LEARN_DAYS * DAY_S
            for step in (one for _, one in unit.steps if one.start_s > since):
                for wanted in KINDS:
                    alike = -2.0 * wanted.litres <= step.litres <= -0.5 * wanted.litres
                    count[wanted.state] += alike and step.at_rest == (wanted.state == "at rest")
    return count, months


def draws(seeds: Sequence[int]) -> list[Figure]:
    """The lines of both kinds of draw."""
    fleets = {seed: typical_fleet(12, 30, seed=seed) for seed in seeds}
    lines = []
    for wanted in KINDS:
        every = [one for seed, frames in fleets.items() for one in draws_of(frames, wanted, seed)]
        name = f"a draw of {wanted.litres:g} l, {wanted.state}"
        for title, count in (
            (f"seen within {wanted.minutes:g} min of data", sum(one.minutes <= wanted.minutes for one in every)),
            ("seen by the day's end", sum(one.seen for one in every)),
            ("seen, and its size within the interval", sum(one.sized for one in every)),
            ("seen, and placed within half an hour", sum(one.placed for one in every)),
            ("left standing as unexplained", sum(one.told for one in every)),
            ("a case by itself", sum(one.named for one in every)),
        ):
            low, high = share_interval(count, len(every))
            said = f"{count} of {len(every)}: {count / len(every):.2f} ({low:.2f} to {high:.2f})"
            limit = f"0.95; limit {LIMIT_L[wanted.state]}"
            lines.append(Figure(f"{name}: {title}", said, limit, count >= 0.95 * len(every)))
        shares = [f"{np.mean([one.minutes <= m for one in every]):.2f} by {m:g}" for m in MINUTES]
        lines.append(Figure("   share seen, by minutes of data", ", ".join(shares), "-"))
        off = np.array([one.off_l for one in every])
        said = f"{np.nanmedian(off):+.1f} ± {np.nanstd(off):.1f} l"
        lines.append(Figure("   step's litres off by, median and SD", said, "-"))
    counts, months = false_steps([*seeds, *(seed + 10 for seed in seeds), *(seed + 20 for seed in seeds)])
    for wanted in KINDS:
        count = counts[wanted.state]
        low, high = (100.0 * rate for rate in poisson_interval(count, months))
        said = f"{count} in {months:.0f} tank-months: {100 * count / months:.1f} ({low:.1f} to {high:.1f}) per 100"
        title = f"false steps of {wanted.litres / 2:g} to {2 * wanted.litres:g} l, {wanted.state}, undisturbed"
        lines.append(Figure(title, said, "<= 1 per 100", 100 * count <= months))
    return lines
