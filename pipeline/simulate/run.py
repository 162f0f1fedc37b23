"""Simulates a fleet: contract tables, labels, and the truth beside them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl

from pipeline.contract.lake import LAKE_TABLES
from pipeline.simulate import tables
from pipeline.simulate.families import family_named
from pipeline.simulate.faults import plan_faults
from pipeline.simulate.labels import event_rows, label_rows
from pipeline.simulate.layout import draw_fleet
from pipeline.simulate.model import Fault, Fleet, Window
from pipeline.simulate.settings import FleetSettings
from pipeline.simulate.site_run import SiteRun, run_site
from pipeline.simulate.truth import truth_frames


def simulate_fleet(
    n_tanks: int,
    days: int,
    *,
    seed: int,
    causes: Sequence[str] | None = None,
    start: date | None = None,
    settings: FleetSettings | None = None,
) -> dict[str, pl.DataFrame]:
    """Return a fleet's lake as frames by table, and the truth about it under names that begin with `_truth`.

    Parameters
    ----------
    n_tanks, days : int
        Size of the fleet, and UTC days from `start`.
    seed : int
        The same seed gives the same bytes.
    causes : sequence of str, optional
        Causes to inject; None for all of the contract's, none at all for a sound fleet.
    start : date, optional
        None for the family's own.
    settings : FleetSettings, optional

    Raises
    ------
    ValueError : if `n_tanks` or `days` is below 1, or a cause or the family is unknown.
    """
    if n_tanks < 1 or days < 1:
        raise ValueError(f"n_tanks and days must be at least 1, got {n_tanks} and {days}")
    settings = settings or FleetSettings()
    window = Window(start or family_named(settings.family).start, days)
    fleet = draw_fleet(window, n_tanks, seed, settings)
    return simulate_world(fleet, plan_faults(fleet, causes, settings), settings)


def simulate_world(fleet: Fleet, faults: list[Fault], settings: FleetSettings) -> dict[str, pl.DataFrame]:
    """Return the lake of a fleet with the faults given, which are filled in on the way."""
    runs = [
        run_site(site, fleet, [fault for fault in faults if fault.site_index == site.index], settings)
        for site in fleet.sites
    ]
    frames = _standing(fleet, faults)
    for name in ("strapping", "readings", "sales", "meter_totals", "deliveries"):
        frames[name] = pl.concat([run.frames[name] for run in runs])
    frames["events"] = tables.frame("events", event_rows(fleet, faults, _gaps(runs)))
    frames["labels"] = tables.frame("labels", label_rows(fleet, faults, settings))
    ordered = {name: frames[name] for name in LAKE_TABLES}
    return ordered | truth_frames(fleet, runs, faults)


def _standing(fleet: Fleet, faults: list[Fault]) -> dict[str, pl.DataFrame]:
    feeds = [row for meter in fleet.meters for row in tables.feed_rows(meter, fleet, faults)]
    return {
        "sites": tables.frame("sites", tables.site_rows(fleet)),
        "tanks": tables.frame("tanks", tables.tank_rows(fleet)),
        "meters": tables.frame("meters", tables.meter_rows(fleet)),
        "meter_feeds": tables.frame("meter_feeds", feeds),
    }


def _gaps(runs: list[SiteRun]) -> dict[int, list[tuple[float, float]]]:
    return {run.site.index: run.gaps for run in runs}
