"""Every source read dry: one window of each table, to the contract, and nothing written.

What ails is said a line each, with how to mend just that.
"""

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

import polars as pl

from pipeline.contract.lake import LAKE_TABLES, OPTIONAL_TABLES, REFERENCES, TIME_COLUMNS
from pipeline.errors import SourceError, TankdriftError
from pipeline.intake import AHEAD, PART, Registry, admit
from pipeline.lake import READ_TABLES
from pipeline.sources.by_kind import source_of
from pipeline.sources.config import LakeConfig, ModbusConfig, OpcuaConfig, SourceConfig, SqlConfig
from pipeline.sources.landing import Landing
from pipeline.sources.losses import empty_levels, require_files, require_readable, was_read
from pipeline.sources.modbus import ModbusSource
from pipeline.sources.secrets import hidden, in_short
from pipeline.sources.source import STANDING, Arriving, Fetched, Source, nothing
from pipeline.sources.table_config import Tag
from pipeline.sources.tag_map import tags_of
from pipeline.sources.tags import TAG_UNKNOWN

WINDOW: Final = timedelta(days=1)
"""So much of a source is read that is asked by time; of one that is made of files, its newest file of each table."""

KEYS: Final = {"sites": "site_id", "tanks": "tank_id", "meters": "meter_id"}
"""Tables that others name, and by which column."""

Ailment = tuple[str, str]
"""What is amiss, and how to mend it."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What is let pass: so many rows refused of a table, nothing later, and a newest row not before `earliest`."""

    refused_pct: float
    latest: datetime
    earliest: datetime


@dataclass(slots=True)
class DryRun:
    """What reading a source dry came to: rows by table, and what ails; `tables` is None where they cannot be told."""

    config: SourceConfig
    tables: Sequence[str] | None = None
    tags: Sequence[Tag] = ()
    seconds: float = 0.0
    told: dict[str, Fetched] = field(default_factory=dict)
    ailments: list[Ailment] = field(default_factory=list)

    @property
    def said(self) -> str:
        """Rows of each table, in words."""
        what = "in its newest file" if self.config.kind in ("files", "lake") else "in a day"
        return ", ".join(f"{told.rows.height:,} {table} {what}" for table, told in self.told.items())


def read_dry(config: SourceConfig, lake: Landing, *, now: datetime) -> DryRun:
    """Read a window of every table of a source; `lake` tells what was read of it before."""
    found = DryRun(config)
    began = time.monotonic()
    try:
        source = source_of(config)
        found.tables = tables = source.tables
        if isinstance(config, SqlConfig | OpcuaConfig):
            found.tags = tags_of(config.tags, config.tag_file)
        if isinstance(source, ModbusSource):
            found.told = source.rows(_asked_once(source, now))
        else:
            source.check()
    except Exception as error:  # whatever a driver raises is a finding
        found.ailments.append(_ailment(config, error))
        return found
    for table in tables if not isinstance(config, ModbusConfig) else ():
        try:
            found.told[table] = _window(source, table, now, is_read=was_read(lake.marks(config.name), config, table))
        except Exception as error:
            ailment = _ailment(config, error)
            found.ailments += [] if ailment in found.ailments else [ailment]
    if isinstance(source, Arriving) and isinstance(config, LakeConfig) and not found.ailments:
        found.tables = [table for table in tables if source.files(table)]  # a lake may leave some out
    found.seconds = time.monotonic() - began
    return found


def _asked_once(source: ModbusSource, now: datetime) -> Sequence[tuple[str, datetime, float | None, str]]:
    with source.opened() as client:
        answers = source.ask(client, now)
    if all(value is None for _, _, value, _ in answers):
        raise SourceError(
            f"{source.name}: not one register holds a number",
            mend="see address, kind, type and device_id of its registers",
        )
    return answers


def _window(source: Source, table: str, now: datetime, *, is_read: bool) -> Fetched:
    if isinstance(source, Arriving):
        names = list(source.files(table))
        require_files(names, table, source.name, is_read=is_read)
        if not names:
            return nothing(table)
        told = source.read(table, names[-1])
    else:
        told = source.fetch(table, now.astimezone(UTC) - WINDOW, now)
    require_readable(told, table, source.name)
    return told


def _ailment(config: SourceConfig, error: Exception) -> Ailment:
    if isinstance(error, SourceError) and error.mend is not None:
        return hidden(error.said), error.mend
    said = str(error) if isinstance(error, TankdriftError | OSError) else f"{type(error).__name__}: {in_short(error)}"
    where = {
        "lake": "place", "files": "place and pattern", "sql": "address", "opcua": "address, user and password",
        "modbus": "host and port",
    }[config.kind]  # fmt: skip
    return hidden(said), f"see {where} of [[sources]] {config.name}, and whether network and rights let this machine in"


def known_ids(runs: Sequence[DryRun], lake: Mapping[str, set[str]]) -> dict[str, list[str]]:
    """Sites, tanks and meters by the column of their key: those that a source tells, and those of the lake."""
    found = {key: set(lake.get(key, ())) for key in KEYS.values()}
    for run in runs:
        for table, key in KEYS.items():
            if table in run.told:
                found[key] |= set(run.told[table].rows[key].drop_nulls().to_list())
    return {key: sorted(names) for key, names in found.items()}


