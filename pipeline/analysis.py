"""The whole analysis as a pure function: contract tables in, every table that a run publishes out."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cases.attribution import attributed
from pipeline.cases.books import clock_findings, feed_findings, ticket_findings
from pipeline.cases.decoys import Decoy, book_decoys, sudden_decoys, walk_decoys
from pipeline.cases.erratic import erratic_findings
from pipeline.cases.exchanged import exchange_findings, without_twins
from pipeline.cases.finding import Finding
from pipeline.cases.frames import case_frames
from pipeline.cases.gauges import gauge_findings
from pipeline.cases.missing_sales import unbooked_findings
from pipeline.cases.nominal import decoys_without_charts, without_charts
from pipeline.cases.odd import odd_findings
from pipeline.cases.rates import rate_findings
from pipeline.cases.sudden import HOUR_S, outside, sudden_findings, unexplained_moves, unmirrored
from pipeline.cases.water import water_findings
from pipeline.cases.wrong_product import density_findings
from pipeline.errors import OperationError
from pipeline.estimate.kept import Shelf
from pipeline.estimate.observe import SiteObserved, observe_site
from pipeline.estimate.past import Shelves, SitePast
from pipeline.estimate.unit_walk import UnitWalk, walk_unit
from pipeline.ledger.gauge import seconds
from pipeline.ledger.nominal import with_nominal_charts
from pipeline.scoring.chart_null import ChartSeen, by_own_walls, charts_seen, with_standing_out
from pipeline.scoring.drop_null import DropSeen, by_own_drops, drops_seen
from pipeline.scoring.fleet_odds import chances, expected_false, worth_a_case
from pipeline.scoring.forest import Period
from pipeline.scoring.published import fleet_tables, published_tables
from pipeline.scoring.refused_rows import with_refused_rows
from pipeline.scoring.statements import Limits
from pipeline.sites import Tables, site_tables
from pipeline.workers import ENDED

EPOCH_DAY = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class SiteResult:
    """What the analysis of one site gives: the rows of every published table but cases, its findings and its decoys.

    `drops` are how far its drops lie from their tickets, `charts` how far its charts are off; `past` is what to keep of
    the site for the next run.
    """

    site_id: str
    frames: Tables
    findings: list[Finding]
    decoys: list[Decoy]
    drops: list[DropSeen]
    charts: list[ChartSeen]
    past: SitePast | None = None


@dataclass(frozen=True)
class SiteFailed:
    """A site whose analysis broke, and a line about how; `is_ended` where the system ended it, which may pass."""

    site_id: str
    error: str
    is_ended: bool = False


SiteOutcome = SiteResult | SiteFailed | None
InOrder = Callable[[Callable[[Tables], SiteOutcome], Iterator[Tables]], Iterable[SiteOutcome]]


def cut_days(observed: SiteObserved, last_day: int) -> SiteObserved:
    """The same site with the days after `last_day`, seen only in part, left out of what is judged."""
    days: NDArray[np.int64] = observed.days[observed.days <= last_day]
    return replace(observed, days=days)


def site_findings(tables: Tables, observed: SiteObserved, walks: list[UnitWalk]) -> tuple[list[Finding], list[Decoy]]:
    """Everything that one site's signals and walks find, each cause once, and the decoys beside them."""
    returns = _returns_s(tables, observed)
    spans = _open_spans(tables, observed)
    moves = {
        unit.unit.unit_id: outside(
            unexplained_moves(observed, unit, returns[unit.unit.unit_id]), spans[unit.unit.unit_id]
        )
        for unit in observed.units
    }
    alone = unmirrored(observed, moves)
    sudden = sudden_findings(observed, alone)
    exchanged = exchange_findings(observed, [one for one in sudden if one.cause == "probe_fault"])
    found = [
        *clock_findings(observed),
        *feed_findings(observed, tables),
        *unbooked_findings(observed, tables),
        *ticket_findings(observed),
        *without_twins(sudden, exchanged),
        *exchanged,
        *erratic_findings(walks, moves),
        *gauge_findings(observed),
        *water_findings(observed),
        *density_findings(observed),
        *rate_findings(walks),
    ]
    last_day = int(observed.days[-1])
    kept = attributed([finding for finding in found if finding.day <= last_day])
    decoys = [*sudden_decoys(observed, alone, kept), *walk_decoys(walks, kept), *book_decoys(observed)]
    return kept, [one for one in decoys if one.day <= last_day]


