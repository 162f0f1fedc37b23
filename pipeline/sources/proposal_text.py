"""A proposal as a part of tankdrift.toml, with what to check and the first rows as remarks: all of it is TOML."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.contract.dictionary import row_rules
from pipeline.contract.fields import FIELDS
from pipeline.contract.lake import GROUP_RULES, LAKE_TABLES
from pipeline.errors import SourceError
from pipeline.plain_text import printable
from pipeline.sources.mapping import to_contract
from pipeline.sources.propose import Proposal, Told, instants
from pipeline.sources.source import Fetched
from pipeline.sources.table_config import Column, FileTable

SHOWN: Final = 10
_ZONED: Final = ("iso_zoned", "epoch_s", "epoch_ms")


def as_settings(path: Path, frame: pl.DataFrame, proposal: Proposal, timezone: str | None) -> str:
    """The section of the settings that reads a file, as lines of TOML.

    Parameters
    ----------
    path : Path
    frame : DataFrame
        The file's first rows, as `read_head` gives them.
    proposal : Proposal
    timezone : str or None
        Zone of its wall-clock times, where that is known.
    """
    table, mapped = proposal.table, _mapped(path, proposal, timezone)
    fetched, broken = _read(frame, table, mapped, path)
    lines = [
        f"# {path.name} as {table}, by its first {frame.height:,} rows. A proposal: check every line of it.",
        "[[sources]]",
        f"name = {_text(_name(path))}",
        'kind = "files"',
        f"place = {_text(str(path.resolve().parent))}",
        f"[sources.tables.{table}]",
        *_keys(mapped),
        f"[sources.tables.{table}.columns]",
        *(_column(name, proposal.columns[name]) for name in LAKE_TABLES[table].columns() if name in proposal.columns),
    ]
    still = [
        *proposal.open,
        *_zone(frame, proposal, timezone),
        *_strange_words(table, frame, proposal),
        *broken,
        *_refused(table, fetched),
    ]
    remarks = ["still open:", *(f"- {one}" for one in still)] if still else []
    return "\n".join([*lines, *(_remark(one) for one in [*remarks, *_rows(fetched)])]) + "\n"


def _mapped(path: Path, proposal: Proposal, timezone: str | None) -> FileTable:
    columns = {
        name: Column(column=told.column, unit=told.unit, value=told.value) for name, told in proposal.columns.items()
    }
    return FileTable(
        pattern=re.sub(r"\d[\d_-]*", "*", path.name),
        separator=proposal.separator,
        encoding=proposal.encoding,
        decimal="," if proposal.decimal == "," else ".",
        time_format=proposal.time_format,
        timezone=timezone or "UTC",
        columns=columns,
    )


def _read(frame: pl.DataFrame, table: str, mapped: FileTable, path: Path) -> tuple[Fetched | None, list[str]]:
    try:
        return to_contract(table, frame, mapped, where=path.name), []
    except SourceError:
        return None, ["until these are named, no row can be shown"]


def _keys(mapped: FileTable) -> Iterator[str]:
    yield f"pattern = {_text(mapped.pattern)}"
    usual = FileTable(pattern="")
    for key in ("separator", "encoding", "decimal", "timezone", "time_format"):
        value = getattr(mapped, key)
        if value != getattr(usual, key):
            yield f"{key} = {_text(value)}"


def _column(name: str, told: Told) -> str:
    parts = {"column": told.column, "unit": told.unit, "value": told.value}
    given = {key: json.dumps(value, ensure_ascii=False) for key, value in parts.items() if value is not None}
    inside = ", ".join(f"{key} = {value}" for key, value in given.items())
    line = (
        f"{name} = {given['column']}" if list(given) == ["column"] else f"{name} = {{ {inside} }}".replace("{  }", "{}")
    )
    return f"{line}  {_remark(told.check)}" if told.check else line


def _zone(frame: pl.DataFrame, proposal: Proposal, timezone: str | None) -> Iterator[str]:
    told = [proposal.columns[name].names for name in instants(proposal.table) if name in proposal.columns]
    types = [frame.schema[one] for names in told for one in names]
    is_open = any(not isinstance(one, pl.Datetime) or one.time_zone is None for one in types)
    if is_open and timezone is None and proposal.time_format not in _ZONED:
        yield "times name no zone and are taken as UTC: give --timezone where they are a site's own"


def _words(table: str, name: str) -> tuple[str, ...]:
    """The words that the contract knows in a column; none where it may hold any."""
    return tuple((FIELDS.get(f"{table}.{name}") or FIELDS[name]).words)


def _strange_words(table: str, frame: pl.DataFrame, proposal: Proposal) -> Iterator[str]:
    """A line about each column whose words are not the contract's, with the setting that says what they are."""
    for name, told in proposal.columns.items():
        known = _words(table, name)
        if not known or not isinstance(told.column, str):
            continue
        found = frame[told.column].cast(pl.String).str.strip_chars().drop_nulls().unique().sort()
        strange = [one for one in found.to_list() if one and one not in known][:SHOWN]
        if strange:
            asked = ", ".join(f'{_text(one)} = "..."' for one in strange)
            setting = f"{name} = {{ column = {_text(told.column)}, words = {{ {asked} }} }}"
            yield f"{told.column} has words of its own; the contract's are {', '.join(known)}: {setting}"


def _refused(table: str, fetched: Fetched | None) -> Iterator[str]:
    """A line about each reason for which rows would be refused, with the first such row."""
    if fetched is None:
        return
    for reasons, rows in fetched.refused.group_by("reason", maintain_order=True):
        yield f"{reasons[0]}: {rows.height:,} of {_all(fetched):,} rows, such as {rows['row'][0]}"
    for reason, rule in row_rules(LAKE_TABLES[table]).items():
        if reason in GROUP_RULES or (reason.endswith("_known") and _words(table, reason.removesuffix("_known"))):
            continue
        bad = fetched.rows.filter(~rule.fill_null(value=True))
        if not bad.is_empty():
            yield f"{reason}: {bad.height:,} of {_all(fetched):,} rows, such as {bad.head(1).write_ndjson().strip()}"


def _all(fetched: Fetched) -> int:
    return fetched.rows.height + fetched.refused.height


def _rows(fetched: Fetched | None) -> Iterator[str]:
    if fetched is None or fetched.rows.is_empty():
        return
    first = fetched.rows.head(SHOWN)
    first = first.select(column for column in first if column.null_count() < len(column))
    cells = [first.columns, *([_cell(value) for value in row] for row in first.iter_rows())]
    widths = [max(len(row[place]) for row in cells) for place in range(first.width)]
    yield "the first of its rows as the contract has them:"
    for row in cells:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _cell(value: object) -> str:
    return "-" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def _name(path: Path) -> str:
    return re.sub(r"[^A-Za-z]+", "-", path.stem).strip("-").lower() or "files"


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _remark(said: str) -> str:
    return "# " + printable(" ".join(said.splitlines()))
