"""A database that holds what a rule may know and nothing else: no file, no setting, no clock, no chance, no writing."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import duckdb
import polars as pl

from pipeline.errors import RefusedRuleError

_SEAL: Final = (
    "set TimeZone = 'UTC'",
    "set python_enable_replacements = false",
    "set enable_external_access = false",
    "set autoload_known_extensions = false",
    "set lock_configuration = true",
)
_TABLE_FUNCTIONS: Final = ("range", "generate_series", "unnest")
_TELLS_MORE: Final = (
    "age", "getvariable", "get_current_time", "get_current_timestamp", "localtime", "localtimestamp", "now", "today",
    "transaction_timestamp", "txid_current", "version",
)  # fmt: skip
"""Functions that know the clock or the machine; those that DuckDB itself calls volatile come on top."""
_TYPES: Final = {
    pl.String(): "VARCHAR", pl.Float64(): "DOUBLE", pl.Int8(): "TINYINT", pl.Int64(): "BIGINT", pl.Boolean(): "BOOLEAN",
    pl.Date(): "DATE", pl.Datetime("us", "UTC"): "TIMESTAMPTZ",
}  # fmt: skip


class Sealed:
    """Tables in memory that grow day by day, and the one SELECT that is asked of them."""

    def __init__(self, schemas: Mapping[str, pl.Schema]) -> None:
        # One thread: a sum in floating point then does not depend on who was first.
        self._connection = duckdb.connect(":memory:", config={"threads": 1})
        for name, schema in schemas.items():
            columns = ", ".join(f'"{column}" {_TYPES[dtype]}' for column, dtype in schema.items())
            self._connection.execute(f'create table "{name}" ({columns})')
        for setting in _SEAL:
            self._connection.execute(setting)

    def append(self, name: str, frame: pl.DataFrame) -> None:
        """Add rows, which have the table's columns in order."""
        self._connection.register("_incoming", frame)
        self._connection.execute(f'insert into "{name}" from _incoming')
        self._connection.unregister("_incoming")

    def select(self, sql: str, parameters: Mapping[str, object]) -> pl.DataFrame:
        """Rows that a checked SELECT gives."""
        frame: pl.DataFrame = self._connection.sql(sql, params=dict(parameters) or None).pl()
        return frame

    def close(self) -> None:
        """Forget all of it."""
        self._connection.close()


@dataclass(frozen=True, slots=True)
class Read:
    """What a checked SELECT asks for: its tables and its `$parameters`, each sorted."""

    tables: tuple[str, ...]
    parameters: tuple[str, ...]


def require_one_select(rule: str, sql: str, allowed: Collection[str]) -> Read:
    """What the text asks for, where it is one SELECT over allowed tables and nothing besides.

    The text is taken apart by DuckDB's own parser, so comments, strings and letter case hide nothing.

    Raises
    ------
    RefusedRuleError
        If it writes, is more than one statement, reads another table or a file, or asks the clock, chance or a setting.
    """
    connection = duckdb.connect(":memory:", config={"threads": 1})
    try:
        statements = connection.extract_statements(sql)
        if len(statements) != 1:
            raise RefusedRuleError(f"rule {rule}: it holds {len(statements)} statements, a rule is one SELECT")
        if statements[0].type != duckdb.StatementType.SELECT:
            kind = statements[0].type.name.replace("_", " ")
            raise RefusedRuleError(f"rule {rule}: it holds {kind}; a rule is one SELECT and writes nothing")
        tree = json.loads(connection.execute("select json_serialize_sql($sql)", {"sql": sql}).fetchall()[0][0])
        volatile = {
            row[0]
            for row in connection.execute(
                "select function_name from duckdb_functions() where stability = 'VOLATILE'"
            ).fetchall()
        }
    except duckdb.Error as error:
        raise RefusedRuleError(f"rule {rule}: {str(error).splitlines()[0]}") from error
    finally:
        connection.close()
    if tree.get("error"):
        raise RefusedRuleError(f"rule {rule}: {tree.get('error_message', 'it cannot be read')}")
    names = tuple(sorted(str(name) for name in statements[0].named_parameters))
    return Read(_tables_read(rule, tree, allowed, volatile), names)


def _tables_read(rule: str, tree: object, allowed: Collection[str], volatile: Collection[str]) -> tuple[str, ...]:
    nodes = list(_nodes(tree))
    own = {str(entry["key"]).lower() for node in nodes for entry in _entries(node)}
    read: set[str] = set()
    for node in nodes:
        kind = str(node.get("type"))
        if kind.endswith("_NODE") and kind not in _ASKING_NODES:
            raise RefusedRuleError(f"rule {rule}: it holds {kind.split('_')[0]}; a rule only asks, and comes to an end")
        if node.get("sample"):
            raise RefusedRuleError(f"rule {rule}: it draws a sample, so its alarms would not come again")
        if kind == "BASE_TABLE":
            name = ".".join(part for part in (node["catalog_name"], node["schema_name"], node["table_name"]) if part)
            if name.lower() not in allowed and name.lower() not in own:
                raise RefusedRuleError(f"rule {rule}: it reads {name}, which no rule may; there are {_listed(allowed)}")
            read |= {name.lower()} & set(allowed)
        elif kind == "TABLE_FUNCTION" and _name(node["function"]) not in _TABLE_FUNCTIONS:
            raise RefusedRuleError(
                f"rule {rule}: it calls {_name(node['function'])}(), which reaches beyond its tables"
            )
        elif kind == "SHOW_REF":
            raise RefusedRuleError(f"rule {rule}: a rule describes no table")
        elif kind == "FUNCTION":
            _require_pure(rule, _name(node), volatile)
        elif kind == "COLUMN_REF" and [str(part).lower() for part in node["column_names"]][-1:] in _CLOCK_WORDS:
            raise RefusedRuleError(f"rule {rule}: it asks the clock, so its alarms would not come again")
    return tuple(sorted(read))


_ASKING_NODES: Final = ("SELECT_NODE", "SET_OPERATION_NODE", "CTE_NODE")
"""Parts of a query that read; others write, even within a SELECT, or call themselves without end."""
_CLOCK_WORDS: Final = [["current_date"], ["current_time"], ["current_timestamp"], ["localtime"], ["localtimestamp"]]


def _require_pure(rule: str, name: str, volatile: Collection[str]) -> None:
    if name in volatile or name in _TELLS_MORE or name.startswith("current_"):
        raise RefusedRuleError(f"rule {rule}: it calls {name}(), so its alarms would not come again")


def _name(node: Mapping[str, Any]) -> str:
    return str(node.get("function_name", "")).lower()


def _entries(node: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    found = node.get("cte_map")
    return found["map"] if isinstance(found, dict) else []


def _nodes(tree: object) -> Iterator[dict[str, Any]]:
    if isinstance(tree, dict):
        yield tree
        for value in tree.values():
            yield from _nodes(value)
    elif isinstance(tree, list):
        for value in tree:
            yield from _nodes(value)


def _listed(names: Collection[str]) -> str:
    return ", ".join(sorted(names))
