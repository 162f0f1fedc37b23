"""A SQL historian through ADBC: PostgreSQL and SQLite.

Names of tables and columns come from the settings and are quoted as identifiers; instants go as parameters.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from importlib import import_module
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contract.lake import LAKE_TABLES, TIME_COLUMNS
from pipeline.contract.vocabulary import QUALITIES
from pipeline.errors import SourceDownError, SourceError
from pipeline.sources.config import SqlConfig
from pipeline.sources.mapping import to_contract
from pipeline.sources.secrets import in_short, looked_up
from pipeline.sources.source import REFUSED, STANDING, Fetched, in_window
from pipeline.sources.table_config import Column, Mapped, SqlTable, Tag, date_form
from pipeline.sources.tag_map import named, tags_of
from pipeline.sources.tags import VALUES, from_tags, opc_da_quality, opc_ua_quality

_MARGIN: Final = timedelta(hours=2)
"""Read around a window, and cut off again: a local clock's repeated hour is only told apart when it is seen whole."""

_A_DAY: Final = date(2000, 1, 1)
"""Any day: as long as every other when it is written."""

_EARLIEST_S: Final = datetime(1990, 1, 1, tzinfo=UTC).timestamp()
_LATEST_S: Final = datetime(2100, 1, 1, tzinfo=UTC).timestamp()
"""A number outside these is no time of a fleet's, in the kind that it was asked as."""


@dataclass(frozen=True)
class SqlSource:
    """Tables of a database."""

    config: SqlConfig

    @property
    def name(self) -> str:
        """See `Source`."""
        return self.config.name

    @property
    def tables(self) -> Sequence[str]:
        """See `Source`."""
        return [table for table in LAKE_TABLES if table in self.config.tables]

    def fetch(self, table: str, start: datetime, end: datetime) -> Fetched:
        """See `Source`; with `changed_column` the window is of when rows were written, not of what they speak of."""
        of = self.config.tables[table]
        where = f"{self.name}: table {of.table}"
        hold = timedelta(seconds=self.config.hold_s) if of.layout != "rows" else timedelta()
        asked = of.changed_column or of.time_column
        with self._connected() as connection:
            text, parameters = _query(of, asked, start - _MARGIN - hold, end + _MARGIN, self.config.driver)
            frame = _run(connection, text, parameters, where)
            if asked is not None:  # SQLite takes a name that it does not know for a word
                _require(frame, {asked: "changed_column" if of.changed_column else "time_column"}, where)
            found = self._read(table, frame, where)
            if table not in STANDING and of.changed_column is None:
                found = replace(found, rows=in_window(found.rows, TIME_COLUMNS[table], start, end))
            if asked is not None and found.rows.is_empty() and found.refused.is_empty():
                _require_comparable(connection, of, asked, where)
        return found

    def _read(self, table: str, frame: pl.DataFrame, where: str) -> Fetched:
        of = self.config.tables[table]
        if of.layout == "rows":
            return to_contract(table, frame, of.model_copy(update={"time_format": _form(of)}), where=where)
        values = _values(frame, of, self.config, where)
        tags = _tags(self.config, values.rows["tag"].unique(maintain_order=True))
        told = from_tags(table, values.rows, tags, hold_s=self.config.hold_s)
        return Fetched(told.rows, pl.concat([told.refused, values.refused]))

    def first(self, table: str, start: datetime, end: datetime) -> datetime | None:
        """See `Historian`; with `changed_column`, when the first row was written."""
        of = self.config.tables[table]
        asked = of.changed_column or of.time_column
        if asked is None:
            return start
        where, parameters = _between(of, asked, start, end, self.config.driver)
        query = f"select min({_quoted(asked)}) from {_quoted(of.table)}{where}"
        with self._connected() as connection:
            value = _run(connection, query, parameters, f"{self.name}: table {of.table}").item()
        return None if value is None else _instant(value, of) or start

    def check(self) -> None:
        """See `Source`."""
        with self._connected() as connection:
            for of in self.config.tables.values():
                _run(connection, f"select * from {_quoted(of.table)} limit 1", (), f"{self.name}: table {of.table}")

    @contextmanager
    def _connected(self) -> Iterator[Any]:
        address = looked_up(self.config.address)
        try:
            driver = import_module(f"adbc_driver_{self.config.driver}.dbapi")
        except ImportError as error:
            raise SourceError(f"{self.name}: databases need more", mend="pip install 'tankdrift[sources]'") from error
        try:
            connection = driver.connect(address)
        except driver.Error as error:
            said = f"{self.name}: the database says {in_short(error)}"
            if "authentication failed" in str(error):
                raise SourceError(said, mend="see user and password in its address") from error
            raise SourceDownError(said, mend="see address, and whether the server runs") from error
        try:
            yield connection
        finally:
            connection.close()


