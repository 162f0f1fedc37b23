"""Values of a historian's tags → readings of tanks and totals of meters.

A reading is what the tags of a tank say at one instant, and as good as the worst of them. With `hold_s`, the level's
instants alone make readings, and another tag's last value holds for so long.
"""

from collections.abc import Sequence
from datetime import timedelta
from typing import Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.vocabulary import QUALITIES
from pipeline.sources.measures import API, converted, densities_from_60
from pipeline.sources.source import REFUSED, Fetched, nothing
from pipeline.sources.table_config import Tag

VALUES: Final = pl.Schema(
    {"tag": pl.String(), "ts": pl.Datetime("us", "UTC"), "value": pl.Float64(), "quality": pl.String()}
)
"""Columns of a historian's values, their quality one of the contract's words."""

TAG_UNKNOWN: Final = "tag_unknown"
"""Reason of a value whose tag the map does not know."""

_COLUMNS: Final = ("level_mm", "water_mm", "temp_c", "density_kg_m3")


def from_tags(table: str, values: pl.DataFrame, tags: Sequence[Tag], *, hold_s: float = 0.0) -> Fetched:
    """Return the contract's rows of `readings` or `meter_totals` from values of tags in the columns of `VALUES`.

    A value of a tag that the map does not know is refused, and so is a total that is not good.
    """
    known = [tag for tag in tags if tag.table == table]
    of = pl.DataFrame(
        {
            "tag": [tag.tag for tag in known],
            "_id": [tag.meter_id if table == "meter_totals" else tag.tank_id for tag in known],
            "_column": [tag.column for tag in known],
            "_unit": [tag.unit for tag in known],
        },
        schema=pl.Schema(dict.fromkeys(("tag", "_id", "_column", "_unit"), pl.String())),
    )
    told = values.unique(maintain_order=True).join(of, on="tag", how="inner", maintain_order="left")
    units = {tag.unit for tag in known if tag.unit}
    if units:
        value = pl.col("value")
        told = told.with_columns(
            value=pl.coalesce(
                *(pl.when(pl.col("_unit") == unit).then(converted(value, unit)) for unit in sorted(units)),
                pl.when(pl.col("_unit").is_null()).then(value),
            )
        )
    strangers = _strangers(table, values, tags)
    if told.is_empty():
        return Fetched(nothing(table).rows, strangers)
    if table == "meter_totals":
        return _totals(told, strangers)
    rows = _held(told, hold_s) if hold_s else _at_once(told)
    by_gravity = pl.col("tank_id").is_in([tag.tank_id for tag in known if tag.unit == API])
    at_temp = densities_from_60(rows, ["density_kg_m3"])["density_kg_m3"]
    return Fetched(
        rows.with_columns(density_kg_m3=pl.when(by_gravity).then(at_temp).otherwise("density_kg_m3")), strangers
    )


def _strangers(table: str, values: pl.DataFrame, tags: Sequence[Tag]) -> pl.DataFrame:
    odd = values.filter(~pl.col("tag").is_in([tag.tag for tag in tags])).unique(
        ["tag"], keep="first", maintain_order=True
    )
    return _refused(table, odd, TAG_UNKNOWN)


def _refused(table: str, rows: pl.DataFrame, reason: str) -> pl.DataFrame:
    if rows.is_empty():
        return REFUSED.to_frame()
    row = rows.select(pl.struct(list(VALUES)).struct.json_encode()).to_series()
    return pl.DataFrame({"table": [table] * len(row), "row": row, "reason": [reason] * len(row)}, schema=REFUSED)


def _totals(told: pl.DataFrame, strangers: pl.DataFrame) -> Fetched:
    good = (pl.col("quality") == "good") & pl.col("value").is_not_null()
    rows = told.filter(good).select(pl.col("_id").alias("meter_id"), "ts", pl.col("value").alias("total_l"))
    bad = _refused("meter_totals", told.filter(~good), "total_not_good")
    return Fetched(rows.cast(polars_schema(LAKE_TABLES["meter_totals"])), pl.concat([strangers, bad]))


def _rank(quality: pl.Expr) -> pl.Expr:
    return quality.replace_strict(QUALITIES, range(len(QUALITIES)), return_dtype=pl.Int8)


def _word(rank: pl.Expr) -> pl.Expr:
    return rank.replace_strict(range(len(QUALITIES)), QUALITIES, return_dtype=pl.String)


def _at_once(told: pl.DataFrame) -> pl.DataFrame:
    """One row an instant; where a tag said several things at one instant, one row for each."""
    told = told.with_columns(_rank=_rank(pl.col("quality"))).sort("_id", "ts", "_column", "_rank", "value")
    nth = pl.int_range(pl.len()).over("_id", "ts", "_column").alias("_nth")
    wide = (
        told.with_columns(nth)
        .group_by("_id", "ts", "_nth", maintain_order=True)
        .agg(
            *(pl.col("value").filter(pl.col("_column") == name).first().alias(name) for name in _COLUMNS),
            pl.col("_rank").max(),
        )
    )
    return _readings(wide)


def _held(told: pl.DataFrame, hold_s: float) -> pl.DataFrame:
    told = told.with_columns(_rank=_rank(pl.col("quality"))).sort("ts")
    rows = told.filter(pl.col("_column") == "level_mm").select("_id", "ts", pl.col("value").alias("level_mm"), "_rank")
    for name in _COLUMNS[1:]:
        other = told.filter(pl.col("_column") == name).select(
            "_id", "ts", pl.col("value").alias(name), pl.col("_rank").alias("_other")
        )
        rows = rows.join_asof(
            other, on="ts", by="_id", strategy="backward", tolerance=timedelta(seconds=hold_s), check_sortedness=False
        )
        rows = rows.with_columns(_rank=pl.max_horizontal("_rank", "_other")).drop("_other")
    return _readings(rows.sort("_id", "ts"))


def _readings(wide: pl.DataFrame) -> pl.DataFrame:
    rows = wide.select(pl.col("_id").alias("tank_id"), "ts", *_COLUMNS, _word(pl.col("_rank")).alias("quality"))
    return rows.cast(polars_schema(LAKE_TABLES["readings"]))


def opc_ua_quality(status: int) -> str:
    """Quality that an OPC UA status code says by its two highest bits (OPC 10000-4, 7.39): 00 good, 01 uncertain.

    >>> opc_ua_quality(0), opc_ua_quality(0x40000000), opc_ua_quality(0x80000000)
    ('good', 'uncertain', 'bad')
    """
    return ("good", "uncertain", "bad", "bad")[(status >> 30) & 3]


def opc_da_quality(code: int) -> str:
    """Quality that a classic OPC quality byte says by its two highest bits: 11 good, 01 uncertain, else bad.

    >>> opc_da_quality(192), opc_da_quality(64), opc_da_quality(8)
    ('good', 'uncertain', 'bad')
    """
    return ("bad", "uncertain", "bad", "good")[(code >> 6) & 3]
