"""From a lake on disk to a lake on disk: all rows as they stand, the refused and the doubled among them."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.lake import find_parts, read_parts


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


