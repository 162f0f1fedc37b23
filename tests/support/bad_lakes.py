"""Lakes of which it is known row by row what is refused: two sites, of which tank T1 of the first is spoilt."""

from collections.abc import Callable
from datetime import timedelta

import polars as pl

from tests.support.lakes import START, rows

Tables = dict[str, pl.DataFrame]
Spoil = Callable[[Tables], Tables]
Refused = dict[tuple[str, str], int]
DAY = timedelta(days=1)
T1 = pl.col("tank_id") == "T1"
M1 = pl.col("meter_id") == "M-T1"


def _in(table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Spoil:
    return lambda tables: {**tables, table: change(tables[table])}


def _set(table: str, where: pl.Expr, column: str, value: object) -> Spoil:
    new = value if isinstance(value, pl.Expr) else pl.lit(value)
    return _in(table, lambda frame: frame.with_columns(pl.when(where).then(new).otherwise(column).alias(column)))


def _again(table: str, where: pl.Expr, **columns: pl.Expr) -> Spoil:
    """One row more, like the first that fits but for some columns."""
    return _in(table, lambda frame: pl.concat([frame, frame.filter(where).head(1).with_columns(**columns)]))


def _ticket(volume_l: float) -> pl.DataFrame:
    ticket = {"delivery_id": "D1", "tank_id": "T1", "ts_ticket": START + 0.4 * DAY, "ticket_volume_l": volume_l}
    return rows("deliveries", ticket)


_MIDDLE = T1 & (pl.col("level_mm") == 1000.0)
_ONE_SALE = pl.col("sale_id") == "T1-0030"
_SECOND_DAY = pl.col("ts").dt.day() == 30
_ALL_OF_T1 = {("meter_feeds", "tank_id_refused"): 1, ("readings", "tank_id_refused"): 72,
              ("strapping", "tank_id_refused"): 21, ("deliveries", "tank_id_refused"): 1,
              ("events", "tank_id_refused"): 1}  # fmt: skip


def _kind(spoil: Spoil, refused: Refused | None = None) -> tuple[Spoil, Refused]:
    return spoil, refused or {}


KINDS: dict[str, tuple[Spoil, Refused]] = {
    "no chart": _kind(_in("strapping", lambda frame: frame.filter(~T1))),
    "a chart of one row": _kind(_in("strapping", lambda f: f.filter(~T1 | _MIDDLE)), {("strapping", "chart_rises"): 1}),
    "a chart that falls once": _kind(_set("strapping", _MIDDLE, "volume_l", 1.0), {("strapping", "chart_rises"): 1}),
    "a chart that leaps once": _kind(_set("strapping", _MIDDLE, "volume_l", 9e8), {("strapping", "chart_rises"): 1}),
    "a chart with a slip": _kind(
        _set("strapping", _MIDDLE, "volume_l", pl.col("volume_l") + 300.0), {("strapping", "chart_smooth"): 1}
    ),
    "a chart beyond its tank": _kind(
        _set("strapping", T1 & (pl.col("level_mm") == 2000.0), "volume_l", 99_000.0),
        {("strapping", "volume_l_within_tank"): 1},
    ),
    "a chart upside down": _kind(
        _set("strapping", T1, "volume_l", 10_000.0 - pl.col("volume_l")), {("strapping", "chart_rises"): 21}
    ),
    "a flat chart": _kind(_set("strapping", T1, "volume_l", 5000.0), {("strapping", "chart_rises"): 21}),
    "a chart with NaN": _kind(
        _set("strapping", _MIDDLE, "volume_l", float("nan")), {("strapping", "volume_l_missing"): 1}
    ),
    "a chart with a negative volume": _kind(
        _set("strapping", _MIDDLE, "volume_l", -5.0), {("strapping", "volume_l_not_negative"): 1}
    ),
    "a chart with a negative level": _kind(
        _set("strapping", _MIDDLE, "level_mm", -5.0), {("strapping", "level_mm_not_negative"): 1}
    ),
    "a chart with an endless volume": _kind(
        _set("strapping", _MIDDLE, "volume_l", 1e300), {("strapping", "volume_l_plausible"): 1}
    ),
    "a level that never moves": _kind(_set("readings", T1, "level_mm", 900.0)),
    "no level": _kind(_set("readings", T1, "level_mm", None)),
    "levels of 1e300": _kind(_set("readings", T1, "level_mm", 1e300)),
    "a day of readings left": _kind(_in("readings", lambda f: f.filter(~T1 | (pl.col("ts") < START + DAY)))),
    "one reading left": _kind(_in("readings", lambda f: f.filter(~T1 | (pl.col("ts") == START)))),
    "no reading left": _kind(_in("readings", lambda f: f.filter(~T1))),
    "a sale of 1e300 litres": _kind(_set("sales", _ONE_SALE, "volume_l", 1e300), {("sales", "volume_l_plausible"): 1}),
    "a ticket of 1e300 litres": _kind(
        _in("deliveries", lambda frame: pl.concat([frame, _ticket(1e300)])),
        {("deliveries", "ticket_volume_l_plausible"): 1},
    ),
    "a tank of 1e300 mm": _kind(
        _set("tanks", T1, "diameter_mm", 1e300), {("tanks", "diameter_mm_plausible"): 1, **_ALL_OF_T1}
    ),
    "temperatures in kelvin for a day": _kind(_set("readings", T1 & _SECOND_DAY, "temp_c", pl.col("temp_c") + 273.15)),
    "levels in inches for a day": _kind(_set("readings", T1 & _SECOND_DAY, "level_mm", pl.col("level_mm") / 25.4)),
    "no sale": _kind(_in("sales", lambda f: f.filter(~M1))),
    "a feed of nothing": _kind(_in("meter_feeds", lambda f: f.filter(~T1))),
}
"""What is spoilt, and how many rows of it are refused, by table and reason."""
