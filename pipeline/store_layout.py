"""The layout of a store: its number, what an earlier one is brought to, and that a later one is left alone.

A run makes every table of a store again from the lake, so that an earlier layout is brought forward by emptying the
tables that have changed. What people say is no table but a file a saying, and nothing here touches it.
"""

import logging
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Final

import dataframely as dy
import duckdb

from pipeline.contract.dictionary import duckdb_columns
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.store import INTERNAL_TABLES
from pipeline.errors import StoreError
from pipeline.resources import query_text

_LOG = logging.getLogger("tankdrift.store")

LAYOUT: Final = 2
"""Number of the layout that this version keeps. It is raised when a table of a store changes; 0 had no number yet."""

NUMBER: Final = "_layout"
"""Table of one row that has the number."""

_ONCE: Final = ("verdicts",)
"""Tables that layout 0 had at some time, and that are taken over elsewhere."""

_MARKS: Final = ("taken", "analysed", "published", "code")
"""What a store remembers of work done; what is emptied has to be done again."""

Schemas = Mapping[str, type[dy.Schema]]
Columns = dict[str, list[tuple[object, ...]]]


def settle(connection: duckdb.DuckDBPyConnection, schemas: Schemas, path: Path, *, read_only: bool) -> None:
    """Bring the store that is open to `LAYOUT`; one that is only read has to be of it, or alike.

    Raises
    ------
    StoreError
        If a later version left it, it holds none of our tables, or it is only to be read and first has to be brought
        forward. Nothing in it is changed then.
    """
    found = _columns(connection)
    number = _number(connection, found, schemas, path)
    if number == LAYOUT:
        return
    unlike = _unlike(found, schemas)
    if not read_only:
        _bring_forward(connection, schemas, unlike, number)
    elif unlike:
        raise StoreError(
            f"{path}: an earlier version left what is here (layout {number}, now {LAYOUT}); "
            f"run it again: tankdrift run LAKE --out {path.parent}"
        )


def _number(connection: duckdb.DuckDBPyConnection, found: Columns, schemas: Schemas, path: Path) -> int:
    """Number of the layout of a store, `LAYOUT` where there is nothing in it yet to be of another."""
    if NUMBER not in found:
        if found and not found.keys() & {*schemas, *_ONCE}:
            raise StoreError(f"{path}: this is a database, but no store of tankdrift; give another folder for results")
        return 0
    rows = connection.table(NUMBER).fetchall()
    number = rows[0][0] if len(rows) == 1 else None
    if not isinstance(number, int) or not 0 <= number <= LAYOUT:
        raise StoreError(
            f"{path}: its layout is {number}, and this version of tankdrift knows none after {LAYOUT}; "
            "go on with the version that made it, or give another folder for results"
        )
    return number


def _bring_forward(
    connection: duckdb.DuckDBPyConnection, schemas: Schemas, unlike: Collection[str], number: int
) -> None:
    with connection.cursor() as cursor:
        cursor.begin()
        for name in unlike:
            cursor.execute(f'create or replace table "{name}" ({duckdb_columns(schemas[name])})')
        if unlike:
            cursor.execute(f"create table if not exists _state ({duckdb_columns(schemas['_state'])})")
            cursor.execute("delete from _state where list_contains($marks, name)", {"marks": list(_MARKS)})
        cursor.execute(f"create or replace table {NUMBER} as select {LAYOUT}::integer as number")
        cursor.commit()
    if unlike:
        made = ", ".join(unlike)
        _LOG.info("an earlier version left the store (layout %d, now %d); made again: %s", number, LAYOUT, made)


def _unlike(found: Columns, schemas: Schemas) -> list[str]:
    """Tables that have other columns than they should; with one of what a lake's rows hang on, all of these."""
    if not found:
        return []
    with duckdb.connect() as now:
        for name, schema in schemas.items():
            now.execute(f'create table "{name}" ({duckdb_columns(schema)})')
        wanted = _columns(now)
    unlike = {name for name in found.keys() & wanted.keys() if found[name] != wanted[name]}
    taken_in = LAKE_TABLES.keys() | INTERNAL_TABLES.keys()
    if unlike & taken_in:
        unlike |= taken_in & wanted.keys()
    return sorted(unlike)


def _columns(connection: duckdb.DuckDBPyConnection) -> Columns:
    """Name, type and nullability of the columns of each table."""
    columns: Columns = {}
    for name, *column in connection.sql(query_text("layout/columns")).fetchall():
        columns.setdefault(name, []).append(tuple(column))
    return columns
