"""The DuckDB file that a run leaves: opens it, runs a named query, writes a table or some of its days.

Whatever is written is written in one transaction: a run that is killed leaves the store as it was before. Column names
and types come from the contract's schemas; every SELECT stands in `queries/`.
"""

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import dataframely as dy
import duckdb
import polars as pl

from pipeline.contract.dictionary import ALL_TABLES, duckdb_columns, polars_schema
from pipeline.contract.lake import TIME_COLUMNS
from pipeline.contract.store import INTERNAL_TABLES
from pipeline.errors import StoreError
from pipeline.resources import query_text
from pipeline.store_layout import NUMBER, settle

FILE: Final = "tankdrift.duckdb"
"""Name of the store in the folder of a run."""

SNAPSHOT: Final = "snapshot.duckdb"
"""Copy of the store, but for the lake's days, that can be read while the next run is at work."""

SCHEMAS: Final = {name: schema for name, schema in ALL_TABLES.items() if name != "labels"} | dict(INTERNAL_TABLES)
"""Every table that a store holds. Labels are not among them: no run reads them."""


NO_VIEWS: Final[Mapping[str, type[dy.Schema]]] = {}


class Store:
    """An open store. Make one with `open_store`."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection

    def query(self, name: str, /, **parameters: object) -> pl.DataFrame:
        """Rows that the query `name` gives, such as ``ingest/readings``, with its `$parameters` filled in."""
        frame: pl.DataFrame = self._connection.sql(query_text(name), params=parameters or None).pl()
        return frame

    def table(self, name: str) -> pl.DataFrame:
        """Rows of a table in the contract's columns, in the order in which they were written."""
        frame: pl.DataFrame = self._connection.table(name).pl()
        return frame.cast(polars_schema(SCHEMAS[name]))

    def has_table(self, name: str) -> bool:
        """Whether the store has that table yet."""
        try:
            self._connection.table(name)
        except duckdb.CatalogException:
            return False
        return True

    def take_out(self, name: str) -> pl.DataFrame:
        """Rows of a table that the contract no longer has; the store loses it."""
        frame: pl.DataFrame = self._connection.table(name).pl()
        self._connection.execute(f'drop table "{name}"')
        return frame

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All that is written inside, or nothing of it."""
        self._connection.begin()
        try:
            yield
            self._connection.commit()
        except BaseException:
            # A commit that failed has ended the transaction by itself.
            with suppress(duckdb.Error):
                self._connection.rollback()
            raise

    def replace(self, name: str, frame: pl.DataFrame) -> None:
        """Make `frame`, which has the contract's columns, all that the table holds."""
        self._connection.execute(f'create or replace table "{name}" ({duckdb_columns(SCHEMAS[name])})')
        self.append(name, frame)

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Add rows that have the contract's columns to a table."""
        if frame.is_empty():
            return
        columns = list(polars_schema(SCHEMAS[name]))
        # A registered view would keep the rows in memory until the transaction ends: all batches of a long load.
        self._connection.from_arrow(frame.select(columns).to_arrow()).insert_into(name)

    def delete_days(self, name: str, days: Collection[date]) -> None:
        """Take the rows of some UTC days out of a table that lies in days."""
        column = TIME_COLUMNS[name]
        for first, last in _runs(days):
            self._connection.execute(
                f'delete from "{name}" where "{column}" >= $first::timestamp at time zone \'UTC\''
                f" and \"{column}\" < ($last::date + 1)::timestamp at time zone 'UTC'",
                {"first": first, "last": last},
            )

    def delete_of(self, name: str, key: str, ids: Collection[str], days: Collection[date]) -> None:
        """Take the rows of some tanks or meters, each on its own UTC day, out of a table that lies in days."""
        self._connection.execute(
            f'delete from "{name}" where ("{key}", "{TIME_COLUMNS[name]}"::date) in'
            " (select (unnest($ids::varchar[]), unnest($days::date[])))",
            {"ids": list(ids), "days": list(days)},
        )

    def delete_parts(self, name: str, table: str, parts: Collection[date | None]) -> None:
        """Take what is remembered of some parts of a lake's table out of `_parts` or `_refused`."""
        self._connection.execute(
            f'delete from "{name}" where "table" = $table'
            " and list_contains($parts, coalesce(_part, date '0001-01-01'))",
            {"table": table, "parts": [part or date.min for part in parts]},
        )

    def copy_to(
        self,
        path: Path,
        names: Collection[str],
        beside_them: Mapping[str, pl.DataFrame],
        *,
        views: Mapping[str, type[dy.Schema]] = NO_VIEWS,
    ) -> None:
        """Put a copy of some tables, frames beside them, and views over both, in the place of a DuckDB file.

        Who has the old one open goes on reading it.
        """
        beside = path.with_name(f".{path.name}.new")
        beside.unlink(missing_ok=True)
        self._connection.execute(f"attach {_quoted(str(beside))} as _copy")
        try:
            for name in (*names, NUMBER):
                self._connection.execute(f'create table _copy."{name}" as from "{name}"')
            for name, frame in beside_them.items():
                self._connection.register("_beside", frame.to_arrow())
                self._connection.execute(f'create table _copy."{name}" as from _beside')
                self._connection.unregister("_beside")
        finally:
            self._connection.execute("detach _copy")
        if views:
            _add_views(beside, views)
        beside.replace(path)

    def remember(self, values: Mapping[str, str]) -> None:
        """Keep some words for the next run."""
        kept = {**self.remembered(), **values}
        self.replace("_state", pl.DataFrame({"name": list(kept), "value": list(kept.values())}, schema_overrides=_TEXT))

    def remembered(self) -> dict[str, str]:
        """What earlier runs kept."""
        if not self.has_table("_state"):
            return {}
        state = self.table("_state")
        return dict(zip(state["name"], state["value"], strict=True))


