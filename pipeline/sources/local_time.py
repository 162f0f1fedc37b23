"""Local wall-clock times brought to UTC, through the hour that a clock change repeats and the one that it skips.

A time that the change skips does not exist; it becomes null, and the contract refuses the row with its reason. In the
hour that it repeats, all that orders rows is asked in turn: a sale's other end, sale numbers, totalisers, the order of
the file. A reading or a total whose pass nothing tells is refused; a sale is let in from the earliest instant at which
it may have begun to the latest at which it may have ended; of tickets and log entries the first pass is taken, for no
hour rests on them.
"""

from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.sources.repeated_hour import Order, disorder_s, settled

REPEATED: Final = "ts_in_repeated_hour"
"""Reason of a row that stands in the repeated hour, with nothing that tells in which of its two passes."""


@dataclass(frozen=True, slots=True)
class InUtc:
    """A table's rows with instants in UTC; `is_open`, shape (n,), where a row's pass is not known."""

    rows: pl.DataFrame
    is_open: pl.Series


def in_utc(table: str, rows: pl.DataFrame, zone: str) -> InUtc:
    """Return a table's rows with their wall-clock times as instants.

    Parameters
    ----------
    table : str
        Name in the lake contract.
    rows : DataFrame
        Its columns, instants as `Datetime` without a zone.
    zone : str
        IANA name.
    """
    instants = [name for name, dtype in rows.schema.items() if isinstance(dtype, pl.Datetime)]
    passes = {name: _both(rows[name], zone) for name in instants}
    if all(both["_early"].equals(both["_late"]) for both in passes.values()):
        is_open = pl.Series([False]).new_from_index(0, rows.height)
        return InUtc(rows.with_columns(both["_early"].alias(name) for name, both in passes.items()), is_open)
    if table == "sales":
        return _sales(rows, passes)
    if table in ("readings", "meter_totals"):
        return _keyed(table, rows, passes["ts"])
    return InUtc(
        rows.with_columns(both["_early"].alias(name) for name, both in passes.items()),
        pl.Series([False]).new_from_index(0, rows.height),
    )


def _both(local: pl.Series, zone: str) -> pl.DataFrame:
    """`_early` and `_late`: the instant were it of the first pass, and of the second."""

    def told(ambiguous: str) -> pl.Series:
        zoned = local.dt.replace_time_zone(zone, ambiguous=ambiguous, non_existent="null")  # type: ignore[arg-type]
        return zoned.dt.convert_time_zone("UTC")

    return pl.DataFrame({"_early": told("earliest"), "_late": told("latest")})


def _orders(table: str) -> list[Order]:
    """What may tell the order of a table's rows, the most telling first."""
    found = []
    if table == "sales":
        head, number = pl.col("sale_id").str.replace(r"\d+$", ""), pl.col("sale_id").str.extract(r"(\d{1,18})$")
        count = number.cast(pl.Int64)
        found += [Order(head, count, is_one_clock=False), Order(pl.concat_str(head, "meter_id"), count)]
    if table == "meter_totals":
        found.append(Order(pl.col("meter_id"), pl.col("total_l")))
    whose = pl.col("tank_id" if table == "readings" else "meter_id")
    return [*found, Order(pl.lit(""), pl.col("_at"), is_one_clock=False), Order(whose, pl.col("_at"))]


def _keyed(table: str, rows: pl.DataFrame, both: pl.DataFrame) -> InUtc:
    """Readings, or totals: one an instant and tank or meter."""
    whose = "tank_id" if table == "readings" else "meter_id"
    frame = pl.concat([rows, both], how="horizontal").with_row_index("_at")
    for order in _orders(table):
        frame = settled(frame, order, pl.col(whose), is_keyed=True)
    frame = _shown_twice(frame, whose)
    is_open = frame["_early"].ne_missing(frame["_late"])
    return InUtc(rows.with_columns(frame["_early"].alias("ts")), is_open)


def _shown_twice(frame: pl.DataFrame, whose: str) -> pl.DataFrame:
    """Rows in order of local time, each time of the hour shown twice: the second one is of the second pass."""
    is_open = pl.col("_early").ne_missing(pl.col("_late"))
    opened = frame.filter(is_open).with_columns(
        _shown=pl.col("_at").rank("ordinal").over(whose, "ts"),
        _times=pl.len().over(whose, "ts"),
        _rises=(pl.col("ts") >= pl.col("ts").shift()).fill_null(True).over(whose, pl.col("ts").dt.date()),
    )
    is_pair = (pl.col("_times") == 2) & pl.col("_rises")
    pairs = opened.filter(is_pair.all().over(whose, pl.col("ts").dt.date()))
    again = frame.join(pairs.select("_at", "_shown"), on="_at", how="left", maintain_order="left")
    return again.with_columns(
        _early=pl.when(pl.col("_shown") == 2).then("_late").otherwise("_early"),
        _late=pl.when(pl.col("_shown") == 1).then("_early").otherwise("_late"),
    ).drop("_shown")


def _sales(rows: pl.DataFrame, passes: dict[str, pl.DataFrame]) -> InUtc:
    """Sales: the end of which the order is the better tells, and a sale begins as late as its end lets it."""
    ends = [both.rename({"_early": f"{name}_early", "_late": f"{name}_late"}) for name, both in passes.items()]
    frame = _by_other_end(pl.concat([rows, *ends], how="horizontal").with_row_index("_at"))
    for order in _orders("sales"):
        each = {name: frame.rename({f"{name}_early": "_early", f"{name}_late": "_late"}) for name in passes}
        lead = min(("ts_end", "ts_start"), key=lambda name: disorder_s(each[name], order))
        told = settled(each[lead], order, pl.col("meter_id"), is_keyed=False)
        frame = _by_other_end(told.rename({"_early": f"{lead}_early", "_late": f"{lead}_late"}))
    is_open = frame["ts_end_early"].ne_missing(frame["ts_end_late"])
    return InUtc(
        rows.with_columns(frame["ts_start_early"].alias("ts_start"), frame["ts_end_late"].alias("ts_end")), is_open
    )


def _by_other_end(frame: pl.DataFrame) -> pl.DataFrame:
    """Sales one of whose ends is known: the other is the nearest to it that the clock allows."""
    start_early, start_late = pl.col("ts_start_early"), pl.col("ts_start_late")
    end_early, end_late = pl.col("ts_end_early"), pl.col("ts_end_late")
    start = pl.when(start_late <= end_late).then(start_late).otherwise(start_early)
    end = pl.when(end_early >= start_early).then(end_early).otherwise(end_late)
    is_end_known, is_start_known = end_early == end_late, start_early == start_late
    return frame.with_columns(
        ts_start_early=pl.when(is_end_known).then(start).otherwise(start_early),
        ts_start_late=pl.when(is_end_known).then(start).otherwise(start_late),
        ts_end_early=pl.when(is_start_known).then(end).otherwise(end_early),
        ts_end_late=pl.when(is_start_known).then(end).otherwise(end_late),
    )
