"""What is let in of a lake's rows, what is refused, and why. Frames in, frames out.

The order is fixed: rules of one row → references → doubles and keys → rules of rows together. Nothing is lost: a row is
kept, refused with its reasons, or the exact double of one that is. Nothing depends on the order in which rows come.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import polars as pl

from pipeline.contract.dictionary import polars_schema, row_rules
from pipeline.contract.lake import GROUP_RULES, HAPPENED, KEPT_FIRST, LAKE_TABLES, REFERENCES, TIME_COLUMNS
from pipeline.contract.store import Refused

PART: Final = "_part"
"""Column beside the contract's: the UTC day of the folder that a row was read from, null outside such a folder."""

REFUSED_SCHEMA: Final = polars_schema(Refused)

AHEAD: Final = "ahead_of_clock"
"""Reason of a row that speaks of an instant which is yet to come."""

LONE: Final = "far_from_the_rest"
"""Reason of a reading whose time is half a year or more from that of nearly all others of its tank."""

_FAR: Final = timedelta(days=180)
_LONE_SHARE: Final = 0.05
_LONE_DAYS: Final = 2
_LONE_ROWS: Final = 12
"""An island in time is a clock's mistake where it is small: a clock that was reset tells old times until it is set
again, but new times after a long silence are a tank that is back, unless they are a few rows. Common practice, no
source."""

BEYOND_TANK: Final = "volume_l_within_tank"
"""Reason of a chart's row that holds more than its tank."""

_OVER_CAPACITY: Final = 1.1
"""A chart may give so many times the stated capacity, which is often rounded and seldom the brim. No source."""

SAME_KEY: Final = "same_key_other_content"
"""Reason of a row whose key another row has, with other content."""


@dataclass(frozen=True, slots=True)
class Admitted:
    """What became of a table's rows: `rows` is let in, `refused` is not, what is in neither is an exact double.

    `rows` has the contract's columns and `PART`, ordered by key; `refused` has `REFUSED_SCHEMA`; `read` has the number
    of rows read of each `PART`.
    """

    table: str
    rows: pl.DataFrame
    refused: pl.DataFrame
    read: pl.DataFrame

    @property
    def rows_read(self) -> int:
        """How many rows were read."""
        return int(self.read["read"].sum())

    @property
    def doubles(self) -> int:
        """How many rows were exact doubles of others."""
        return self.rows_read - self.rows.height - self.refused.height

    def beside(self, refused: pl.DataFrame) -> "Admitted":
        """The same with more that was refused, each of which counts as a row read."""
        more = refused.group_by(PART).agg(pl.len().cast(pl.Int64).alias("read"))
        read = pl.concat([self.read, more]).group_by(PART).agg(pl.col("read").sum())
        return replace(self, refused=pl.concat([self.refused, refused]), read=read)

    def counts(self) -> pl.DataFrame:
        """Rows `read` and `doubles` among them, by `PART`."""
        kept = pl.concat([self.rows.select(PART), self.refused.select(PART)]).group_by(PART).len("kept")
        counts = self.read.join(kept, on=PART, how="left", nulls_equal=True)
        return counts.select(PART, "read", doubles=pl.col("read") - pl.col("kept").fill_null(0))


@dataclass(slots=True)
class Registry:
    """The sites, tanks and meters that rows may name: those let in, and those refused, by the column of their key.

    `latest` is the last instant that anything can have happened at, by the run's own clock; null asks nothing.
    `capacity_l` is what each tank that was let in is said to hold.
    """

    latest: datetime | None = None
    known: dict[str, list[str]] = field(default_factory=dict)
    refused: dict[str, list[str]] = field(default_factory=dict)
    capacity_l: dict[str, float] = field(default_factory=dict)

    def add(self, key: str, admitted: Admitted, rows: pl.DataFrame) -> None:
        """Take in the keys of a table that was read as `rows`, and what each tank holds."""
        if key == "tank_id":
            self.capacity_l = dict(admitted.rows.select("tank_id", "capacity_l").iter_rows())
        self.known[key] = sorted(admitted.rows[key].to_list())
        self.refused[key] = sorted(set(rows[key].drop_nulls().to_list()) - set(self.known[key]))