def _add_views(path: Path, views: Mapping[str, type[dy.Schema]]) -> None:
    """Put `queries/views/` into a DuckDB file, each with what it and its columns are, which tools show beside them.

    Made in the file itself: a view that is made from outside keeps the name under which the file was attached.
    """
    with duckdb.connect(path) as made:
        made.begin()
        made.execute("create schema views")
        for name, schema in views.items():
            made.execute(f"create view views.{name} as {query_text(f'views/{name}')}")
            made.execute(f"comment on view views.{name} is {_quoted(_line(schema.__doc__))}")
            for column, about in schema.columns().items():
                made.execute(f"comment on column views.{name}.{column} is {_quoted(_line(about.description))}")
        made.commit()


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


_NO_ROOM: Final = (duckdb.IOException, duckdb.TransactionException, duckdb.OutOfMemoryException, duckdb.FatalException)

_HEADERS_BYTES: Final = 12_288
"""Length of what DuckDB writes first of all into a new file: a shorter one holds nothing yet."""

_MAGIC: Final = slice(8, 12)

_TEXT: Final = {"name": pl.String, "value": pl.String}


def _runs(days: Collection[date]) -> Iterator[tuple[date, date]]:
    """Stretches of days without a gap: the first and the last of each."""
    ordered = sorted(days)
    start = 0
    for end in range(1, len(ordered) + 1):
        if end == len(ordered) or ordered[end] - ordered[end - 1] > timedelta(days=1):
            yield ordered[start], ordered[end - 1]
            start = end


@contextmanager
def open_store(out: Path, *, read_only: bool = False) -> Iterator[Store]:
    """Open the store in the folder of a run; it is made where there is none, unless it is only to be read.

    Raises
    ------
    StoreError
        If another process is writing it, it is no store, a later version left it, it is only to be read and not there
        or of an earlier layout, or the disk or the memory does not suffice for what is done with it.
    """
    path = out / FILE
    if not read_only:
        _clear_unborn(path)
    if read_only and not path.is_file():
        raise StoreError(f"{path}: there is no store here; make one with: tankdrift run LAKE --out {out}")
    try:
        connection = duckdb.connect(path, read_only=read_only)
    except duckdb.Error as error:
        raise StoreError(f"{path}: {_why_closed(_line(error))}") from error
    try:
        # What comes back is in the session's zone; the contract's is UTC wherever the machine stands.
        connection.execute("set TimeZone = 'UTC'")
        settle(connection, SCHEMAS, path, read_only=read_only)
        yield Store(connection)
    except _NO_ROOM as error:
        raise StoreError(f"{path}: what was under way is undone, for {_line(error)}") from error
    finally:
        connection.close()


def require_free(out: Path) -> None:
    """Raise where a folder has a store that cannot be read as it lies there, of whatever version it is.

    Raises
    ------
    StoreError
        If another process is writing it, or it is damaged.
    """
    path = out / FILE
    if path.is_file():
        try:
            duckdb.connect(path, read_only=True).close()
        except duckdb.Error as error:
            raise StoreError(f"{path}: {_why_closed(_line(error))}") from error


def read_snapshot(out: Path) -> dict[str, pl.DataFrame]:
    """Every table of the snapshot that the last published run left in its folder.

    Raises
    ------
    StoreError
        If there is none, it cannot be read, or another version left it.
    """
    path = out / SNAPSHOT
    if not path.is_file():
        raise StoreError(f"{path}: nothing was published here yet; run tankdrift run LAKE --out {out}")
    try:
        with duckdb.connect(path, read_only=True) as connection:
            connection.execute("set TimeZone = 'UTC'")
            settle(connection, SCHEMAS, path, read_only=True)
            names = [name for (name,) in connection.sql(query_text("layout/tables")).fetchall()]
            frames = {name: connection.table(name).pl() for name in names}
    except duckdb.Error as error:
        raise StoreError(f"{path}: {_why_closed(_line(error))}") from error
    return {
        name: frame.cast(polars_schema(SCHEMAS[name])) if name in SCHEMAS else frame for name, frame in frames.items()
    }  # fmt: skip


def _clear_unborn(path: Path) -> None:
    """Remove a store whose making was broken off before it could hold anything."""
    if path.is_file() and path.stat().st_size < _HEADERS_BYTES and path.read_bytes()[_MAGIC] in (b"", b"DUCK"):
        path.unlink()


def _line(said: object) -> str:
    return " ".join(str(said).split())


def _why_closed(message: str) -> str:
    if "lock" in message.lower():
        return "another process has the store open; wait until it is done, or close it"
    if "storage version" in message.lower():
        return "a later version left it; go on with the version that made it, or give another folder for results"
    if "could not write" in message.lower():
        return f"it cannot be written: {message}"
    return "this is not a store of tankdrift, or it is damaged; remove it to start from nothing"
