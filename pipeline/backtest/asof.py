"""The store's tables as rules see them: each row with the UTC day from whose end on it is known and changes no more.

A rule has one clock, the column `day`. A trading day's row is known a day after the day closed, and where product came
not before the end of the UTC day after: until then a ticket may be entered. What the gauge alone tells is known
sooner. What a later day may move is left out: the end and the litres of a case, and the parts of a variance that are
made of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.run import RUN_TABLES
from pipeline.contract.store import STORE_TABLES
from pipeline.estimate.known_drops import DROP_KNOWN_S
from pipeline.features.trading_days import opening_s
from pipeline.ledger.drop_parts import PAUSE_S
from pipeline.ledger.drop_tickets import LOADED_BEFORE_S

Tables = dict[str, pl.DataFrame]

SETTLED_PARTS: Final = (
    "tank_leak", "line_leak", "meter_drift", "missing_sales", "chart_error", "wrong_feed", "short_delivery",
    "over_delivery", "missing_ticket", "clock_skew", "thermal", "vapour", "meter_tolerance", "chart_tolerance",
    "ticket_tolerance",
)  # fmt: skip
"""Parts of a variance that keep what the day's run made of them. The others hang on a case's litres, which are learned
later, and the residual on the others; `residual_l` among the features is the residual as the day's run had it."""
SUNDAY: Final = 7
"""The last day of a week, as ISO 8601 numbers them."""
STANDING: Final = ("sites", "tanks", "meters")
"""Tables that a rule may read whole: they describe and do not happen."""
DROP_SEEN: Final = timedelta(seconds=DROP_KNOWN_S + PAUSE_S) + timedelta(minutes=30)
"""So long after its end a drop is seen at the latest: when no further part of it can follow that day."""
BY_TRADING_DAY: Final = ("tank_days", "variance_parts", "features")
HOLD_BACK: Final = timedelta(minutes=30)
"""The last half hour of a UTC day is seen by the next day's run."""
DRAW_KNOWN: Final = timedelta(hours=3)
"""A sudden draw is told from noise by the readings of up to this long after it."""
BOOK_KNOWN: Final = timedelta(seconds=LOADED_BEFORE_S)
"""A ticket without a drop is one, and booked, when so long nothing came."""
TICKET_KNOWN: Final = timedelta(seconds=DROP_KNOWN_S) + HOLD_BACK + timedelta(days=1)
"""A drop's tickets are awaited until the end of the UTC day after the one whose run first sees it."""
CASE_COLUMNS: Final = (
    "case_id", "cause", "site_id", "tank_id", "meter_id", "delivery_id", "ts_start", "probability", "day",
)  # fmt: skip
"""What of a case stands on the day on which it is raised; its end and its litres are learned later."""
DATED: Final = (*BY_TRADING_DAY, "ledger", "drops", "draws", "meter_estimates", "health", "cases")
"""Tables whose rows come to be known day by day."""
READABLE: Final = (*STANDING, *DATED)
"""All that a rule may read."""


def readable_schemas() -> dict[str, pl.Schema]:
    """Columns and types of each table that a rule may read."""
    declared = {**LAKE_TABLES, **RUN_TABLES, **STORE_TABLES}
    schemas = {}
    for name in READABLE:
        columns = dict(polars_schema(declared[name]))
        if name in DATED:
            columns |= {"day": pl.Date()}
        schemas[name] = pl.Schema(columns)
    cases = schemas["cases"]
    return schemas | {"cases": pl.Schema({name: cases[name] for name in CASE_COLUMNS})}


def as_of_tables(tables: Mapping[str, pl.DataFrame]) -> Tables:
    """The tables that rules may read, dated tables with `day`, sorted by it and then by all else.

    Parameters
    ----------
    tables : mapping of table name to frame
        A store's tables in the contract's columns: those of `READABLE`; others, `labels` among them, are left out.
    """
    known = {name: _dated(name, tables[name], tables) for name in DATED}
    out: Tables = {name: tables[name] for name in STANDING} | known
    return {
        name: out[name]
        .select(pl.col(column).cast(dtype) for column, dtype in schema.items())
        .sort(_order(name, schema))
        for name, schema in readable_schemas().items()
    }


def _order(name: str, schema: pl.Schema) -> list[str]:
    return (["day"] if name in DATED else []) + [column for column in schema if column != "day"]


