"""What a site gets wrong with charts, feeds, clocks, totalisers, gauges and tickets: tables in, tables out."""

from collections.abc import Callable
from datetime import timedelta

import polars as pl

from tests.support.lakes import START, rows

Tables = dict[str, pl.DataFrame]
Mistake = Callable[[Tables], Tables]
T1, M1, S1 = pl.col("tank_id") == "T1", pl.col("meter_id") == "M-T1", pl.col("site_id") == "S1"
S1_TANK, S1_METER = pl.col("tank_id").is_in(["T1", "T2"]), pl.col("meter_id").is_in(["M-T1", "M-T2"])
DAY = timedelta(days=1)


def _in(table: str, change: Callable[[pl.DataFrame], pl.DataFrame]) -> Mistake:
    return lambda tables: {**tables, table: change(tables[table])}


def _set(table: str, where: pl.Expr, **columns: pl.Expr) -> Mistake:
    return _in(
        table,
        lambda frame: frame.with_columns(
            **{name: pl.when(where).then(value).otherwise(name) for name, value in columns.items()}
        ),
    )


def _without(table: str, where: pl.Expr) -> Mistake:
    return _in(table, lambda frame: frame.filter(~where))


def _more(table: str, *records: dict) -> Mistake:
    return _in(table, lambda frame: pl.concat([frame, rows(table, *records)]))


def _again(table: str, where: pl.Expr, **columns: pl.Expr) -> Mistake:
    """The rows that fit once more, like those but for some columns."""
    return _in(table, lambda frame: pl.concat([frame, frame.filter(where).with_columns(**columns)]))


def _all(*mistakes: Mistake) -> Mistake:
    def made(tables: Tables) -> Tables:
        for mistake in mistakes:
            tables = mistake(tables)
        return tables

    return made


def _every(table: str, where: pl.Expr, n: int) -> Mistake:
    """Of the rows that fit only each n-th stays."""
    return _in(table, lambda frame: frame.filter(~where | ((where.cum_sum() - 1) % n == 0)))


def _moved(table: str, where: pl.Expr, by: str, *columns: str) -> Mistake:
    return _set(table, where, **{name: pl.col(name).dt.offset_by(by) for name in columns})


def _slow(table: str, where: pl.Expr, column: str, share: float) -> Mistake:
    passed = (pl.col(column) - START).dt.total_microseconds() * share
    return _set(table, where, **{column: pl.col(column) + pl.duration(microseconds=passed.cast(pl.Int64))})


_MM, _L = pl.col("level_mm"), pl.col("volume_l")
_NTH = pl.int_range(pl.len())
_TOTAL = pl.col("total_l")
_SALE_TIMES = ("ts_start", "ts_end")

CHARTS: dict[str, Mistake] = {
    "no chart at the site": _without("strapping", S1_TANK),
    "a chart of two rows": _in("strapping", lambda f: f.filter(~T1 | _MM.is_in([0.0, 2000.0]))),
    "a chart of one row": _in("strapping", lambda f: f.filter(~T1 | (_MM == 1000.0))),
    "a flat chart": _set("strapping", T1, volume_l=pl.lit(5000.0)),
    "a chart upside down": _set("strapping", T1, volume_l=10_000.0 - _L),
    "a chart that begins above every level": _in("strapping", lambda f: f.filter(~T1 | (_MM >= 1900.0))),
    "a chart that ends below every level": _in("strapping", lambda f: f.filter(~T1 | (_MM <= 400.0))),
    "a chart in steps": _set("strapping", T1, volume_l=(_L / 2000.0).floor() * 2000.0),
    "a chart from next year on": _moved("strapping", T1, "1y", "valid_from"),
    "a chart since ever": _moved("strapping", T1, "-1500y", "valid_from"),
    "a chart a day": _all(*(_again("strapping", T1 & (pl.col("valid_from") == START), valid_from=START + d * DAY,
                                   volume_l=_L * (1 + 0.1 * d)) for d in (1, 2))),
    "two charts at once": _again("strapping", T1, volume_l=_L * 1.1),
    "the chart of a larger tank": _set("strapping", T1, volume_l=_L * 40.0),
    "a chart of millilitres": _set("strapping", T1, volume_l=_L * 1000.0),
    "a chart of nothing": _set("strapping", T1, volume_l=pl.lit(0.0)),
    "a chart that leaps": _set("strapping", T1 & (_MM > 900.0), volume_l=_L + 1e8),
}  # fmt: skip

