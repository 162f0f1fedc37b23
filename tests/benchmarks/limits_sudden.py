"""Single unmetered draws on typical tanks, at rest and while selling: how many are seen, how soon, and what is not one.

A draw is seen when the step finder reports a loss that begins and ends within a quarter of an hour of it. It is found
when the draw's litres lie within the step's interval (its litres ± 1.96 of its SD) too. "After m minutes" is what the
finder says of data that end m minutes after the draw began, whole five-minute steps only. Whether a draw alone gives a
case is asked of the same findings as a run makes, with this step as the only one.
"""

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.analysis import site_tables
from pipeline.backtest.injection.fault import DAY_S, Injection
from pipeline.backtest.injection.run import inject
from pipeline.backtest.intervals import share_interval
from pipeline.cases.sudden import sudden_findings, unexplained_moves
from pipeline.estimate.known import first_seen_s, seen_day
from pipeline.estimate.observe import SiteObserved, UnitObserved, observe_site
from pipeline.features.steps import Step, find_steps, step_spread
from pipeline.ledger.movements import open_spans
from tests.benchmarks.limits_fleets import Figure, contract, tank_months, typical_fleet
from tests.support.fleets import Tables, clean

LEARN_DAYS = 10
EVERY_DAYS = 3
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
    """What became of one draw: whether seen, found, called a draw, and after how many minutes of data first found."""

    seen: bool
    found: bool
    told: bool
    named: bool
    minutes: float


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


def _at(steps: Sequence[Step], start_s: float, end_s: float) -> Step | None:
    """The loss that stands where a draw was, the largest of them."""
    here = [
        step for step in steps
        if step.litres < 0 and step.start_s <= end_s + NEAR_S and step.end_s >= start_s - NEAR_S
        and step.start_s >= start_s - 2 * NEAR_S and step.end_s <= end_s + 2 * NEAR_S
    ]  # fmt: skip
    return min(here, key=lambda step: step.litres) if here else None


def _is_found(step: Step | None, litres: float) -> bool:
    return step is not None and abs(step.litres + litres) <= 1.96 * step.sd_l


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
    steps = [(day, step) for day, step in unit.steps if _at([step], start_s, end_s)]
    step = _at([one for _, one in steps], start_s, end_s)
    alone = dataclasses.replace(unit, steps=[pair for pair in steps if pair[1] is step])
    moves = unexplained_moves(site, alone, np.empty(0))
    named = sudden_findings(dataclasses.replace(site, units=[alone]), {alone.unit.unit_id: moves})
    day = seen_day(start_s, unit.lags)
    soon = [m for m in MINUTES if _is_found(_at(steps_until(unit, day, start_s + 60.0 * m), start_s, end_s), litres)]
    return Draw(
        step is not None, _is_found(step, litres), any(not move.undone for move in moves), bool(named),
        min(soon, default=np.inf),
    )  # fmt: skip


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


def false_steps(frames: Tables, wanted: Wanted) -> int:
    """Losses of half to twice a draw's size, in its state, that the finder reports where nothing was drawn."""
    return sum(
        -2.0 * wanted.litres <= step.litres <= -0.5 * wanted.litres and step.at_rest == (wanted.state == "at rest")
        for _, unit in units(observed(frames))
        for day, step in unit.steps
        if step.start_s > unit.unit.series.ts_s[0] + LEARN_DAYS * DAY_S
    )


def draws(seeds: Sequence[int]) -> list[Figure]:
    """The lines of both kinds of draw."""
    fleets = {seed: typical_fleet(12, 30, seed=seed) for seed in seeds}
    lines = []
    for wanted in KINDS:
        every = [one for seed, frames in fleets.items() for one in draws_of(frames, wanted, seed)]
        name = f"a draw of {wanted.litres:g} l, {wanted.state}"
        in_time = sum(one.minutes <= wanted.minutes for one in every)
        for title, count in (
            (f"found within {wanted.minutes:g} min of data", in_time),
            ("found at all", sum(one.found for one in every)),
            ("seen, whatever its size", sum(one.seen for one in every)),
        ):
            low, high = share_interval(count, len(every))
            said = f"{count} of {len(every)}: {count / len(every):.2f} ({low:.2f} to {high:.2f})"
            lines.append(Figure(f"{name}: {title}", said, f"0.95; limit {LIMIT_L[wanted.state]}", count >= 0.95 * len(every)))
        for minutes in MINUTES:
            count = sum(one.minutes <= minutes for one in every)
            lines.append(Figure(f"   after {minutes:g} min of data", f"{count / len(every):.2f}", "-"))
        told, named = sum(one.told for one in every), sum(one.named for one in every)
        lines.append(Figure(f"{name}: left standing as unexplained", f"{told} of {len(every)}", "0.95"))
        lines.append(Figure(f"{name}: a case by itself", f"{named} of {len(every)}", "0.95"))
        learned = sum(tank_months(frames) * (1 - LEARN_DAYS / 30) for frames in fleets.values())
        count = sum(false_steps(frames, wanted) for frames in fleets.values())
        said = f"{count} in {learned:.0f} tank-months: {100 * count / learned:.0f} per 100"
        lines.append(Figure(f"false steps like it, undisturbed ({wanted.state})", said, "<= 1 per 100", count <= learned / 100))
    return lines
