"""What ails the data and is no loss: silence, gaps, sticking gauges, wandering clocks, slipped units, a wrong tag map.

Each finding stands on a sign that product cannot leave: a level that drops to a twenty-fifth between two readings has
turned to inches, not leaked. Thresholds are common practice, no source, unless said otherwise.
"""

import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.store import DataHealth
from pipeline.ledger.gauge import (
    ABOVE_TOP,
    COLDEST_C,
    OTHER_UNITS_MM,
    UNIT_SLACK,
    WARMEST_C,
    seconds,
    strapping_of,
)
from pipeline.scoring.unit_days import booked_of

LOOK_BACK: Final = timedelta(days=14)
"""Only what shows in the last days of data is told: it is for those who mend it now."""

_STALE_HOURS: Final = 26.0
_STEP_MM, _FELL_MM = 1.0, 100.0
"""By how much a level falls from reading to reading when product leaves, and in all before its sales are missed."""
_GAP_HOURS_A_DAY: Final = 2.0
_SKEW_S: Final = 120.0
_DRIFT_S_A_DAY: Final = 5.0
_DRIFT_DAYS: Final = 5
_DENSER: Final = 5.0
_ABOVE_SHARE: Final = 0.01
_OFF_CHART_SHARE: Final = 0.5
_SOLD_SLACK: Final = 0.4
"""Log of fall over sales: room for what is sold while a drop comes in, and for noise, and far from any other unit's."""

_SWAP_MM: Final = 5.0
_SWAP_APART_MM: Final = 100.0
_AROUND: Final = 20
"""Readings before and after a slip whose medians have to agree with it: one odd reading is no slip."""

_SCHEMA: Final = polars_schema(DataHealth)

Tables = Mapping[str, pl.DataFrame]


def data_health(tables: Tables, health: pl.DataFrame, refused: pl.DataFrame) -> pl.DataFrame:
    """Return rows of `data_health`, one a tank and trouble, in the order of its key.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Clean tables of the lake: tanks, readings, strapping, meter_feeds and sales.
    health : DataFrame
        How well each gauge reported, by UTC day.
    refused : DataFrame
        The quarantine: `table`, `row`, `reason`.
    """
    newest = tables["readings"].group_by("tank_id").agg(pl.col("ts").max())
    return data_health_of([tables], newest, health, refused)


def data_health_of(
    groups: Iterable[Tables], newest: pl.DataFrame, health: pl.DataFrame, refused: pl.DataFrame
) -> pl.DataFrame:
    """The same from tables of some sites at a time, readings since `LOOK_BACK` among them.

    Parameters
    ----------
    groups : iterable of mappings
    newest : DataFrame
        `ts` of the last reading by `tank_id`.
    health, refused : DataFrame
    """
    last = newest["ts"].max()
    if not isinstance(last, datetime):
        return _SCHEMA.to_frame()
    placed = [_placed(tables, newest, last, health) for tables in groups]
    return pl.concat([*placed, _strangers(refused)]).cast(_SCHEMA).sort("site_id", "tank_id", "kind", nulls_last=True)


def _placed(tables: Tables, newest: pl.DataFrame, last: datetime, health: pl.DataFrame) -> pl.DataFrame:
    since = last - LOOK_BACK
    recent = tables["readings"].filter(pl.col("ts") > since).sort("tank_id", "ts")
    tanks = tables["tanks"].select("tank_id", "site_id", "manifold_id", "diameter_mm", "shape", "length_mm")
    days = health.filter(pl.col("day") > since.date(), pl.col("tank_id").is_in(tanks["tank_id"].to_list()))
    found = [
        _silent(newest, tanks),
        _unsold(recent, tables),
        _gauges(days),
        _drift(days),
        _slips(recent),
        _never_millimetres(recent, tables),
        _fahrenheit(recent),
        _impossible(recent),
        _swapped(recent, tanks),
        _above(recent, tanks),
        _denser(days),
        _chartless(tanks, tables["strapping"]),
        _off_chart(recent, tables["strapping"]),
    ]
    every = pl.concat([frame.select("tank_id", "kind", "since", "value", "note") for frame in found])
    every = every.unique(["tank_id", "kind"], keep="first", maintain_order=True)
    return every.join(tanks.select("tank_id", "site_id"), on="tank_id", how="left").select(list(_SCHEMA))


