"""Which columns of a tank, and which totals of a meter, say nothing any more while others of their source do."""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Final

import polars as pl

from pipeline.sources.config import OpcuaConfig, SourceConfig, SqlConfig
from pipeline.sources.tag_map import tags_of

Heard = dict[str, tuple[str, float]]
"""When each was heard last, in ISO 8601, and its longest silence seen so far [h]; by `T1 level_mm`."""

FORGET: Final = timedelta(days=35)
"""What has been silent for longer than this, against the others, is no longer waited for."""
TIMES: Final = 2.0
"""So many times its longest silence seen so far is more than usual. No source."""

_SERIES: Final = {
    "readings": ("tank_id", ("level_mm", "water_mm", "temp_c", "density_kg_m3")),
    "meter_totals": ("meter_id", ("total_l",)),
}


def heard_with(before: Mapping[str, tuple[str, float]], table: str, rows: pl.DataFrame) -> Heard:
    """What was heard until now, and in further rows of `readings` or `meter_totals`; of other tables, nothing."""
    found = {name: (last, longest_h) for name, (last, longest_h) in before.items()}
    if table not in _SERIES:
        return found
    key, columns = _SERIES[table]
    there = [pl.col("ts").filter(pl.col(column).is_not_null()) for column in columns]
    ends = [end for ts, column in zip(there, columns, strict=True) for end in _ends(ts, column)]
    for row in rows.group_by(key).agg(ends).iter_rows(named=True):
        for column in columns:
            first, last = row[f"{column} first"], row[f"{column} last"]
            if first is None or row[key] is None:
                continue
            was, longest_h = found.get(name := f"{row[key]} {column}", (first.isoformat(), 0.0))
            known = datetime.fromisoformat(was)
            longest_h = max(longest_h, (first - known).total_seconds() / 3600.0)
            found[name] = (max(known, last).isoformat(), longest_h)
    return found


def _ends(ts: pl.Expr, column: str) -> list[pl.Expr]:
    return [ts.min().alias(f"{column} first"), ts.max().alias(f"{column} last")]


def silent(heard: Mapping[str, tuple[str, float]], table: str, config: SourceConfig, after_hours: float) -> list[str]:
    """A line about each that has been silent for longer than `after_hours`, and than ever, against the newest of all.

    A tank that says nothing at all is told of as not fresh, and not here.
    """
    last = {name: datetime.fromisoformat(was) for name, (was, _) in heard.items()}
    newest = max(last.values(), default=None)
    if newest is None:
        return []
    limits = {name: timedelta(hours=max(after_hours, TIMES * longest_h)) for name, (_, longest_h) in heard.items()}
    gone = {name: was for name, was in last.items() if limits[name] < newest - was < FORGET}
    speaking = {name.rpartition(" ")[0] for name in last if name not in gone}
    return [
        f"{config.name} {table} {name}{tag}: nothing since {was:%Y-%m-%d %H:%M} UTC, while others of the source spoke"
        for name, was, tag in _with_tags(gone, config)
        if table == "meter_totals" or name.rpartition(" ")[0] in speaking
    ]


def _with_tags(gone: Mapping[str, datetime], config: SourceConfig) -> Iterator[tuple[str, datetime, str]]:
    """Each with the tag that it comes from, where it comes from one."""
    tags = {}
    if gone and isinstance(config, SqlConfig | OpcuaConfig):
        tags = {f"{one.tank_id or one.meter_id} {one.column}": one.tag for one in tags_of(config.tags, config.tag_file)}
    for name, was in sorted(gone.items()):
        yield name, was, f" (tag {tags[name]})" if name in tags else ""
