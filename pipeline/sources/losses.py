"""What a source leaves out without a word: rows that cannot be read, a column that has gone, levels that are empty.

Each is told, and where it lies with the source or its settings no mark passes over the rows: they are asked for again.
"""

import hashlib
from collections.abc import Sequence
from typing import Final

import polars as pl

from pipeline.errors import SourceError
from pipeline.sources.config import FilesConfig, OpcuaConfig, SourceConfig, SqlConfig
from pipeline.sources.landing import Marks
from pipeline.sources.source import STANDING, Fetched
from pipeline.sources.tags import TAG_UNKNOWN

FEWEST: Final = 20
"""So many rows that are all amiss lie with the source or its settings, fewer may lie with the rows. No source."""


def require_readable(told: Fetched, table: str, where: str) -> None:
    """Raise where all of many rows were refused.

    Raises
    ------
    SourceError
        It says why most of them were.
    """
    refused = told.refused.filter(pl.col("reason") != TAG_UNKNOWN)
    if told.rows.is_empty() and refused.height >= FEWEST:
        reason = refused["reason"].value_counts(sort=True)["reason"][0]
        raise SourceError(
            f"{where}: all {refused.height:,} rows of {table} were refused ({reason})",
            mend="mend the settings, and they are read again",
        )


def require_files(names: Sequence[str], table: str, where: str, *, is_read: bool) -> None:
    """Raise where no file is there of a table without which a fleet cannot be looked at, and none ever was.

    A folder may be emptied of what was read by its settings; tickets, totals and log entries may be yet to come.

    Raises
    ------
    SourceError
        It says which table.
    """
    if not names and table in (*STANDING, "readings", "sales") and (table in STANDING or not is_read):
        raise SourceError(f"{where}: there is no file of {table}", mend="see place, and pattern of the table")


def was_read(marks: Marks, config: SourceConfig, table: str) -> bool:
    """Whether a table was read before by the settings that there are."""
    read_by: object = marks.found.get("settings", {}).get(table)
    return read_by == settings_digest(config, table)


def require_columns(told: Fetched, before: list[str], table: str, where: str) -> None:
    """Raise where a column has gone that a source told of before.

    Raises
    ------
    SourceError
        It says which, and how to do without it.
    """
    gone = [name for name in before if name not in told.columns]
    if told.columns and gone:
        raise SourceError(
            f"{where}: the column for {table}.{gone[0]} was there before and is gone",
            mend=f"name it anew in the settings, or write {gone[0]} = {{}} to do without it",
        )


def empty_levels(table: str, rows: int, levels: int, where: str) -> str | None:
    """A line about many readings none of which has a level; None where all is well."""
    if table != "readings" or rows < FEWEST or levels:
        return None
    return f"{where}: none of {rows:,} readings has a level; see whether the column or the tags still hold levels"


def settings_digest(config: SourceConfig, table: str) -> str:
    """Hash of what the settings say of a table: when it changes, rows read before may be told otherwise."""
    said = [config.tables[table].model_dump_json()] if isinstance(config, FilesConfig | SqlConfig) else []
    if isinstance(config, SqlConfig | OpcuaConfig):
        said += [tag.model_dump_json() for tag in config.tags]
        said += [form.model_dump_json() for form in config.tag_forms] if isinstance(config, SqlConfig) else []
        file = config.tag_file
        said.append(file.read_text(encoding="utf-8") if file is not None and file.is_file() else "")
    return hashlib.sha256("\n".join(said).encode()).hexdigest()[:16]