def _told(frame: pl.DataFrame, kind: str, value: pl.Expr, since: pl.Expr, note: str) -> pl.DataFrame:
    return frame.select(
        "tank_id",
        pl.lit(kind).alias("kind"),
        since.cast(pl.Datetime("us", "UTC")).alias("since"),
        value.cast(pl.Float64).alias("value"),
        pl.lit(note).alias("note"),
    )


def _silent(newest: pl.DataFrame, tanks: pl.DataFrame) -> pl.DataFrame:
    age = (newest["ts"].max() - pl.col("ts")).dt.total_seconds() / 3600.0
    late = tanks.join(newest, on="tank_id", how="left").filter((age > _STALE_HOURS).fill_null(True))
    note = "no reading for so many hours, while others report; see to the connection"
    return _told(late, "stale", age, pl.col("ts"), note)


def _unsold(recent: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    """Tanks that fell for longer than a day since the last sale that is there of any of their meters."""
    sold = tables["sales"].group_by("meter_id").agg(pl.col("ts_end").max())
    fed = tables["meter_feeds"].select("tank_id", "meter_id").unique().join(sold, on="meter_id", how="left")
    last = fed.group_by("tank_id").agg(pl.col("ts_end").max())
    unsold = recent.join(last, on="tank_id").filter((pl.col("ts") > pl.col("ts_end")).fill_null(True))
    step = pl.col("level_mm").diff().over("tank_id")
    fell = unsold.with_columns(fell_mm=pl.when(step < -_STEP_MM).then(-step).otherwise(0.0))
    hours = (pl.col("ts").last() - pl.coalesce("ts_end", "ts").first()).dt.total_seconds() / 3600.0
    each = fell.group_by("tank_id").agg(hours.alias("hours"), pl.col("ts_end").first(), pl.col("fell_mm").sum())
    bad = each.filter(pl.col("hours") > _STALE_HOURS, pl.col("fell_mm") > _FELL_MM)
    note = "no sale is there of so many hours, and the level fell; see to what brings the till's sales"
    return _told(bad, "no_sales", pl.col("hours"), pl.col("ts_end"), note)


def _gauges(days: pl.DataFrame) -> pl.DataFrame:
    start = pl.col("day").min()
    gappy = (
        days.group_by("tank_id").agg(start, pl.col("gap_hours").mean()).filter(pl.col("gap_hours") > _GAP_HOURS_A_DAY)
    )
    stuck = days.filter("is_stuck").group_by("tank_id").agg(start, pl.len().alias("n"))
    skew = pl.col("clock_skew_s")
    off = (
        days.drop_nulls("clock_skew_s")
        .sort("day")
        .group_by("tank_id")
        .agg(start, skew.last())
        .filter(skew.abs() > _SKEW_S)
    )
    day = pl.col("day")
    return pl.concat(
        [
            _told(gappy, "gaps", pl.col("gap_hours"), day, "hours a day without a reading"),
            _told(stuck, "stuck", pl.col("n"), day, "days that it stood still while product moved; see to the float"),
            _told(off, "clock_off", skew, day, "the gauge's clock less the till's, in seconds; set one of them"),
        ]
    )


def _drift(days: pl.DataFrame) -> pl.DataFrame:
    known = days.drop_nulls("clock_skew_s").sort("tank_id", "day")
    number = pl.col("day").cast(pl.Int32).cast(pl.Float64)
    slope = pl.cov(number, pl.col("clock_skew_s")) / number.var()
    each = known.group_by("tank_id").agg(slope.alias("slope"), pl.len().alias("n"), pl.col("day").min())
    bad = each.filter(pl.col("n") >= _DRIFT_DAYS, pl.col("slope").abs() > _DRIFT_S_A_DAY)
    return _told(bad, "clock_drifts", pl.col("slope"), pl.col("day"), "seconds a day against the till's clock")


def _around(values: pl.Expr) -> tuple[pl.Expr, pl.Expr]:
    """Medians of the readings before and after each, within its tank."""
    before = values.shift(1).rolling_median(_AROUND, min_samples=3).over("tank_id")
    after = values.reverse().rolling_median(_AROUND, min_samples=3).reverse().over("tank_id")
    return before, after


def _slips(recent: pl.DataFrame) -> pl.DataFrame:
    good = recent.filter(pl.col("level_mm") > 0).select("tank_id", "ts", "level_mm")
    before, after = _around(pl.col("level_mm"))
    step = pl.col("level_mm") / pl.col("level_mm").shift().over("tank_id")
    marked = good.with_columns(step=step, around=after / before)
    # Nearly every reading is close to the one before; only jumps are looked at twice.
    jumps = marked.filter((pl.col("step") > 5.0) | (pl.col("step") < 0.2))
    found = []
    for unit, ratio in OTHER_UNITS_MM.items():
        for factor, way in ((1.0 / ratio, f"mm turned to {unit}"), (ratio, f"{unit} turned to mm")):
            fits = ((pl.col("step") / factor - 1.0).abs() < UNIT_SLACK) & (
                (pl.col("around") / factor - 1.0).abs() < 5 * UNIT_SLACK
            )
            first = jumps.filter(fits).unique("tank_id", keep="first", maintain_order=True)
            found.append(_told(first, "unit_slip", pl.col("step"), pl.col("ts"), f"level: {way}; not a loss or a gain"))
    return pl.concat(found).unique(["tank_id", "kind"], keep="first", maintain_order=True)


def _fahrenheit(recent: pl.DataFrame) -> pl.DataFrame:
    good = recent.drop_nulls("temp_c").select("tank_id", "ts", "temp_c")
    before, after = _around(pl.col("temp_c"))
    last = pl.col("temp_c").shift().over("tank_id")
    marked = good.with_columns(last=last, before=before, after=after).filter((pl.col("temp_c") - last).abs() > 15.0)
    to_f = (pl.col("after") - (pl.col("before") * 1.8 + 32.0)).abs() < 2.0
    to_c = (pl.col("before") - (pl.col("after") * 1.8 + 32.0)).abs() < 2.0
    first = marked.filter(to_f | to_c).unique("tank_id", keep="first", maintain_order=True)
    note = "temperature: between °C and °F; every litre at 15 °C since is wrong"
    return _told(first, "temperature_unit", pl.col("temp_c"), pl.col("ts"), note)


def _never_millimetres(recent: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    """Tanks whose levels have another unit all along.

    Turned to millimetres they stay within the chart and fall by what was sold; as they stand they are far from that.
    """
    good = recent.filter(pl.col("quality") != "bad", pl.col("level_mm") > 0).select("tank_id", "ts", "level_mm")
    top = tables["strapping"].group_by("tank_id").agg(top=pl.col("level_mm").max())
    level = pl.col("level_mm")
    low = good.group_by("tank_id").agg(level.max(), pl.col("ts").min(), n=pl.len()).join(top, on="tank_id")
    low = low.filter(pl.col("n") >= _AROUND, level * min(OTHER_UNITS_MM.values()) <= ABOVE_TOP * pl.col("top")).sort(
        "tank_id"
    )
    found = []
    for tank_id, highest_mm, since, _, top_mm in low.iter_rows():
        mine = good.filter(pl.col("tank_id") == tank_id)
        inside = {unit: ratio for unit, ratio in OTHER_UNITS_MM.items() if highest_mm * ratio <= ABOVE_TOP * top_mm}
        unit = _unit_by_sales(mine, tables, tank_id, inside)
        if unit is not None:
            one = pl.DataFrame({"tank_id": [tank_id], "ts": [since], "ratio": [OTHER_UNITS_MM[unit]]})
            note = f"level: in {unit} all along, by what was sold; its litres are wrong until it is millimetres"
            found.append(_told(one, "unit_slip", pl.col("ratio"), pl.col("ts"), note))
    return pl.concat([_told(low.clear(), "unit_slip", level, pl.col("ts"), ""), *found])


def _unit_by_sales(readings: pl.DataFrame, tables: Tables, tank_id: str, ratios: Mapping[str, float]) -> str | None:
    """The unit in which a tank's levels fall by what was sold between the first and the last, if any."""
    chart = strapping_of(tables["strapping"].filter(pl.col("tank_id") == tank_id))
    level, at_s = readings["level_mm"].to_numpy(), seconds(readings["ts"])
    during = tables["sales"].filter(pl.col("ts_end").is_between(readings["ts"].min(), readings["ts"].max()))
    booked = booked_of(during, tables["meter_feeds"], (tank_id,))
    sold_l = float(sum(flow.volume_l.sum() for flow in booked.flows))

    def fallen_l(ratio: float) -> float:
        litres = chart.volume_l(np.clip(level * ratio, *chart.span_mm()), at_s)
        return float(-np.minimum(np.diff(litres), 0.0).sum())

    off = {unit: abs(math.log(max(fallen_l(ratio), 1e-9) / max(sold_l, 1e-9))) for unit, ratio in ratios.items()}
    best = min(off, key=lambda unit: off[unit])
    return best if off[best] < _SOLD_SLACK else None


def _impossible(recent: pl.DataFrame) -> pl.DataFrame:
    """Tanks of whose temperatures some are none that a product in a tank has."""
    good = recent.filter(pl.col("quality") != "bad").drop_nulls("temp_c")
    good = good.with_columns(beyond=~pl.col("temp_c").is_between(COLDEST_C, WARMEST_C))
    each = good.group_by("tank_id").agg(pl.col("beyond").mean(), pl.col("ts").filter("beyond").min())
    bad = each.filter(pl.col("beyond") > _ABOVE_SHARE)
    note = f"share of temperatures outside {COLDEST_C:.0f} to {WARMEST_C:.0f} °C, as kelvin are; taken as not known"
    return _told(bad, "temperature_unit", pl.col("beyond"), pl.col("ts"), note)


def _chartless(tanks: pl.DataFrame, strapping: pl.DataFrame) -> pl.DataFrame:
    """Tanks that have no chart, and those whose stock moves as one with theirs."""
    without = tanks.join(strapping, on="tank_id", how="anti")
    pools = without.drop_nulls("manifold_id").select("site_id", "manifold_id").unique()
    found = pl.concat([without, tanks.join(pools, on=pools.columns, how="semi")]).unique("tank_id", maintain_order=True)
    nothing = pl.lit(None, pl.Float64)
    note = (
        "no chart that can be used, its own or a joined tank's: sales and tickets are counted, stock and loss are not; "
        "draws, water, feeds and clocks are judged by the nominal tank of its dimensions"
    )
    return _told(found, "no_chart", nothing, nothing, note)


def _off_chart(recent: pl.DataFrame, strapping: pl.DataFrame) -> pl.DataFrame:
    """Tanks most of whose levels their chart does not cover."""
    level, inside = pl.col("level_mm"), pl.col("level_mm").is_between(pl.col("bottom"), pl.col("top"))
    versions = strapping.group_by("tank_id", "valid_from").agg(bottom=level.min(), top=level.max())
    spans = versions.group_by("tank_id").agg(pl.col("bottom").max(), pl.col("top").min())
    good = recent.filter(pl.col("quality") != "bad").drop_nulls("level_mm").join(spans, on="tank_id")
    each = good.group_by("tank_id").agg(pl.col("ts").filter(~inside).min(), off=(~inside).mean())
    note = "share of levels outside its chart, of which no stock is told; its chart, its unit or its tag is wrong"
    return _told(each.filter(pl.col("off") > _OFF_CHART_SHARE), "no_chart", pl.col("off"), pl.col("ts"), note)


def _swapped(recent: pl.DataFrame, tanks: pl.DataFrame) -> pl.DataFrame:
    """Tanks of one site whose levels changed places within a few minutes."""
    level = recent.drop_nulls("level_mm").join(tanks, on="tank_id").select("site_id", "tank_id", "ts", "level_mm")
    before, after = _around(pl.col("level_mm"))
    was = pl.col("level_mm").shift().over("tank_id")
    jumps = level.with_columns(was=was, before=before, after=after).filter(
        (pl.col("level_mm") - was).abs() > _SWAP_APART_MM, (pl.col("after") - pl.col("before")).abs() > _SWAP_APART_MM
    )
    pairs = jumps.join(jumps, on="site_id", suffix="_other").filter(
        pl.col("tank_id") != pl.col("tank_id_other"),
        (pl.col("ts") - pl.col("ts_other")).abs() < timedelta(minutes=20),
        (pl.col("level_mm") - pl.col("was_other")).abs() < _SWAP_MM,
        (pl.col("level_mm_other") - pl.col("was")).abs() < _SWAP_MM,
    )
    first = pairs.sort("tank_id", "ts").unique("tank_id", keep="first", maintain_order=True)
    note = "its level and another tank's of the site changed places; the tag map no longer fits"
    return _told(first, "tag_map", pl.col("level_mm"), pl.col("ts"), note)


def _above(recent: pl.DataFrame, tanks: pl.DataFrame) -> pl.DataFrame:
    top = pl.when(pl.col("shape") == "vertical_cylinder").then("length_mm").otherwise("diameter_mm")
    over = recent.drop_nulls("level_mm").filter(pl.col("quality") != "bad").join(tanks, on="tank_id")
    over = over.with_columns(above=pl.col("level_mm") > ABOVE_TOP * top)
    each = over.group_by("tank_id").agg(pl.col("above").mean(), pl.col("ts").filter("above").min())
    bad = each.filter(pl.col("above") > _ABOVE_SHARE)
    note = "share of readings above the tank's top; its unit, its tag or its dimensions are wrong"
    return _told(bad, "above_tank", pl.col("above"), pl.col("ts"), note)


def _denser(days: pl.DataFrame) -> pl.DataFrame:
    seen = days.filter(pl.col("readings") > 0).sort("tank_id", "day")
    usual = pl.col("readings").median().over("tank_id")
    each = seen.with_columns(times=pl.col("readings") / usual).filter(pl.col("times") > _DENSER)
    first = each.unique("tank_id", keep="first", maintain_order=True)
    note = "times its usual number of readings a day; the historian's settings have changed"
    return _told(first, "denser", pl.col("times"), pl.col("day"), note)


def _strangers(refused: pl.DataFrame) -> pl.DataFrame:
    """Rows that name a tag or a tank that nobody knows, of no tank and so of the fleet."""
    named = refused.filter(pl.col("reason").str.contains("tag_unknown|tank_id_unknown|meter_id_unknown"))
    one = pl.DataFrame({"tank_id": [None], "n": [named.height]}, schema={"tank_id": pl.String(), "n": pl.Int64()})
    note = "refused rows name a tag, tank or meter that is not in the tables; the map no longer fits"
    found = one.filter(pl.col("n") > 0)
    told = _told(found, "tag_map", pl.col("n"), pl.lit(None, pl.Datetime("us", "UTC")), note)
    return told.with_columns(site_id=pl.lit(None, pl.String)).select(list(_SCHEMA))