def _dated(name: str, frame: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    if name == "variance_parts":
        frame = frame.filter(pl.col("part").is_in(SETTLED_PARTS))
    if name in BY_TRADING_DAY:
        return _with_known(frame, tables)
    end = pl.col("ts_end")
    if name == "ledger":
        wait = pl.when("_came").then(pl.lit(TICKET_KNOWN)).otherwise(pl.lit(HOLD_BACK))
        seen = pl.max_horizontal(end + wait, pl.col("_last_ended") + DROP_SEEN)
        return _with_came(frame, tables).with_columns(day=seen.dt.date())
    if name == "drops":
        return frame.with_columns(day=(end + TICKET_KNOWN).dt.date())
    if name == "draws":
        return frame.with_columns(day=(end + DRAW_KNOWN).dt.date())
    if name == "meter_estimates":
        # A run has one more row of its own last day, which the next run has not; one of a meter that has sold nothing
        # from the tank says that one day it will.
        return frame.filter((pl.col("day").dt.weekday() == SUNDAY) & (pl.col("sold_l") > 0.0))
    if name == "cases":
        return frame.with_columns(day=pl.col("raised_on"))
    return frame


def _with_came(ledger: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """The ledger with `_came`: whether product was dropped into the tank, or one joined to it, with a ticket or not.

    Until its ticket may have come, nobody can tell a drop with one from a drop without. `_last_ended` is the end of the
    last drop that began by a row's end: what stands after it waits until it is seen.
    """
    pools = _pools(tables)
    began = tables["drops"].join(pools, on="tank_id").select("_pool", _began="ts_start", _ended="ts_end")
    rows = ledger.join(pools, on="tank_id", how="left", maintain_order="left").with_row_index("_row")
    overlap = (pl.col("_began") < pl.col("ts_end")) & (pl.col("_ended") > pl.col("ts_start"))
    came = rows.select("_row", "_pool", "ts_start", "ts_end").join(began, on="_pool").filter(overlap)["_row"]
    with_ticket = pl.col("delivered_l").fill_null(0.0) != 0.0
    last = began.sort("_began").rename({"_ended": "_last_ended"})
    rows = rows.sort("ts_end", maintain_order=True).join_asof(
        last, left_on="ts_end", right_on="_began", by="_pool", check_sortedness=False
    )
    return rows.sort("_row").with_columns(_came=with_ticket | pl.col("_row").is_in(came.unique().implode()))


def _pools(tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    return tables["tanks"].select("tank_id", pl.coalesce("manifold_id", "tank_id").alias("_pool"))


def _with_known(frame: pl.DataFrame, tables: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Rows of trading days with the `day` from which each is known: its close, and where product came its ticket."""
    homes = (
        tables["tanks"]
        .select("tank_id", "site_id")
        .join(tables["sites"].select("site_id", "timezone", "trading_day_start"), on="site_id")
    )
    days = frame.select("tank_id", "trading_day").unique().join(homes, on="tank_id")
    clocks = days.select("timezone", "trading_day_start", "trading_day").unique()
    closed = [closes_at(day, zone, opens) for zone, opens, day in clocks.iter_rows()]
    dated = clocks.with_columns(pl.Series("closes", closed, dtype=pl.Datetime("us", "UTC")))
    closings = days.join(dated, on=["timezone", "trading_day_start", "trading_day"]).sort("tank_id", "closes")
    pools = _pools(tables)
    came = (
        tables["drops"]
        .join(pools, on="tank_id")
        .select("_pool", "ts_end")
        .join(pools, on="_pool")
        .sort("tank_id", "ts_end")
        .join_asof(
            closings, left_on="ts_end", right_on="closes", by="tank_id", strategy="forward", check_sortedness=False
        )
        .group_by("tank_id", "trading_day")
        .agg(_told=pl.col("ts_end").max() + TICKET_KNOWN)
    )
    known = closings.join(came, on=["tank_id", "trading_day"], how="left").select(
        "tank_id", "trading_day", day=pl.max_horizontal(pl.col("closes") + BOOK_KNOWN, "_told").dt.date()
    )
    return frame.join(known, on=["tank_id", "trading_day"], how="left")


def closes_at(trading_day: date, timezone: str, trading_day_start: str) -> datetime:
    """The instant at which a trading day closes.

    >>> closes_at(date(2026, 3, 1), "America/Denver", "06:00")
    datetime.datetime(2026, 3, 2, 13, 0, tzinfo=datetime.timezone.utc)
    """
    close_s = opening_s(trading_day + timedelta(days=1), ZoneInfo(timezone), time.fromisoformat(trading_day_start))
    return datetime.fromtimestamp(close_s, UTC)


def cut(tables: Mapping[str, pl.DataFrame], day: date) -> Tables:
    """The tables as they stood at the end of a UTC day."""
    return {name: frame.filter(pl.col("day") <= day) if name in DATED else frame for name, frame in tables.items()}
