"""Sources that are made of files: drops of CSV and Parquet, and lakes that keep the contract already."""

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property

import polars as pl

from pipeline.contract.lake import LAKE_TABLES, TIME_COLUMNS
from pipeline.errors import SourceError
from pipeline.lake_file import BROKEN, file_size
from pipeline.sources.config import FilesConfig, LakeConfig
from pipeline.sources.mapping import to_contract
from pipeline.sources.places import Place, place_of
from pipeline.sources.source import STANDING, Fetched, in_window, joined
from pipeline.sources.table_config import FileTable


@dataclass(frozen=True)
class FileSource:
    """A place with files of several tables."""

    name: str
    address: str
    options: Mapping[str, str]
    patterns: Mapping[str, FileTable]

    @property
    def tables(self) -> Sequence[str]:
        """See `Source`."""
        return [table for table in LAKE_TABLES if table in self.patterns]

    @cached_property
    def _place(self) -> Place:
        return place_of(self.address, self.options)

    def files(self, table: str) -> Mapping[str, str]:
        """See `Arriving`."""
        return self._place.files(self.patterns[table].pattern)

    def read(self, table: str, name: str) -> Fetched:
        """See `Arriving`.

        Raises
        ------
        SourceError
            If the file cannot be read, or has not the columns that the settings name.
        """
        mapped = self.patterns[table]
        where = f"{self.name}: {name}"
        return to_contract(table, _frame(self._place.content(name), name, mapped, where), mapped, where=where)

    def fetch(self, table: str, start: datetime, end: datetime) -> Fetched:
        """See `Source`: all files are read, and the window cut out."""
        found = joined(table, [self.read(table, name) for name in self.files(table)])
        if table in STANDING:
            return found
        return replace(found, rows=in_window(found.rows, TIME_COLUMNS[table], start, end))

    def check(self) -> None:
        """See `Source`."""
        for table in self.tables:
            if not self.files(table) and table in STANDING:
                raise SourceError(
                    f"{self.name}: no file fits {self.patterns[table].pattern!r} for {table}",
                    mend="see place and pattern",
                )


def drops(config: FilesConfig) -> FileSource:
    """The source of a place with CSV and Parquet drops."""
    return FileSource(config.name, config.place, config.options, config.tables)


def lake(config: LakeConfig) -> FileSource:
    """The source of a lake."""
    wanted = config.tables or [table for table in LAKE_TABLES if table != "labels"]
    patterns = {table: FileTable(pattern=f"{table}[./]*parquet") for table in wanted}
    return FileSource(config.name, config.place, config.options, patterns)


def _frame(content: bytes, name: str, mapped: FileTable, where: str) -> pl.DataFrame:
    if not content:
        raise SourceError(f"{where} is empty", mend="put it there again")
    try:
        if name.endswith(".parquet"):
            size = file_size(io.BytesIO(content))
            if size.is_too_large:
                raise SourceError(f"{where} {size.said}", mend="split it into smaller ones")
            return pl.read_parquet(io.BytesIO(content))
        text = content.decode(mapped.encoding).removeprefix("\ufeff").encode()
        frame = pl.read_csv(io.BytesIO(text), separator=mapped.separator, infer_schema=False)
    except (*BROKEN, UnicodeDecodeError, LookupError) as error:
        kind = "Parquet" if name.endswith(".parquet") else f"CSV in {mapped.encoding}"
        mend = "put it there again, or see separator and encoding"
        raise SourceError(f"{where} is not readable as {kind} (truncated, or of another kind)", mend=mend) from error
    others = [sign for sign in ",;\t|" if sign != mapped.separator and sign in frame.columns[0]]
    if frame.width == 1 and others:
        said = f"{where} has one column alone, {frame.columns[0]!r}"
        raise SourceError(said, mend=f"set separator, perhaps to {json.dumps(others[0])}")
    return frame
