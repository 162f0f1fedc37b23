"""What is made from the schemas: polars schemas, DuckDB DDL and the data dictionary in Markdown.

``python -m pipeline.contract.dictionary`` writes the dictionary to standard output.
"""

import sys
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Final

import dataframely as dy
import polars as pl

from pipeline.contract.columns import contract_type, duckdb_type
from pipeline.contract.lake import BY_DAY, LAKE_TABLES, OPTIONAL_TABLES
from pipeline.contract.run import PARQUET_TABLES, RUN_TABLES
from pipeline.contract.store import DATA_TABLES, KEPT_TABLES, STORE_TABLES
from pipeline.contract.views import VIEWS

ALL_TABLES: Final[Mapping[str, type[dy.Schema]]] = {
    **LAKE_TABLES, **RUN_TABLES, **STORE_TABLES, **DATA_TABLES, **KEPT_TABLES,
}  # fmt: skip
"""Every schema by its table's name; no name stands twice."""

_INTRO = """\
# Data dictionary

Made from the schemas in `pipeline/contract/` by `make docs`; change it there.

Time is UTC. A column's unit is its name's suffix: `_mm`, `_l` (litres, observed at ambient temperature), `_15_l`
(litres at 15 °C), `_c` (°C), `_kg_m3`, `_l_per_h`, `_pct`. Variance = gauge stock − book stock: a loss is negative, a
gain positive; a rate is positive when product leaves. `?` marks a column that may be null, **bold** a table's key.
A row that breaks a rule goes to `quarantine` with the rule's name as its reason; the rule of one column has the
column's name in front.
"""


_VIEWS_INTRO = """\
In `snapshot.duckdb`, in the schema `views`: the tables joined, under names and columns that stay. SQL in
`queries/views/`; what to ask them in [docs/operations.md](../docs/operations.md#asking-the-snapshot).
"""


@cache
def polars_schema(schema: type[dy.Schema]) -> pl.Schema:
    """Polars types of a table's columns, in their order: one object a table, not to be changed."""
    return pl.Schema({name: col.dtype for name, col in schema.columns().items()})


def duckdb_columns(schema: type[dy.Schema]) -> str:
    """Column list of the table's DuckDB DDL: name, type and NOT NULL, comma between.

    Keys are not declared: the store writes only what a schema has passed, and an index would double its size.
    """
    parts = []
    for name, col in schema.columns().items():
        kind = (col.metadata or {})["kind"]
        parts.append(f'"{name}" {duckdb_type(kind)}{"" if col.nullable else " NOT NULL"}')
    return ", ".join(parts)


def reason(rule: str) -> str:
    """Reason of a quarantined row, from the name that the schema gives to the rule it breaks.

    >>> reason("volume_l|check__not_negative")
    'volume_l_not_negative'
    >>> reason("level_mm|nullability")
    'level_mm_missing'
    >>> reason("chart_rises")
    'chart_rises'
    """
    name, _, rest = rule.partition("|")
    if not rest:
        return name
    what = rest.removeprefix("check__")
    return f"{name}_{'missing' if what == 'nullability' else what}"


@cache
def row_rules(schema: type[dy.Schema]) -> Mapping[str, pl.Expr]:
    """Expressions that are false where a row breaks a rule, by the reason to quarantine it with.

    Null counts as kept: a rule says nothing of what is unknown. The key's uniqueness is not among them, nor is
    finiteness: reading has turned what is not finite into null.
    """
    rules = schema._validation_rules(with_cast=False)
    return {
        reason(name): rule.expr
        for name, rule in rules.items()
        if name != "primary_key" and not name.endswith(("|nan", "|inf"))
    }


def _table_lines(name: str, schema: type[dy.Schema]) -> Iterator[str]:
    yield f"### {name}"
    yield ""
    notes = [
        "by day" if name in BY_DAY else "",
        "may be left out" if name in OPTIONAL_TABLES else "",
        f"`{name}.parquet`" if name in PARQUET_TABLES else "",
    ]
    text = " ".join((schema.__doc__ or "").split())
    yield text + "".join(f" ({note})" for note in notes if note)
    yield ""
    yield from _column_lines(schema)
    yield ""
    yield f"Rules: {', '.join(f'`{rule}`' for rule in row_rules(schema))}."
    yield ""


def _view_lines(name: str, schema: type[dy.Schema]) -> Iterator[str]:
    yield f"### views.{name}"
    yield ""
    yield " ".join((schema.__doc__ or "").split())
    yield ""
    yield from _column_lines(schema)
    yield ""


def _column_lines(schema: type[dy.Schema]) -> Iterator[str]:
    yield "| column | type | unit | what it is |"
    yield "| --- | --- | --- | --- |"
    for column_name, col in schema.columns().items():
        meta = col.metadata or {}
        shown = f"**{column_name}**" if col.primary_key else column_name
        words = f" One of {', '.join(f'`{word}`' for word in meta['words'])}." if meta["words"] else ""
        yield (
            f"| {shown} | {contract_type(meta['kind'])}{'?' if col.nullable else ''} | {meta['unit'] or ''} "
            f"| {col.description}{words} |"
        )


def markdown() -> str:
    """Return the data dictionary, as Markdown."""
    lines = [_INTRO]
    for title, tables in (
        ("What a lake holds", LAKE_TABLES),
        ("What a run writes", RUN_TABLES),
        ("What the store keeps besides", STORE_TABLES),
        ("What a run says of the data", DATA_TABLES),
        ("What people say of cases", KEPT_TABLES),
    ):
        lines += [f"## {title}", ""]
        for name, schema in tables.items():
            lines += _table_lines(name, schema)
    lines += ["## Views of the snapshot", "", _VIEWS_INTRO]
    for name, schema in VIEWS.items():
        lines += _view_lines(name, schema)
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    sys.stdout.write(markdown())