@dataclass(frozen=True)
class FleetPast:
    """What is kept of the fleet as a whole: how odd its days were, a fortnight at a time."""

    periods: dict[str, Period] = field(default_factory=dict)


class Pasts(Protocol):
    """Where what is kept of each site's past is; it may be asked from another process."""

    def read(self, site_id: str) -> SitePast | None:
        """What was kept of a site, if anything."""

    def write(self, site_id: str, past: SitePast) -> None:
        """Keep it."""

    def read_fleet(self) -> FleetPast | None:
        """What was kept of the fleet as a whole, if anything."""

    def write_fleet(self, past: FleetPast) -> None:
        """Keep it."""


def analyse_site(tables: Tables, last_day: int, limits: Limits, past: SitePast | None = None) -> SiteResult | None:
    """One site from its tables to its findings, none raised after UTC day number `last_day`; None without readings.

    A tank without a chart goes by its nominal one where it needs none: no stock or loss is told of it.

    The result is the same to the last bit whatever of the site's past was kept: that only spares work.
    """
    shelves = Shelves(past)
    tables, nominal = with_nominal_charts(tables)
    observed = observe_site(tables, shelves)
    if not len(observed.days) or observed.days[0] > last_day:
        return None
    observed = cut_days(observed, last_day)
    bare = frozenset(seen.unit.unit_id for seen in observed.units if nominal & set(seen.unit.members))
    charted = replace(observed, units=[seen for seen in observed.units if seen.unit.unit_id not in bare])
    walks = [walk for unit in charted.units if (walk := walk_unit(unit, shelves)) is not None]
    findings, decoys = site_findings(tables, observed, walks)
    findings, decoys = without_charts(findings, bare), decoys_without_charts(decoys, bare)
    frames = published_tables(tables, charted, walks, findings, last_day=last_day, limits=limits)
    drops = [drop for walk in walks for drop in drops_seen(walk)]
    so_far = shelves.past({walk.seen.unit.unit_id: walk.past for walk in walks})
    charts = [chart for walk in walks for chart in charts_seen(walk)]
    return SiteResult(observed.site_id, frames, findings, decoys, drops, charts, so_far)


def _one_site(tables: Tables, last_day: int, limits: Limits, pasts: Pasts | None, is_kept_apart: bool) -> SiteOutcome:
    site_id = str(tables["sites"]["site_id"][0])
    try:
        result = analyse_site(tables, last_day, limits, pasts.read(site_id) if pasts else None)
    except Exception as error:  # whatever broke, it is of this site alone
        if not is_kept_apart:
            raise
        said = " ".join(str(error).split())[:300]
        return SiteFailed(site_id, f"{type(error).__name__}: {said} ({_place(error)})")
    if result is None:
        return None
    if pasts and result.past:
        pasts.write(site_id, result.past)
    return replace(result, past=None)  # what was kept need not travel to another process


def ended_site(tables: Tables) -> SiteOutcome:
    """What is left of a site whose process the system has ended twice."""
    return SiteFailed(str(tables["sites"]["site_id"][0]), ENDED, is_ended=True)


def _place(error: Exception) -> str:
    """The last line of ours that an error went through."""
    steps = traceback.extract_tb(error.__traceback__)
    ours = [step for step in steps if "pipeline" in Path(step.filename).parts]
    return f"{Path(ours[-1].filename).name}, line {ours[-1].lineno}"


def _returns_s(tables: Tables, observed: SiteObserved) -> dict[str, NDArray[np.float64]]:
    returns = tables["sales"].filter(pl.col("kind") == "test_return")
    found = {}
    for unit in observed.units:
        meters = [flow.meter_id for flow in unit.flows]
        found[unit.unit.unit_id] = seconds(returns.filter(pl.col("meter_id").is_in(meters))["ts_start"])
    return found


def _open_spans(tables: Tables, observed: SiteObserved) -> dict[str, NDArray[np.float64]]:
    """Each unit's sales that stand for an hour or more, shape (n, 2): start and end. [s]"""
    start_s, end_s = seconds(tables["sales"]["ts_start"]), seconds(tables["sales"]["ts_end"])
    is_long = end_s - start_s >= HOUR_S
    meters = tables["sales"]["meter_id"].filter(pl.Series(is_long))
    spans = np.column_stack([start_s[is_long], end_s[is_long]])
    return {
        unit.unit.unit_id: spans[meters.is_in([flow.meter_id for flow in unit.flows]).to_numpy()]
        for unit in observed.units
    }


