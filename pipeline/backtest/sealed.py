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
_PURE_WORDS: Final = """
    != !~~ !~~* % & && * ** + - / // < <-> << <= <=> <@ = > >= >> @ @> ^ ^@ | || ~ ~~ ~~* ~~~
    abs acos acosh add asin asinh atan atan2 atanh cbrt ceil ceiling cos cosh cot degrees divide even exp factorial
    fdiv floor fmod gamma gcd greatest isfinite isinf isnan lcm least lgamma ln log log10 log2 mod multiply nextafter
    pi pow power radians round round_even sign signbit sin sinh sqrt subtract tan tanh trunc xor
    century date_add date_diff date_part date_sub date_trunc datediff datepart datesub datetrunc day dayname dayofmonth
    dayofweek dayofyear days_in_month decade epoch epoch_ms epoch_ns epoch_us era hour isodow isoyear julian last_day
    make_date make_time make_timestamp make_timestamptz microsecond millennium millisecond minute month monthname
    quarter second strftime strptime time_bucket timezone to_days to_hours to_microseconds to_milliseconds to_minutes
    to_months to_quarters to_seconds to_timestamp to_weeks to_years try_strptime week weekday weekofyear year yearweek
    ascii chr concat concat_ws contains ends_with format ilike_escape instr lcase left length like_escape lower lpad
    ltrim not_ilike_escape not_like_escape position prefix printf regexp_extract regexp_extract_all regexp_full_match
    regexp_matches regexp_replace repeat replace reverse right rpad rtrim split split_part starts_with string_split
    strip_accents strlen strpos substr substring suffix translate trim ucase upper
    array_contains array_extract array_length array_slice cardinality element_at flatten len list_any_value
    list_append list_apply list_avg list_concat list_contains list_count list_distinct list_element list_extract
    list_filter list_first list_has list_has_all list_has_any list_last list_max list_median list_min list_mode
    list_pack list_position list_prepend list_product list_reduce list_reverse list_reverse_sort list_slice list_sort
    list_stddev_pop list_stddev_samp list_sum list_transform list_unique list_value list_var_pop list_var_samp list_zip
    map map_entries map_extract map_keys map_values row struct_extract struct_extract_at struct_pack unnest
    coalesce if nullif hash md5 md5_number sha256
    any_value arbitrary arg_max arg_max_null arg_min arg_min_null argmax argmin array_agg avg bit_and bit_or bit_xor
    bool_and bool_or corr count count_if count_star countif covar_pop covar_samp entropy favg first fsum geomean
    geometric_mean group_concat histogram kahan_sum kurtosis kurtosis_pop last list listagg mad max max_by mean median
    min min_by mode product quantile quantile_cont quantile_disc regr_avgx regr_avgy regr_count regr_intercept regr_r2
    regr_slope regr_sxx regr_sxy regr_syy sem skewness stddev stddev_pop stddev_samp string_agg sum sumkahan var_pop
    var_samp variance weighted_avg
    cume_dist dense_rank fill first_value lag last_value lead nth_value ntile percent_rank rank rank_dense row_number
    generate_series range
"""
PURE: Final = frozenset(_PURE_WORDS.split())
"""Functions that a rule may call: their values hang on their arguments alone, and they come to an end. One that DuckDB
adds, or that tells of the clock, the machine, the settings or the database, is not among them."""
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
    except duckdb.Error as error:
        raise RefusedRuleError(f"rule {rule}: {str(error).splitlines()[0]}") from error
    finally:
        connection.close()
    if tree.get("error"):
        raise RefusedRuleError(f"rule {rule}: {tree.get('error_message', 'it cannot be read')}")
    names = tuple(sorted(str(name) for name in statements[0].named_parameters))
    return Read(_tables_read(rule, tree, allowed), names)


def _tables_read(rule: str, tree: object, allowed: Collection[str]) -> tuple[str, ...]:
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
        elif "function_name" in node and kind != "TABLE_FUNCTION":
            _require_pure(rule, _name(node))
        elif kind == "COLUMN_REF" and [str(part).lower() for part in node["column_names"]][-1:] in _CLOCK_WORDS:
            raise RefusedRuleError(f"rule {rule}: it asks the clock or the machine, so its alarms would not come again")
    return tuple(sorted(read))


_ASKING_NODES: Final = ("SELECT_NODE", "SET_OPERATION_NODE", "CTE_NODE")
"""Parts of a query that read; others write, even within a SELECT, or call themselves without end."""
_CLOCK_WORDS: Final = [
    ["current_date"], ["current_time"], ["current_timestamp"], ["localtime"], ["localtimestamp"],
    ["current_user"], ["session_user"], ["user"], ["current_role"], ["current_catalog"], ["current_schema"],
]  # fmt: skip


def _require_pure(rule: str, name: str) -> None:
    if name not in PURE:
        raise RefusedRuleError(f"rule {rule}: it calls {name}(), which is not among the functions that a rule may call")


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
