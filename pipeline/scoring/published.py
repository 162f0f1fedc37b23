"""The tables that a run publishes beside its cases, from what was observed, estimated and found."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

import polars as pl

from pipeline.cases.finding import Finding
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.run import RUN_TABLES
from pipeline.contract.store import STORE_TABLES
from pipeline.estimate.kept import Shelf
from pipeline.estimate.observe import SiteObserved
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.scoring import store_rows
from pipeline.scoring.bare_tanks import bare_rows, bare_tanks
from pipeline.scoring.day_features import feature_rows, with_z
from pipeline.scoring.drop_left import drop_left_rows
from pipeline.scoring.fleet_null import stretched
from pipeline.scoring.forest import Period
from pipeline.scoring.odd_days import OddDay, with_forest
from pipeline.scoring.statements import Limits
from pipeline.scoring.unit_sheet import UnitSheet, day_rows, part_rows, statement_rows, unit_day_rows, unit_sheets

Frames = dict[str, pl.DataFrame]

_NO_UNIT_DAYS: Final = pl.DataFrame(
    schema={
        "unit_id": pl.String,
        "site_id": pl.String,
        "tank_id": pl.String,
        "trading_day": pl.Date,
        "run_day": pl.Int64,
        "start_s": pl.Float64,
        "end_s": pl.Float64,
        "physics_score": pl.Float64,
    }
)

_MAKERS: Final[Mapping[str, Callable[[UnitSheet], pl.DataFrame]]] = {
    "tank_days": day_rows,
    "variance_parts": part_rows,
    "statements": statement_rows,
    "ledger": store_rows.ledger_rows,
    "drops": store_rows.drop_rows,
    "drop_left": drop_left_rows,
    "drop_tickets": store_rows.drop_ticket_rows,
    "draws": store_rows.draw_rows,
    "meter_estimates": store_rows.meter_rows,
    "health": store_rows.health_rows,
    "features": feature_rows,
}
UNIT_DAYS: Final = "_unit_days"
"""Key of the frame by which `fleet_tables` compares the fleet's days; it is not published."""


def published_tables(
    tables: Mapping[str, pl.DataFrame],
    observed: SiteObserved,
    walks: Sequence[UnitWalk],
    findings: Sequence[Finding],
    *,
    last_day: int,
    limits: Limits | None = None,
) -> Frames:
    """One site's rows of every table but cases and evidence, in the contract's columns and types.

    Parameters
    ----------
    tables : mapping of table name to frame
        The site's contract tables.
    observed, walks, findings
        What was made of them.
    last_day : int
        UTC day number of the last data that the run judges.
    limits : Limits, optional
        By which statements are judged.

    Returns
    -------
    dict of frames, keys those of `_MAKERS` and `UNIT_DAYS`
    """
    sheets = unit_sheets(tables, observed, walks, findings, last_day=last_day, limits=limits or Limits())
    made = {name: [frame for sheet in sheets if (frame := maker(sheet)).width] for name, maker in _MAKERS.items()}
    for tank_id in bare_tanks(tables, observed):
        for name, frame in bare_rows(tables, tank_id).items():
            made[name].append(frame)
    tables_made = {name: conformed(name, frames) for name, frames in made.items()}
    tables_made["tank_days"] = tables_made["tank_days"].with_columns(pl.col("is_anomalous").fill_null(False))
    tables_made["features"] = with_z(tables_made["features"])
    tables_made[UNIT_DAYS] = pl.concat([unit_day_rows(sheet) for sheet in sheets]) if sheets else _NO_UNIT_DAYS
    return tables_made


def fleet_tables(
    sites: Sequence[Frames], limits: Limits | None = None, periods: Shelf[Period] | None = None
) -> tuple[Frames, list[OddDay]]:
    """The sites' tables under each other with what only the fleet can say, and the days that call for a look.

    Parameters
    ----------
    sites : sequence of what `published_tables` returned, one a site, in the order of the rows wanted
    limits : Limits, optional
        By which statements are judged.
    periods : Shelf, optional
        What was kept of periods whose days were scored before.
    """
    if not sites:
        return {name: conformed(name, []) for name in _MAKERS}, []
    joined = {name: pl.concat([site[name] for site in sites]) for name in sites[0]}
    unit_days = joined.pop(UNIT_DAYS)
    joined["statements"] = stretched(joined["statements"], limits or Limits())
    joined["tank_days"], odd = with_forest(joined["tank_days"], unit_days, joined["features"], periods)
    return joined, odd


def conformed(name: str, frames: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """The frames under each other in the table's columns and types; what is no number is null."""
    schema = polars_schema({**RUN_TABLES, **STORE_TABLES}[name])
    kept = list(frames)
    if not kept:
        return pl.DataFrame(schema=schema)
    return _typed(pl.concat(kept, how="diagonal_relaxed"), schema)


def _typed(frame: pl.DataFrame, schema: Mapping[str, pl.DataType]) -> pl.DataFrame:
    have = set(frame.columns)
    columns = [(pl.col(c) if c in have else pl.lit(None)).cast(t).alias(c) for c, t in schema.items()]
    floats = [c for c, t in schema.items() if t.is_float()]
    return frame.select(columns).with_columns(pl.col(floats).fill_nan(None))
