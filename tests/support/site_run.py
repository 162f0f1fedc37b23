"""Runs a lake's tables through what publishes them, cases left out unless findings are given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from pipeline.analysis import last_day_of
from pipeline.cases.finding import Finding
from pipeline.contract.lake import TIME_COLUMNS
from pipeline.estimate.observe import observe_site
from pipeline.estimate.unit_walk import walk_unit
from pipeline.scoring.odd_days import OddDay
from pipeline.scoring.published import Frames, fleet_tables, published_tables
from pipeline.scoring.statements import Limits
from pipeline.sites import site_tables


def published(
    tables: Mapping[str, pl.DataFrame], findings: Sequence[Finding] = (), *, limits: Limits | None = None
) -> tuple[Frames, list[OddDay]]:
    """The fleet's tables and odd days, from contract tables."""
    last_day = last_day_of(tables, None)
    sites = []
    for one in site_tables(tables):
        observed = observe_site(one)
        walks = [walk for unit in observed.units if (walk := walk_unit(unit)) is not None]
        sites.append(published_tables(one, observed, walks, findings, last_day=last_day, limits=limits))
    return fleet_tables(sites)


def cut_after(tables: Mapping[str, pl.DataFrame], day: date) -> dict[str, pl.DataFrame]:
    """The tables as a run that stops at a UTC day sees them."""
    return {
        name: frame.filter((pl.col(TIME_COLUMNS[name]).dt.date() <= day).fill_null(True))
        if name in TIME_COLUMNS
        else frame
        for name, frame in tables.items()
    }