def _run(connection: Any, text: str, parameters: tuple[object, ...], where: str) -> pl.DataFrame:
    import adbc_driver_manager.dbapi as adbc

    try:
        with connection.cursor() as cursor:
            cursor.execute(text, parameters or None)
            found = pl.from_arrow(cursor.fetch_arrow_table())
    except (adbc.OperationalError, OSError) as error:
        raise SourceDownError(f"{where}: the database says {in_short(error)}") from error
    except adbc.DataError as error:
        mend = "read all of it there, as this user, and mend what breaks"
        raise SourceError(f"{where}: the database says {in_short(error)}", mend=mend) from error
    except adbc.Error as error:
        mend = "mend table and column names, or give this user the right to read them"
        raise SourceError(f"{where}: the database says {in_short(error)}", mend=mend) from error
    assert isinstance(found, pl.DataFrame)
    return found


def _require_comparable(connection: Any, of: SqlTable, asked: str, where: str) -> None:
    """Raise where a window came empty because its column is no time of the kind that it was asked as."""
    query = f"select {_quoted(asked)} from {_quoted(of.table)} where {_quoted(asked)} is not null limit 1"
    first = _run(connection, query, (), where).to_series()
    if first.is_empty():
        return
    # PostgreSQL's numeric arrives as text.
    number = first.cast(pl.Float64, strict=False)[0] if first.dtype.is_numeric() or first.dtype == pl.String else None
    is_count = first.dtype.is_numeric() or (number is not None and of.time_format is None)
    if is_count and not of.time_kind.startswith("epoch"):
        raise SourceError(
            f"{where}: column {asked} holds numbers and time_kind is {of.time_kind}",
            mend="set time_kind to epoch_s or epoch_ms",
        )
    if of.time_kind.startswith("epoch"):
        seconds = None if number is None else number / (1.0 if of.time_kind == "epoch_s" else 1000.0)
        if seconds is None or not _EARLIEST_S < seconds < _LATEST_S:
            kinds = "timestamp or text" if number is None else "epoch_ms" if number > _LATEST_S else "epoch_s"
            raise SourceError(
                f"{where}: what column {asked} holds is no {of.time_kind}", mend=f"set time_kind to {kinds}"
            )


def _query(
    of: SqlTable, asked: str | None, start: datetime, end: datetime, driver: str
) -> tuple[str, tuple[object, ...]]:
    text = f"select * from {_quoted(of.table)}"
    if asked is None:
        return text, ()
    where, parameters = _between(of, asked, start, end, driver)
    if of.changed_column is not None:  # by their times they would no longer tell how they were written
        where += f" order by {_quoted(asked)}"
    return text + where, parameters


def _between(
    of: SqlTable, asked: str, start: datetime, end: datetime, driver: str
) -> tuple[str, tuple[object, object]]:
    marks = ("$1", "$2") if driver == "postgresql" else ("?", "?")
    column = _quoted(asked)
    parameters = _asked(start, of, driver, is_end=False), _asked(end, of, driver, is_end=True)
    return f" where {column} >= {marks[0]} and {column} < {marks[1]}", parameters


def _instant(value: object, of: SqlTable) -> datetime | None:
    """When a value of a column of times is, to a day; None where it cannot be read as a time of its kind."""
    try:
        if of.time_kind.startswith("epoch"):
            seconds = float(str(value)) / (1.0 if of.time_kind == "epoch_s" else 1000.0)
            return datetime.fromtimestamp(seconds, UTC) if _EARLIEST_S < seconds < _LATEST_S else None
        form = date_form(of.time_format) or "%Y-%m-%d"
        written = value.strftime(form) if isinstance(value, date) else str(value)
        return datetime.strptime(written[: len(f"{_A_DAY:{form}}")], form).replace(tzinfo=UTC)
    except ValueError:
        return None


