"""Whether what a run left keeps the contract: types and rules of every table, and the queries in `queries/checks`."""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.contract.dictionary import ALL_TABLES, polars_schema, row_rules
from pipeline.contract.run import PARQUET_TABLES, RUN_TABLES
from pipeline.contract.store import STORE_TABLES
from pipeline.resources import query_names, query_text
from pipeline.settings import Settings, settings_of
from pipeline.store import Store, open_store

_SHOWN: Final = 5
"""Offending rows that are shown of one rule; how many there are is always said."""


def violations(out: Path) -> list[str]:
    """One line for each rule that what a run left in a folder breaks; none where it keeps the contract.

    The store's tables are judged by the settings of their run, and the Parquet files must say the same.

    Raises
    ------
    StoreError
        If there is no store in the folder, or it cannot be read.
    """
    with open_store(out, read_only=True) as store:
        missing = [f"store: table {name} is missing" for name in ALL_TABLES if not _is_there(store, name)]
        if missing:
            return missing
        found = list(_of_files(store, out))
        for name in (*RUN_TABLES, *STORE_TABLES):
            found += _of_rows(name, store.table(name))
        found += _of_queries(store, settings_of(store.remembered()))
    if not (out / "report" / "index.html").is_file():
        found.append("report: report/index.html is missing")
    return found


def _is_there(store: Store, name: str) -> bool:
    return name == "labels" or store.has_table(name)


def _of_files(store: Store, out: Path) -> Iterator[str]:
    for name in PARQUET_TABLES:
        path = out / f"{name}.parquet"
        if not path.is_file():
            yield f"{name}: {path.name} is missing"
            continue
        try:
            frame = pl.read_parquet(path)
        except pl.exceptions.PolarsError:
            yield f"{name}: {path.name} cannot be read as Parquet"
            continue
        wanted = polars_schema(ALL_TABLES[name])
        if frame.schema != wanted:
            unlike = [f"{column} {dtype}" for column, dtype in wanted.items() if frame.schema.get(column) != dtype]
            yield f"{name}: columns are not the contract's: {', '.join(unlike) or 'more, or in another order'}"
        elif not frame.equals(store.table(name)):
            yield f"{name}: {path.name} and the store's table differ"


def _of_rows(name: str, frame: pl.DataFrame) -> Iterator[str]:
    for rule, holds in row_rules(ALL_TABLES[name]).items():
        yield from _line(f"{name}: {rule}", frame.filter(~holds.fill_null(True)))
    key = ALL_TABLES[name].primary_key()
    if key:
        yield from _line(f"{name}: key is not unique", frame.filter(pl.struct(key).is_duplicated()).select(key))


def _of_queries(store: Store, settings: Settings) -> Iterator[str]:
    parameters = {
        "limit_l_per_h": settings.detectable_limit_l_per_h,
        "fail_l_per_h": settings.fail_leak_rate_l_per_h,
    }
    for name in query_names("checks"):
        asked = {key: value for key, value in parameters.items() if f"${key}" in query_text(name)}
        yield from _line(name, store.query(name, **asked))


def _line(rule: str, bad: pl.DataFrame) -> Iterator[str]:
    if bad.is_empty():
        return
    shown = "; ".join(", ".join(f"{k}={v}" for k, v in row.items()) for row in bad.head(_SHOWN).iter_rows(named=True))
    more = f" and {bad.height - _SHOWN} more" if bad.height > _SHOWN else ""
    yield f"{rule}: {bad.height} row{'s' if bad.height > 1 else ''}: {shown}{more}"
