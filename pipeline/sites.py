"""A lake's tables, site by site: what loads them needs no analysis, and what analyses them no store."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import polars as pl

Tables = dict[str, pl.DataFrame]


def site_tables(tables: Mapping[str, pl.DataFrame]) -> Iterator[Tables]:
    """Each site's rows of every table, in order of the site's identifier; sites without tanks are passed over."""
    by_tank = {name: _split(tables[name], "tank_id") for name in ("readings", "strapping", "deliveries")}
    by_meter = {name: _split(tables[name], "meter_id") for name in ("sales", "meter_totals", "meter_feeds")}
    for site_id in sorted(tables["sites"]["site_id"].to_list()):
        here = pl.col("site_id") == site_id
        tanks, meters = tables["tanks"].filter(here), tables["meters"].filter(here)
        if not tanks.height:
            continue
        names = tanks["tank_id"].to_list()
        one: Tables = {"sites": tables["sites"].filter(here), "tanks": tanks, "meters": meters}
        one["events"] = tables["events"].filter(here)
        for name, parts in by_tank.items():
            one[name] = _joined(parts, names, tables[name])
        for name, parts in by_meter.items():
            one[name] = _joined(parts, meters["meter_id"].to_list(), tables[name])
        yield one


def _split(frame: pl.DataFrame, column: str) -> dict[str, pl.DataFrame]:
    return {str(key[0]): part for key, part in frame.partition_by(column, as_dict=True).items()}


def _joined(parts: Mapping[str, pl.DataFrame], names: list[str], like: pl.DataFrame) -> pl.DataFrame:
    found = [parts[name] for name in sorted(names) if name in parts]
    return pl.concat(found) if found else like.clear()