def untold(runs: Sequence[DryRun], lake: Landing) -> Iterator[str]:
    """Tables that a lake must have, and that it has not and no source tells."""
    if any(run.tables is None for run in runs):
        return
    told = {table for run in runs for table in run.tables or ()}
    for table in READ_TABLES:
        is_there = any((lake.lake / name).exists() for name in (table, f"{table}.parquet"))
        if table not in (*told, *OPTIONAL_TABLES) and not is_there:
            yield table


def told_otherwise(run: DryRun, runs: Sequence[DryRun]) -> Iterator[Ailment]:
    """What a source before this one tells otherwise under the same keys: of two such rows one is refused."""
    for other in runs[: next(number for number, one in enumerate(runs) if one is run)]:
        for table in run.told.keys() & other.told.keys():
            own, others = run.told[table].rows, other.told[table].rows
            twice = own.join(others, on=LAKE_TABLES[table].primary_key(), how="semi")
            unlike = twice.join(others, on=own.columns, how="anti", nulls_equal=True).height
            if unlike:
                said = f"{run.config.name}: {unlike:,} rows of {table} are told otherwise by {other.config.name}"
                yield said, f"take {table}, or these tanks and meters, out of one of the two"


def judged(run: DryRun, known: Mapping[str, Sequence[str]], limits: Limits) -> Iterator[Ailment]:
    """What ails a source's rows by the lake's contract, and of their times and tags."""
    for table, told in run.told.items():
        yield from _missing(run, table, told, limits.earliest)
        empty = empty_levels(
            table, told.rows.height, told.rows["level_mm"].count() if table == "readings" else 0, run.config.name
        )
        if empty:
            yield empty, "see the column of level_mm, or the tags"
        if table == "readings" and told.rows.is_empty() and told.refused.is_empty():
            yield (
                f"{run.config.name}: no reading came within a day",
                "see whether gauges still write there, and the zone and kind of the times",
            )
        yield from _silent(run, told) if table == "readings" else ()
        strangers = told.refused.filter(pl.col("reason") == TAG_UNKNOWN)["row"]
        if told.rows.is_empty() and len(strangers):
            yield (
                f"{run.config.name}: none of the tags that came for {table} is in the tag map, such as {strangers[0]}",
                "see tag_file, tags and tag_forms of the source",
            )
        if told.missed is not None:
            said, _, mend = told.missed.rpartition("; ")
            yield said or told.missed, mend
        yield from _refused(run.config.name, table, told, known, limits)


def _missing(run: DryRun, table: str, told: Fetched, earliest: datetime) -> Iterator[Ailment]:
    """A table of the registry that is empty, and files that bring nothing new."""
    if table in STANDING and told.rows.is_empty():
        yield f"{run.config.name}: {table} has no row", "put its rows there again; until then what was known is kept"
    newest = told.rows[TIME_COLUMNS[table]].max() if table in ("readings", "sales") else None
    if run.config.kind == "files" and isinstance(newest, datetime) and newest < earliest:
        said = f"{run.config.name}: the newest file of {table} tells of nothing after {newest:%Y-%m-%d %H:%M} UTC"
        yield said, "see time_format and timezone, unless the file is of old days"


def _silent(run: DryRun, told: Fetched) -> Iterator[Ailment]:
    """Tags of levels of which nothing came, while others told something."""
    heard = set(told.rows.group_by("tank_id").agg(pl.col("level_mm").count()).filter(pl.col("level_mm") > 0)["tank_id"])
    tags = [tag.tag for tag in run.tags if tag.column == "level_mm" and tag.tank_id not in heard]
    if tags and len(tags) < sum(tag.column == "level_mm" for tag in run.tags):
        more = f" (and {len(tags) - 1} more tags)" if len(tags) > 1 else ""
        yield f"{run.config.name}: tag {tags[0]} told nothing within a day{more}", "mend the tag map, or see its gauge"


def _refused(
    name: str, table: str, told: Fetched, known: Mapping[str, Sequence[str]], limits: Limits
) -> Iterator[Ailment]:
    own = {
        key: list(known[key]) or told.rows[key].drop_nulls().unique().to_list() if key in told.rows.columns else []
        for key in REFERENCES.get(table, ())
    }
    registry = Registry(latest=limits.latest, known=own, refused={key: [] for key in own})
    admitted = admit(table, told.rows.with_columns(pl.lit(None, pl.Date).alias(PART)), registry)
    refused = pl.concat([told.refused.filter(pl.col("reason") != TAG_UNKNOWN), admitted.refused.drop(PART)])
    read = told.rows.height + told.refused.height
    if refused.height * 100.0 <= limits.refused_pct * read:
        return
    first = refused["reason"].value_counts(sort=True)["reason"][0]
    row = hidden(refused.filter(pl.col("reason") == first)["row"][0])[:200]
    said = f"{name}: {refused.height:,} of {read:,} rows of {table} would be refused, most for {first}, such as {row}"
    yield said, _mend(table, first.partition(", ")[0])


def _mend(table: str, reason: str) -> str:
    if reason == AHEAD:
        return "see time_format and timezone, and the clock of who wrote them"
    column = reason.rpartition("_")[0]
    if reason.endswith("_unreadable"):
        return f"see unit, words, decimal and time_format of {column} under [sources.tables.{table}]"
    if column in KEYS.values():
        whose = next(name for name, key in KEYS.items() if key == column)
        return f"mend {column} in the source or tag map, or add it to {whose}; no source's {whose} names it"
    columns = LAKE_TABLES[table].columns()
    named = next((name for name in columns if reason.startswith(name)), None)
    return f"see {f'column {named}' if named else 'the rules'} of {table} in shared/data_dictionary.md"