def admit(table: str, frame: pl.DataFrame, registry: Registry) -> Admitted:
    """Return what is let in of a table of the lake.

    Parameters
    ----------
    table : str
        Name of the table in the lake contract.
    frame : DataFrame
        The contract's columns in the contract's types, and `PART`.
    registry : Registry
        The sites, tanks and meters known so far.
    """
    rules = dict(row_rules(LAKE_TABLES[table]))
    together: dict[str, pl.Expr] = {name: rules.pop(name) for name in GROUP_RULES if name in rules}
    if table == "strapping" and registry.capacity_l:
        together[BEYOND_TANK] = _within_tank(registry)
    alone = rules | _reference_rules(table, registry)
    if registry.latest is not None and table in HAPPENED:
        alone[AHEAD] = pl.col(TIME_COLUMNS[table]) <= registry.latest

    good, bad = _split(table, frame, alone)
    good, conflicts = _one_a_key(table, good)
    refused = [bad, conflicts]
    for name, rule in together.items():
        good, bad = _split(table, good, {name: rule})
        refused.append(bad)
    read = frame.group_by(PART).agg(pl.len().cast(pl.Int64).alias("read"))
    return Admitted(table, good, pl.concat(refused), read)


def _split(table: str, frame: pl.DataFrame, rules: Mapping[str, pl.Expr]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows that keep all rules, and those that break one, as refused."""
    if not rules or frame.is_empty():
        return frame, REFUSED_SCHEMA.to_frame()
    kept = {name: rule.fill_null(True) for name, rule in rules.items()}
    # Nearly every frame breaks nothing; one pass that only aggregates costs a twentieth of the masks.
    whole = frame.select(rule.all().alias(name) for name, rule in kept.items()).row(0, named=True)
    broken = [name for name, holds in whole.items() if not holds]
    if not broken:
        return frame, REFUSED_SCHEMA.to_frame()
    reasons = pl.concat_str(
        [pl.when(~kept[name]).then(pl.lit(name)) for name in broken], separator=", ", ignore_nulls=True
    )
    marked = frame.with_columns(_reason=reasons)
    bad = marked.filter(pl.col("_reason") != "")
    return marked.filter(pl.col("_reason") == "").drop("_reason"), as_refused(table, bad, pl.col("_reason"))


def as_refused(table: str, bad: pl.DataFrame, reason: pl.Expr) -> pl.DataFrame:
    """Rows of `REFUSED_SCHEMA` for the rows of a table that are not let in."""
    columns = list(polars_schema(LAKE_TABLES[table]))
    return bad.select(
        pl.lit(table).alias("table"),
        pl.struct(columns).struct.json_encode().alias("row"),
        reason.alias("reason"),
        pl.col(PART),
    )


def _reference_rules(table: str, registry: Registry) -> dict[str, pl.Expr]:
    rules: dict[str, pl.Expr] = {}
    for name in REFERENCES.get(table, ()):
        known, refused = registry.known[name], registry.refused[name]
        rules[f"{name}_unknown"] = pl.col(name).is_in(known + refused)
        if refused:
            rules[f"{name}_refused"] = ~pl.col(name).is_in(refused)
    if table == "sites":
        # Asked of each zone once, of both engines that will have to tell the time there.
        rules["timezone_exists"] = pl.col("timezone").map_elements(_zone_exists, return_dtype=pl.Boolean)
    return rules


def _within_tank(registry: Registry) -> pl.Expr:
    """True on a chart's rows that its tank can hold; on all of them where it can hold less than half of them."""
    holds = pl.col("tank_id").replace_strict(registry.capacity_l, default=None, return_dtype=pl.Float64)
    is_within = pl.col("volume_l") <= _OVER_CAPACITY * holds
    return is_within | (is_within.mean() <= 0.5).over(["tank_id", "valid_from"])


def _zone_exists(name: str) -> bool:
    try:
        ZoneInfo(name)
        pl.Series([datetime(2000, 1, 1, tzinfo=UTC)]).dt.convert_time_zone(name)
    except (pl.exceptions.ComputeError, ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def lone_days(counts: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of `counts` that stand far from the others of the same tank and are few beside them.

    Parameters
    ----------
    counts : DataFrame
        `tank_id`, UTC `day`, and how many readings `n` the tank has on that day.
    """
    ordered = counts.sort("tank_id", "day")
    is_far = (pl.col("day").diff() > _FAR).fill_null(value=False)
    islands = ordered.with_columns(island=is_far.cum_sum().over("tank_id"))
    here = ["tank_id", "island"]
    span = pl.col("day").max() - pl.col("day").min()
    each = islands.with_columns(rows=pl.col("n").sum().over(here), span=span.over(here))
    is_largest = pl.col("rows") == pl.col("rows").max()
    bulk = pl.col("day").filter(is_largest).min().over("tank_id")
    few = (
        pl.when(pl.col("day") < bulk)
        .then(pl.col("span") < timedelta(days=_LONE_DAYS))
        .otherwise(pl.col("rows") <= _LONE_ROWS)
    )
    is_lone = few & (pl.col("rows") < _LONE_SHARE * pl.col("n").sum().over("tank_id"))
    return each.filter(is_lone).select(counts.columns)


def without_lone(readings: Admitted) -> Admitted:
    """Admitted readings, with those that stand alone in time refused."""
    rows = readings.rows.with_columns(day=pl.col("ts").dt.date())
    lone = lone_days(rows.group_by("tank_id", "day").agg(n=pl.len()))
    out = rows.join(lone, on=["tank_id", "day"], how="semi")
    kept = rows.join(lone, on=["tank_id", "day"], how="anti", maintain_order="left").drop("day")
    return replace(
        readings, rows=kept, refused=pl.concat([readings.refused, as_refused("readings", out, pl.lit(LONE))])
    )


def _one_a_key(table: str, frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows ordered by key, one a key, and those refused for it; exact doubles are dropped.

    Of unlike rows with one key the one kept has the best word of `KEPT_FIRST`, then the fewest nulls, then comes first
    by content: the choice is the same in whatever order they arrived.
    """
    key = LAKE_TABLES[table].primary_key()
    ordered = frame.sort(key)
    again = pl.all_horizontal(pl.col(name) == pl.col(name).shift() for name in key).fill_null(False)
    repeats = ordered.select(again.alias("again"))["again"]
    if not repeats.any():
        return ordered, REFUSED_SCHEMA.to_frame()
    shared = repeats | repeats.shift(-1, fill_value=False)

    content = [name for name in polars_schema(LAKE_TABLES[table]) if name not in key]
    group = ordered.filter(shared)
    unlike = group.sort(PART, nulls_last=True).unique(key + content, keep="first", maintain_order=True)
    best_word: list[pl.Expr] = []
    if table in KEPT_FIRST:
        name, words = KEPT_FIRST[table]
        best_word = [pl.col(name).replace_strict(words, range(len(words)), return_dtype=pl.Int8)]
    fewest_nulls = pl.sum_horizontal(pl.col(content).is_null())
    ranked = unlike.sort([*key, *best_word, fewest_nulls, *content], nulls_last=True)
    is_kept = pl.struct(key).is_first_distinct()
    good = pl.concat([ordered.filter(~shared), ranked.filter(is_kept)]).sort(key)
    refused = as_refused(table, ranked.filter(~is_kept), pl.lit(SAME_KEY))
    return good, refused