def _asked(instant: datetime, of: SqlTable, driver: str, *, is_end: bool) -> object:
    """An instant as the table writes them; of text, the whole day: how the rest of it is written is never sure."""
    instant = instant.astimezone(UTC)
    if of.time_kind == "epoch_s":
        return int(instant.timestamp())
    if of.time_kind == "epoch_ms":
        return int(instant.timestamp() * 1000)
    local = instant.astimezone(ZoneInfo(of.timezone))
    if of.time_kind == "text" or driver == "sqlite":  # SQLite knows no times, only text
        is_zoned = of.time_format is not None and (of.time_format == "iso_zoned" or "%z" in of.time_format)
        days = (1 if is_end else 0) + (0 if not is_zoned else 1 if is_end else -1)
        return (local + timedelta(days=days)).strftime(date_form(of.time_format) or "%Y-%m-%d")
    return local.replace(tzinfo=None) if of.timezone != "UTC" else instant


def _form(of: SqlTable) -> str | None:
    return of.time_kind if of.time_kind.startswith("epoch") else of.time_format


def _quoted(name: str) -> str:
    """A name, perhaps with a schema in front, as SQL identifiers."""
    return ".".join('"' + step.replace('"', '""') + '"' for step in name.split("."))


def _values(frame: pl.DataFrame, of: SqlTable, config: SqlConfig, where: str) -> Fetched:
    """Values of tags in the columns of `VALUES`, from a narrow or a wide table."""
    time = str(of.time_column)
    told = {time: "time_column"} | ({of.quality_column: "quality_column"} if of.quality_column else {})
    if of.layout == "narrow":
        told |= {of.tag_column: "tag_column", of.value_column: "value_column"}
    _require(frame, told, where)
    if of.layout == "wide":
        tags = [tag.tag for tag in _tags(config, [one for one in frame.columns if one not in told])]
        _require(frame, dict.fromkeys(tags, "tag"), where)
        if not tags:
            raise SourceError(
                f"{where}: no column is a tag (there are: {', '.join(frame.columns)})",
                mend="mend form and signals of tag_forms, or the tag map",
            )
        frame = frame.unpivot(tags, index=[time, *([of.quality_column] if of.quality_column else [])])
        frame = frame.rename({"variable": "tag"}).filter(pl.col("value").is_not_null())
        tag_column, value_column = "tag", "value"
    else:
        tag_column, value_column = of.tag_column, of.value_column
    quality = pl.lit("good") if of.quality_column is None else _quality(pl.col(of.quality_column), config)
    raw = frame.select(
        pl.col(tag_column).cast(pl.String).alias("tank_id"),
        pl.col(time).alias("ts"),
        pl.col(value_column).alias("level_mm"),
        quality.alias("quality"),
    )
    # The times and numbers of a value are read as those of any row are; the tag stands in the place of the tank.
    mapped = Mapped(columns={"quality": Column(column="quality")}, timezone=of.timezone, time_format=_form(of))
    read = to_contract("readings", raw, mapped, where=where)
    rows = read.rows.select(pl.col("tank_id").alias("tag"), "ts", pl.col("level_mm").alias("value"), "quality")
    odd = ~pl.col("quality").is_in(QUALITIES).fill_null(False) | pl.col("ts").is_null()
    return Fetched(rows.filter(~odd).cast(VALUES), pl.concat([read.refused, _odd(rows.filter(odd), of)]))


def _tags(config: SqlConfig, names: Iterable[str]) -> list[Tag]:
    """What its tags are: those of the map, and those of some names that fit a form."""
    return named(names, tags_of(config.tags, config.tag_file), config.tag_forms)


def _odd(rows: pl.DataFrame, of: SqlTable) -> pl.DataFrame:
    if rows.is_empty():
        return REFUSED.to_frame()
    told = [json.dumps(row, default=str) for row in rows.iter_rows(named=True)]
    reasons = ["ts_missing" if row is None else "quality_unknown" for row in rows["ts"]]
    return pl.DataFrame({"table": ["readings"] * len(told), "row": told, "reason": reasons}, schema=REFUSED)


def _quality(code: pl.Expr, config: SqlConfig) -> pl.Expr:
    if config.quality == "words":
        return code.cast(pl.String).replace(config.quality_words)
    read = opc_da_quality if config.quality == "opc_da" else opc_ua_quality
    return code.cast(pl.Int64).map_elements(read, return_dtype=pl.String)


def _require(frame: pl.DataFrame, named: Mapping[str, str], where: str) -> None:
    """Raise where the table has not a column, by the setting that names it."""
    for name, setting in named.items():
        if name not in frame.columns:
            raise SourceError(
                f"{where}: there is no column {name!r} (there are: {', '.join(frame.columns)})",
                mend="mend it in the tag map" if setting == "tag" else f"set {setting} to one of them",
            )