FEEDS: dict[str, Mistake] = {
    "no feed": _without("meter_feeds", S1_METER),
    "shares that come to two": _more("meter_feeds", *({"meter_id": f"M-{a}", "tank_id": b, "share": 1.0, "valid_from":
                                     START} for a, b in (("T1", "T2"), ("T2", "T1")))),
    "shares that come to a tenth": _set("meter_feeds", M1, share=pl.lit(0.1)),
    "feeds crossed": _set("meter_feeds", S1_METER, tank_id=pl.col("tank_id").replace({"T1": "T2", "T2": "T1"})),
    "a feed from next year on": _moved("meter_feeds", M1, "1y", "valid_from"),
    "a feed that has ended": _set("meter_feeds", M1, valid_from=pl.lit(START - 2 * DAY), valid_to=pl.lit(START - DAY)),
    "a feed twice": _again("meter_feeds", M1, valid_from=pl.lit(START - DAY)),
    "a hose at both tanks by turns": _all(
        _set("meter_feeds", M1, valid_to=pl.lit(START + DAY)),
        _more("meter_feeds", {"meter_id": "M-T1", "tank_id": "T2", "share": 1.0, "valid_from": START + DAY}),
    ),
    "no meter": _all(_without("meters", S1), _without("meter_feeds", S1_METER), _without("sales", S1_METER),
                     _without("meter_totals", S1_METER), _set("events", S1, meter_id=pl.lit(None, pl.String))),
    "joined tanks": _set("tanks", S1, manifold_id=pl.lit("J")),
    "joined tanks, one of them without a chart": _all(_set("tanks", S1, manifold_id=pl.lit("J")),
                                                      _without("strapping", T1)),
    "joined tanks, one of them silent": _all(_set("tanks", S1, manifold_id=pl.lit("J")), _without("readings", T1)),
    "joined tanks of two products": _all(_set("tanks", S1, manifold_id=pl.lit("J")),
                                         _set("tanks", T1, product=pl.lit("gasoline_e10"))),
    "a joint with nobody": _set("tanks", T1, manifold_id=pl.lit("J")),
}  # fmt: skip

CLOCKS: dict[str, Mistake] = {
    **{f"the gauges' clock {by}": _moved("readings", S1_TANK, by, "ts") for by in ("1h", "-1h", "12h", "-2d", "7s")},
    **{f"the till's clock {by}": _moved("sales", S1_METER, by, *_SALE_TIMES) for by in ("1h", "-12h", "2d", "-40d")},
    "a gauge's clock that loses a tenth": _slow("readings", S1_TANK, "ts", -0.1),
    "a gauge's clock that gains a hundredth": _slow("readings", S1_TANK, "ts", 0.01),
    "a clock back by a day": _moved("readings", T1 & (pl.col("ts") >= START + 2 * DAY), "-1d", "ts"),
    "a clock in local time": _moved("readings", T1, "2h", "ts"),
    "every reading in one second": _set("readings", T1, ts=START + DAY + pl.duration(milliseconds=_NTH)),
    "sales that last a month": _moved("sales", M1, "-30d", "ts_start"),
    "sales of no duration": _set("sales", M1, ts_end=pl.col("ts_start")),
    "sales at one instant": _set("sales", M1, ts_start=pl.lit(START + DAY), ts_end=pl.lit(START + DAY)),
    "sales all at midnight": _set("sales", M1, ts_start=pl.col("ts_start").dt.truncate("1d"),
                                  ts_end=pl.col("ts_start").dt.truncate("1d")),
    "a zone at the edge": _set("sites", S1, timezone=pl.lit("Pacific/Kiritimati")),
    "a zone of half hours": _set("sites", S1, timezone=pl.lit("Australia/Lord_Howe")),
    "a day that opens at the clocks' change": _set("sites", S1, trading_day_start=pl.lit("02:30")),
    "a day that opens a minute to midnight": _set("sites", S1, trading_day_start=pl.lit("23:59")),
}  # fmt: skip

COUNTERS: dict[str, Mistake] = {
    "a totaliser that stands still": _set("meter_totals", M1, total_l=pl.lit(1000.0)),
    "a totaliser that falls": _set("meter_totals", M1, total_l=9000.0 - _TOTAL),
    "a totaliser that rolls over": _set("meter_totals", M1, total_l=_TOTAL % 1100.0),
    "a totaliser that leaps": _set("meter_totals", M1 & (pl.col("ts") > START), total_l=_TOTAL + 1e8),
    "a totaliser below nothing": _set("meter_totals", M1, total_l=-_TOTAL),
    "a totaliser of whole thousands": _set("meter_totals", M1, total_l=(_TOTAL / 1000.0).floor() * 1000.0),
    "one total left": _in("meter_totals", lambda f: f.filter(~M1 | (pl.col("ts") == START))),
    "sales thrice as large": _set("sales", M1, volume_l=_L * 3.0),
    "sales of nothing": _set("sales", M1, volume_l=pl.lit(0.0)),
    "tests alone": _set("sales", M1, kind=pl.lit("test_return")),
    "no sale": _without("sales", M1),
    "no sale at the site": _without("sales", S1_METER),
    "one sale left": _in("sales", lambda f: f.filter(~M1 | (pl.col("sale_id") == "T1-0030"))),
    "sales on one day alone": _in("sales", lambda f: f.filter(~M1 | (pl.col("ts_end").dt.day() == 30))),
    "prices below nothing": _set("sales", M1, unit_price=pl.lit(-1.0)),
}  # fmt: skip

