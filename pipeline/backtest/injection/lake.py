"""From a lake on disk to a lake on disk: all rows as they stand, the refused and the doubled among them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.backtest.injection.plan import Wanted, planned
from pipeline.backtest.injection.run import Injected, inject
from pipeline.backtest.truth import truths
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.errors import ArgumentError, LakeError
from pipeline.lake import find_parts, read_parts
from pipeline.lake_write import write_lake


def raw_tables(lake: Path) -> dict[str, pl.DataFrame]:
    """Every table of a lake in the contract's types, each row as it stands; a table that is left out is empty.

    Raises
    ------
    LakeError
        As `find_parts` and `read_parts` do.
    """
    parts = find_parts(lake, tables=list(LAKE_TABLES))
    found = {}
    for name, schema in LAKE_TABLES.items():
        own = [part for part in parts if part.table == name]
        found[name] = read_parts(lake, name, own).select(list(polars_schema(schema)))
    return found


def inject_lake(lake: Path, out: Path, wanted: Wanted, *, seed: int) -> Injected:
    """What was put in, after writing a copy of a lake with it into a new folder; the lake itself is only read.

    Raises
    ------
    LakeError
        If the lake is unusable.
    ArgumentError
        If no tank can hold any of it, or the folder is not new.
    """
    frames = raw_tables(lake)
    last = frames["readings"]["ts"].dt.date().max()
    if not isinstance(last, date):
        raise LakeError(f"{lake}: table readings holds no row")
    if out.resolve().is_relative_to(lake.resolve()):
        raise ArgumentError(f"--out {out} lies in the lake, which is never written to")
    known = truths(frames["labels"], frames, last)["tank_id"].unique().to_list()
    made = inject(frames, planned(frames, wanted, avoid=known, seed=seed), seed=seed)
    if not made.sizes.height:
        why = made.refused[0][1] if made.refused else "every tank has a label"
        raise ArgumentError(f"no tank can hold {', '.join(wanted.causes)}: {why}")
    write_lake(made.frames, out)
    return made
