"""Lakes that are wrong in one thing: two sites with two sound tanks each, of which tank T1 is then spoilt."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta

import polars as pl

from tests.support.lakes import START, rows, tiny_lake

Tables = dict[str, pl.DataFrame]
DAY = timedelta(days=1)
T1 = pl.col("tank_id") == "T1"
M1 = pl.col("meter_id") == "M-T1"
_KEYS = ("site_id", "tank_id", "meter_id", "sale_id", "event_id")


@dataclass(frozen=True)
class Kind:
    """What is spoilt, what of it is refused (rows by table and reason), and what the run leaves with."""

    spoil: Callable[[Tables], Tables]
    refused: dict[tuple[str, str], int] = field(default_factory=dict)
    code: int = 0


def fleet() -> Tables:
    """Two sites of `tiny_lake`: S1, and XS1 with the tanks XT1 and XT2, which nothing that befalls S1 may touch."""
    one = tiny_lake()
    other = {
        name: frame.with_columns((pl.lit("X") + pl.col(key)).alias(key) for key in _KEYS if key in frame.columns)
        for name, frame in one.items()
    }
    return {name: pl.concat([frame, other[name]]) for name, frame in one.items()}


def _in(table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Callable[[Tables], Tables]:
    return lambda tables: {**tables, table: change(tables[table])}


def _set(table: str, where: pl.Expr, column: str, value: object) -> Callable[[Tables], Tables]:
    new = value if isinstance(value, pl.Expr) else pl.lit(value)
    return _in(table, lambda frame: frame.with_columns(pl.when(where).then(new).otherwise(column).alias(column)))


def _again(table: str, where: pl.Expr, **columns: pl.Expr) -> Callable[[Tables], Tables]:
    """One row more, like the first that fits but for some columns."""
    return _in(table, lambda frame: pl.concat([frame, frame.filter(where).head(1).with_columns(**columns)]))


def _ticket(volume_l: float) -> pl.DataFrame:
    ticket = {"delivery_id": "D1", "tank_id": "T1", "ts_ticket": START + 0.4 * DAY, "ticket_volume_l": volume_l}
    return rows("deliveries", ticket)


_MIDDLE = T1 & (pl.col("level_mm") == 1000.0)
_ONE_SALE = pl.col("sale_id") == "T1-0030"
_SECOND_DAY = pl.col("ts").dt.day() == 30
_ALL_OF_T1 = {("meter_feeds", "tank_id_refused"): 1, ("readings", "tank_id_refused"): 288,
              ("strapping", "tank_id_refused"): 21}  # fmt: skip

KINDS = {
    "no chart": Kind(_in("strapping", lambda frame: frame.filter(~T1))),
    "a chart of one row": Kind(_in("strapping", lambda f: f.filter(~T1 | _MIDDLE)), {("strapping", "chart_rises"): 1}),
    "a chart that falls once": Kind(_set("strapping", _MIDDLE, "volume_l", 1.0), {("strapping", "chart_rises"): 1}),
    "a chart that leaps once": Kind(_set("strapping", _MIDDLE, "volume_l", 9e8), {("strapping", "chart_rises"): 1}),
    "a chart upside down": Kind(
        _set("strapping", T1, "volume_l", 10_000.0 - pl.col("volume_l")), {("strapping", "chart_rises"): 21}
    ),
    "a flat chart": Kind(_set("strapping", T1, "volume_l", 5000.0), {("strapping", "chart_rises"): 21}),
    "a chart with NaN": Kind(
        _set("strapping", _MIDDLE, "volume_l", float("nan")), {("strapping", "volume_l_missing"): 1}
    ),
    "a chart with a negative volume": Kind(
        _set("strapping", _MIDDLE, "volume_l", -5.0), {("strapping", "volume_l_not_negative"): 1}
    ),
    "a chart with a negative level": Kind(
        _set("strapping", _MIDDLE, "level_mm", -5.0), {("strapping", "level_mm_not_negative"): 1}
    ),
    "a chart with an endless volume": Kind(
        _set("strapping", _MIDDLE, "volume_l", 1e300), {("strapping", "volume_l_plausible"): 1}
    ),
    "a level that never moves": Kind(_set("readings", T1, "level_mm", 900.0)),
    "no level": Kind(_set("readings", T1, "level_mm", None)),
    "levels of 1e300": Kind(_set("readings", T1, "level_mm", 1e300)),
    "a day of readings left": Kind(_in("readings", lambda f: f.filter(~T1 | (pl.col("ts") < START + DAY)))),
    "one reading left": Kind(_in("readings", lambda f: f.filter(~T1 | (pl.col("ts") == START)))),
    "no reading left": Kind(_in("readings", lambda f: f.filter(~T1))),
    "a sale of 1e300 litres": Kind(_set("sales", _ONE_SALE, "volume_l", 1e300), {("sales", "volume_l_plausible"): 1}),
    "a ticket of 1e300 litres": Kind(
        _in("deliveries", lambda _: _ticket(1e300)), {("deliveries", "ticket_volume_l_plausible"): 1}
    ),
    "a tank of 1e300 mm": Kind(
        _set("tanks", T1, "diameter_mm", 1e300), {("tanks", "diameter_mm_plausible"): 1, **_ALL_OF_T1}
    ),
    "temperatures in kelvin for a day": Kind(_set("readings", T1 & _SECOND_DAY, "temp_c", pl.col("temp_c") + 273.15)),
    "levels in inches for a day": Kind(_set("readings", T1 & _SECOND_DAY, "level_mm", pl.col("level_mm") / 25.4)),
    "no sale": Kind(_in("sales", lambda f: f.filter(~M1))),
    "a feed of nothing": Kind(_in("meter_feeds", lambda f: f.filter(~T1))),
}