def last_day_of(tables: Mapping[str, pl.DataFrame], until: date | None) -> int:
    """UTC day number of the last day that the run judges: `until`, or the last day with readings."""
    latest = tables["readings"]["ts"].max()
    if latest is None:
        raise ValueError("no readings")
    day = int(seconds(pl.Series([latest]))[0] // 86400.0)
    return min(day, until.toordinal() - EPOCH_DAY) if until else day


def analyse(
    tables: Mapping[str, pl.DataFrame],
    *,
    until: date | None = None,
    limits: Limits | None = None,
    on_site: Callable[[str], None] | None = None,
    in_order: InOrder = map,
) -> Tables:
    """Every table that a run publishes, from clean contract tables.

    Parameters
    ----------
    tables : mapping of table name to frame
        sites, tanks, strapping, meters, meter_feeds, readings, sales, meter_totals, deliveries, events; never labels.
    until : date, optional
        The last UTC day that counts; rows after it must be cut away already.
    limits : Limits, optional
        By which statements are judged.
    on_site : callable, optional
        Told each site's identifier when it is done.
    in_order : callable, optional
        Calls a function for each site and yields what it returns, in the sites' order: `map`, or one that works in
        several processes.
    """
    last_day = last_day_of(tables, until)
    return analyse_sites(site_tables(tables), last_day, limits=limits, on_site=on_site, in_order=in_order)


def analyse_sites(
    sites: Iterator[Tables],
    last_day: int,
    *,
    limits: Limits | None = None,
    on_site: Callable[[str], None] | None = None,
    on_failure: Callable[[SiteFailed], None] | None = None,
    in_order: InOrder = map,
    pasts: Pasts | None = None,
    refused: pl.DataFrame | None = None,
) -> Tables:
    """The same from sites that come one after the other, each with its own rows, none judged after `last_day`.

    With `on_failure` a site whose analysis breaks is told to it and left out, and the others go on. What is kept of a
    site in `pasts` spares work, and what there is to keep is left there. `refused` are rows of charts that were not
    let in (`refused_chart_rows`).
    """
    kept_apart = on_failure is not None
    one_site = partial(_one_site, last_day=last_day, limits=limits or Limits(), pasts=pasts, is_kept_apart=kept_apart)
    results, broken = _sorted_out(in_order(one_site, sites), on_site)
    if on_failure is not None:
        for site in broken:
            on_failure(site)
    if broken and not results:
        raise OperationError(f"no site could be analysed; {broken[0].site_id}: {broken[0].error}")
    fleet_past = pasts.read_fleet() if pasts else None
    periods = Shelf(fleet_past.periods if fleet_past else None)
    frames, odd = fleet_tables([result.frames for result in results], limits, periods)
    if pasts:
        pasts.write_fleet(FleetPast(periods.used))
    drops = [drop for result in results for drop in result.drops]
    charts = [chart for result in results for chart in result.charts]
    findings = by_own_drops([finding for result in results for finding in result.findings], drops)
    findings = by_own_walls(findings, charts)
    findings = with_standing_out(findings, charts, last_day)
    if refused is not None:
        findings = with_refused_rows(findings, charts, refused, last_day)
    findings += odd_findings(odd, findings)
    decoys = [decoy for result in results for decoy in result.decoys]
    findings, said = worth_a_case(findings, chances(findings, decoys))
    return {**frames, **case_frames(findings, said), "expected_false": expected_false(findings, said, decoys)}


def _sorted_out(
    outcomes: Iterable[SiteOutcome], on_site: Callable[[str], None] | None
) -> tuple[list[SiteResult], list[SiteFailed]]:
    """The sites that could be analysed, each told to `on_site` as it is done, and those that broke."""
    results: list[SiteResult] = []
    broken: list[SiteFailed] = []
    for outcome in outcomes:
        if isinstance(outcome, SiteFailed):
            broken.append(outcome)
        elif outcome is not None:
            results.append(outcome)
            if on_site is not None:
                on_site(outcome.site_id)
    return results, broken