GAUGES: dict[str, Mistake] = {
    "a level that never moves": _set("readings", T1, level_mm=pl.lit(900.0)),
    "no level": _set("readings", T1, level_mm=pl.lit(None, pl.Float64)),
    "a level that hops": _set("readings", T1, level_mm=_MM + 300.0 * (_NTH % 2)),
    "a level in whole hundreds": _set("readings", T1, level_mm=(_MM / 100.0).round() * 100.0),
    "a level upside down": _set("readings", T1, level_mm=2000.0 - _MM),
    "each other level missing": _set("readings", T1 & (_NTH % 2 == 0), level_mm=pl.lit(None, pl.Float64)),
    "readings all bad": _set("readings", T1, quality=pl.lit("bad")),
    "readings all uncertain": _set("readings", T1, quality=pl.lit("uncertain")),
    "no reading": _without("readings", T1),
    "no reading at the site": _without("readings", S1_TANK),
    "one reading left": _in("readings", lambda f: f.filter(~T1 | (pl.col("ts") == START))),
    "two readings left": _in("readings", lambda f: f.filter(~T1 | (pl.col("ts") <= START + timedelta(hours=1)))),
    "four readings a day": _every("readings", T1, 6),
    "a reading a day": _every("readings", T1, 24),
    "a day of readings left": _in("readings", lambda f: f.filter(~T1 | (pl.col("ts") < START + DAY))),
    "the first and the last day alone": _in("readings", lambda f: f.filter(~T1 | (pl.col("ts").dt.day() != 30))),
    "water above the product": _set("readings", T1, water_mm=_MM + 50.0),
    "water that hops": _set("readings", T1, water_mm=100.0 * (_NTH % 3)),
    "a density that hops": _set("readings", T1, density_kg_m3=700.0 + 150.0 * (_NTH % 2)),
    "temperatures that hop": _set("readings", T1, temp_c=-20.0 + 90.0 * (_NTH % 2)),
    "the tanks' readings swapped": _set("readings", S1_TANK,
                                        tank_id=pl.col("tank_id").replace({"T1": "T2", "T2": "T1"})),
    "one reading a year before": _again("readings", T1 & (pl.col("ts") == START), ts=START - 366 * DAY),
    "one reading a hundred days after": _again("readings", T1 & (pl.col("ts") == START), ts=START + 100 * DAY),
    "one reading a year after": _again("readings", T1 & (pl.col("ts") == START), ts=START + 366 * DAY),
    "a day of readings a year after": _again("readings", T1 & (pl.col("ts") < START + DAY),
                                             ts=pl.col("ts") + 366 * DAY),
    "a day of readings a year before": _again("readings", T1 & (pl.col("ts") < START + DAY),
                                              ts=pl.col("ts") - 366 * DAY),
}  # fmt: skip

PAPERS: dict[str, Mistake] = {
    "no tank at the site": _set("tanks", S1, product=pl.lit("lemonade")),
    "no ticket": _without("deliveries", S1_TANK),
    "the site is not named": _without("sites", S1),
    "tickets by the hundred": _more("deliveries", *({"delivery_id": f"E{n}", "tank_id": "T1", "ticket_volume_l": 90.0,
                                    "ts_ticket": START + timedelta(hours=0.2 * n)} for n in range(300))),
    "two tickets for one drop": _again("deliveries", T1, delivery_id=pl.lit("E")),
    "a ticket a day late": _moved("deliveries", T1, "1d", "ts_ticket"),
    "a ticket of more than the tank": _set("deliveries", T1, ticket_volume_l=pl.lit(90_000.0)),
    "a tank out of service": _more("events", {"event_id": "E8", "ts": START, "site_id": "S1", "tank_id": "T1",
                                              "kind": "tank_out_of_service"}),
    "events by the hundred": _more("events", *({"event_id": f"E{n}", "ts": START + timedelta(minutes=n),
                                   "site_id": "S1", "tank_id": "T1", "kind": "alarm"} for n in range(10, 510))),
    "a new chart that never came": _more("events", {"event_id": "E8", "ts": START + DAY, "site_id": "S1",
                                                    "tank_id": "T1", "kind": "chart_replaced"}),
    "a tank of a millimetre": _set("tanks", T1, diameter_mm=pl.lit(1.0), length_mm=pl.lit(1.0)),
    "a tank of a thimble": _set("tanks", T1, capacity_l=pl.lit(0.1), safe_fill_l=pl.lit(0.1)),
    "a safe fill above the capacity": _set("tanks", T1, safe_fill_l=pl.lit(90_000.0)),
    "a lying tank that stands": _set("tanks", T1, shape=pl.lit("horizontal_cylinder")),
    "a tilt like a wall": _set("tanks", T1, tilt_mm_per_m=pl.lit(5000.0)),
    "another product": _set("tanks", T1, product=pl.lit("gasoline_e85")),
}  # fmt: skip

LATER = (
    "the gauges' clock 1h", "the gauges' clock 12h", "a clock in local time", "one reading a hundred days after",
    "a day of readings a year after",
)  # fmt: skip
"""Those that move the fleet's last day of data on: the second site's last day is then over, and is judged."""

SITE_MISTAKES: dict[str, Mistake] = {**CHARTS, **FEEDS, **CLOCKS, **COUNTERS, **GAUGES, **PAPERS}
"""All of them by name; each is the first site's, and nothing of it but `LATER` may change the second."""
