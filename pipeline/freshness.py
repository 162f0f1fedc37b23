"""How old the newest data is, tank by tank and site by site, from the lake's last days."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.lake import REGISTRY_TABLES, Part, find_parts, read_files

LOOK_BACK: Final = timedelta(days=35)
"""What has been silent for longer than this has no newest row here."""

AHEAD: Final = timedelta(minutes=15)
"""A row later than the clock by more than this is one of a clock that runs ahead (common practice, no source)."""

FRESHNESS: Final = pl.Schema(
    {
        "site_id": pl.String(),
        "tank_id": pl.String(),
        "what": pl.String(),
        "last": pl.Datetime("us", "UTC"),
        "age_hours": pl.Float64(),
        "state": pl.String(),
    }
)
"""A row a tank's `readings`, and one a site's `sales` (tank null); `state` is `fresh`, `stale`, `silent` or `ahead`."""


def freshness(lake: Path, *, now: datetime, stale_after_hours: float) -> pl.DataFrame:
    """Return rows of `FRESHNESS`, the worst first.

    Raises
    ------
    LakeError
        If the lake is unusable.
    """
    parts = find_parts(lake, tables=[*REGISTRY_TABLES, "readings", "sales"])
    known = {name: read_files(lake, name, _of(parts, name))[0].unique() for name in REGISTRY_TABLES}
    since = (now - LOOK_BACK).date()
    readings = _newest(lake, parts, "readings", "tank_id", "ts", since)
    sales = _newest(lake, parts, "sales", "meter_id", "ts_end", since)
    tanks = known["tanks"].select("site_id", "tank_id").join(readings, on="tank_id", how="left")
    sold = known["meters"].select("site_id", "meter_id").join(sales, on="meter_id", how="left")
    sites = sold.group_by("site_id").agg(pl.col("last").max())
    every = pl.concat(
        [
            tanks.select("site_id", "tank_id", pl.lit("readings").alias("what"), "last"),
            sites.select("site_id", pl.lit(None, pl.String).alias("tank_id"), pl.lit("sales").alias("what"), "last"),
        ]
    )
    age = (pl.lit(now) - pl.col("last")).dt.total_seconds() / 3600.0
    state = (
        pl.when(pl.col("last").is_null())
        .then(pl.lit("silent"))
        .when(age < -AHEAD.total_seconds() / 3600.0)
        .then(pl.lit("ahead"))
        .when(age > stale_after_hours)
        .then(pl.lit("stale"))
        .otherwise(pl.lit("fresh"))
    )
    found = every.with_columns(age_hours=age, state=state).select(FRESHNESS.names()).cast(FRESHNESS)
    worst = pl.col("state").replace_strict(["silent", "stale", "ahead", "fresh"], range(4), return_dtype=pl.Int8)
    return found.sort(worst, "site_id", "what", "tank_id", nulls_last=True)


def all_silent(found: pl.DataFrame, stale_after_hours: float) -> list[str]:
    """A line where not one tank has fresh readings: then it is no gauge that fails, but how they are fetched."""
    readings = found.filter(pl.col("what") == "readings")
    if readings.is_empty() or (readings["state"].is_in(["fresh", "ahead"])).any():
        return []
    last = readings["last"].max()
    since = f"since {last:%Y-%m-%d %H:%M} UTC" if isinstance(last, datetime) else "for 35 days"
    return [
        f"not one of {readings.height} tanks has told anything {since} (stale_after_hours is {stale_after_hours:g}); "
        "see whether what the sources are asked for still comes"
    ]


def _of(parts: list[Part], table: str) -> list[Part]:
    return [part for part in parts if part.table == table]


def _newest(lake: Path, parts: list[Part], table: str, key: str, column: str, since: date) -> pl.DataFrame:
    recent = [part for part in _of(parts, table) if part.day is None or part.day >= since]
    each = [read_files(lake, table, [part])[0].group_by(key).agg(pl.col(column).max().alias("last")) for part in recent]
    empty = pl.DataFrame(schema={key: pl.String(), "last": pl.Datetime("us", "UTC")})
    return pl.concat([empty, *each]).group_by(key).agg(pl.col("last").max())


def not_fresh(found: pl.DataFrame) -> Iterator[str]:
    """A line about each row that is not fresh."""
    for row in found.filter(pl.col("state") != "fresh").iter_rows(named=True):
        whose = f"{row['site_id']} {row['tank_id'] or ''}".strip()
        last = "none in 35 days" if row["last"] is None else f"last {row['last']:%Y-%m-%d %H:%M} UTC"
        yield f"{whose}: {row['what']} {row['state']}, {last}"
