"""Does what went missing follow anything: a haulier, vehicle, route, terminal, an hour, a weekday, a hose?

Each is asked with the odds that chance does as well (`scoring/chance.py`), all groups that were looked at paid for.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.report import format as fmt
from pipeline.report import pattern_text as words
from pipeline.report.fleet import Fleet
from pipeline.report.rendering import as_json
from pipeline.report.tables import Tables
from pipeline.scoring.chance import Floats, Orders, Stratum, of_order, of_places

Row = dict[str, Any]
MISSING: Final = ("bulk_theft", "slow_theft", "missing_sales", "unexplained", "residual")
"""Parts of a day's variance that are missing litres or nothing known; what temperature, charts, meters, leaks and
tickets make of it is out."""
FEWEST: Final = 3
"""A group of fewer events is not looked at. No source."""
STANDS_OUT: Final = 0.01
"""Odds of chance at which a group is said to stand out; one page in a hundred names one by chance alone. No source."""
SEED: Final = 20_260_101
"""Of the orders that are drawn, so that the same data give the same page."""
SHOWN: Final = 8
"""Groups of each kind that are listed, those that stand out most. No source."""
_HOUR_S: Final = 3600


@dataclass(frozen=True)
class Asked:
    """A kind of group, `dimension`, and its groups by name with what was seen of each; `chance` of this kind alone."""

    dimension: str
    names: Sequence[str]
    events: Sequence[int]
    litres: Sequence[float]
    chance: Floats


def patterns_page(fleet: Fleet) -> Row:
    """What the page of patterns shows: of each kind the groups that stand out most, the odds of chance with each."""
    orders = Orders(np.random.default_rng(SEED))
    asked = (*_of_drops(fleet.tables, orders), *_of_days(fleet, orders), _of_hours(fleet))
    found = [one for one in asked if one is not None]
    rows = sorted((row for one in found for row in _rows(one, len(found))), key=lambda row: float(row["chance"]))
    looked = sum(len(one.names) for one in found)
    standing = [r for r in rows if r["stands_out"]]
    return {
        "rows": rows,
        "kinds": [words.DIMENSIONS[one.dimension] for one in found],
        "records": as_json(pattern_records(rows)),
        "line": _line(standing, looked, len(found)),
        "missing": _not_asked(found),
    }


def pattern_records(rows: Sequence[Row]) -> dict[str, Any]:
    """What is saved of the list."""
    columns = ["kind", "group", "events", "lost_l", "chance"]
    told = {r["key"]: [r["dimension"], r["name"], r["events"], round(r["litres"], 2), round(r["chance"], 8)]
            for r in rows}  # fmt: skip
    return {"columns": columns, "rows": told}


def _line(standing: Sequence[Row], looked: int, kinds: int) -> str:
    if not kinds:
        return words.NONE
    groups = fmt.count(looked, "group", "groups")
    if not standing:
        return words.NOTHING.format(groups=groups, kinds=kinds)
    named = "; ".join(f"{r['kind']}: {r['name']}" for r in standing)
    return words.FOUND.format(named=named, groups=groups, kinds=kinds)


def _not_asked(found: Sequence[Asked]) -> list[str]:
    asked = {one.dimension for one in found}
    return [label for name, label in words.DIMENSIONS.items() if name not in asked]


def _rows(asked: Asked, kinds: int) -> list[Row]:
    """The groups of a kind, the least likely by chance first; chance is paid for by the number of kinds as well."""
    order = sorted(range(len(asked.names)), key=lambda i: (asked.chance[i], -asked.litres[i], asked.names[i]))
    rows = []
    for i in order[:SHOWN]:
        chance = min(1.0, kinds * float(asked.chance[i]))
        rows.append(
            {
                "key": f"{asked.dimension} {asked.names[i]}", "dimension": asked.dimension, "name": asked.names[i],
                "kind": words.DIMENSIONS[asked.dimension], "events": asked.events[i], "litres": asked.litres[i],
                "chance": chance, "odds": odds(chance), "stands_out": chance <= STANDS_OUT,
            }
        )  # fmt: skip
    return rows


def odds(chance: float) -> str:
    """A chance as people say it: 'one time in 400', 'every other time or more'."""
    if chance > 0.5:
        return words.OFTEN
    times = 1.0 / max(chance, 1e-9)
    digits = max(0, int(np.floor(np.log10(times))) - 1)
    return words.ONE_IN.format(n=fmt.number(int(round(times, -digits))))


def _of_drops(tables: Tables, orders: Orders) -> list[Asked | None]:
    """What is left of drops once their tanks' own errors are out, by who brought them, with what and from where."""
    brought = tables["deliveries"].select("delivery_id", "carrier", "vehicle", "terminal")
    drops = (
        tables["drop_left"]
        .drop_nulls("left_l")
        .join(brought, on="delivery_id", how="left")
        .with_columns(route=pl.concat_str("carrier", "terminal", separator=", "))
    )
    drops = drops.with_columns(lost_l=-pl.col("left_l"))
    columns = {"haulier": "carrier", "vehicle": "vehicle", "route": "route", "terminal": "terminal"}
    return [_by_label(name, drops, drops[column].to_list(), orders) for name, column in columns.items()]


def _by_label(dimension: str, events: pl.DataFrame, labels: Sequence[str | None], orders: Orders) -> Asked | None:
    """Groups by a label of each event, compared within tanks; None where nothing could be told apart."""
    count: dict[str, int] = defaultdict(int)
    for label in labels:
        if label:
            count[label] += 1
    looked = {label: n for label, n in sorted(count.items()) if n >= FEWEST}
    number = {name: i for i, name in enumerate(looked)}
    group = np.array([number.get(label or "", -1) for label in labels])
    lost = events["lost_l"].to_numpy()
    by_tank: dict[str, list[int]] = defaultdict(list)
    for at, tank in enumerate(events["tank_id"]):
        by_tank[tank].append(at)
    strata = []
    for at_tank in by_tank.values():
        own = np.unique(group[at_tank])
        own = own[own >= 0]
        strata.append(Stratum(lost[at_tank], (group[at_tank][:, None] == own).astype(float), own))
    return _asked(dimension, looked, strata, orders)


def _asked(dimension: str, looked: Mapping[str, int], strata: Sequence[Stratum], orders: Orders) -> Asked | None:
    if not looked:
        return None
    found = of_order(strata, len(looked), orders)
    if not found.score.any():
        return None
    return Asked(dimension, list(looked), list(looked.values()), found.excess.tolist(), found.chance)


def _of_days(fleet: Fleet, orders: Orders) -> list[Asked | None]:
    """What went missing on trading days, by weekday, and by each hose's share of its tank's sales."""
    parts = fleet.tables["variance_parts"].filter(pl.col("part").is_in(MISSING)).drop_nulls("litres")
    days = parts.group_by("tank_id", "trading_day").agg((-pl.col("litres").sum()).alias("lost_l"))
    days = days.sort("tank_id", "trading_day")
    weekdays = [words.WEEKDAYS[d - 1] for d in days["trading_day"].dt.weekday()]
    return [_by_label("weekday", days, weekdays, orders), _by_hose(fleet.tables, days, orders)]


def _by_hose(tables: Tables, days: pl.DataFrame, orders: Orders) -> Asked | None:
    """Hoses by their shares of a day's sales of their tank; tanks with one hose tell nothing."""
    looked: dict[str, int] = {}
    strata: list[Stratum] = []
    for (tank_id,), own in days.group_by("tank_id", maintain_order=True):
        hoses = tables.of_tank("hose_days", str(tank_id))
        if hoses["meter_id"].n_unique() < 2:
            continue
        meters = sorted(hoses["meter_id"].unique())
        number = hoses["meter_id"].replace_strict(meters, [str(i) for i in range(len(meters))])
        wide = hoses.with_columns(number=number).pivot("number", index="trading_day", values="sold_l").fill_null(0.0)
        both = own.join(wide, on="trading_day", how="inner", maintain_order="left")
        sold = both.select(str(i) for i in range(len(meters))).to_numpy()
        is_open = sold.sum(axis=1) > 0.0
        shares = sold[is_open] / sold[is_open].sum(axis=1, keepdims=True)
        first = len(looked)
        days_sold = (sold[is_open] > 0.0).sum(axis=0).tolist()
        looked |= {f"{meter}, {tank_id}": n for meter, n in zip(meters, days_sold, strict=True)}
        strata.append(Stratum(both["lost_l"].to_numpy()[is_open], shares, np.arange(first, len(looked))))
    return _asked("hose", looked, strata, orders)


def _of_hours(fleet: Fleet) -> Asked | None:
    """Draws by the hour of the site's clock in which they began, against the hours in which one could be seen."""
    draws = fleet.tables["draws"]
    tanks = {t["tank_id"]: t for t in fleet.tanks}
    own = [r for r in draws.iter_rows(named=True) if r["tank_id"] in tanks]
    if len(own) < FEWEST:
        return None
    spread = _hours_spread(fleet.tables, tanks)
    shares = np.array([spread(r["tank_id"], r["kind"] == "at rest") for r in own])
    hours = np.array([r["ts_start"].astimezone(fmt.zone(tanks[r["tank_id"]]["timezone"])).hour for r in own])
    litres = np.bincount(hours, weights=[abs(r["litres"] or 0.0) for r in own], minlength=24)
    count = np.bincount(hours, minlength=24)
    seen = np.flatnonzero(count)
    names = [f"{h}:00" for h in seen]
    return Asked("hour", names, count[seen].tolist(), litres[seen].tolist(), of_places(shares, hours)[seen])


def _hours_spread(tables: Tables, tanks: Mapping[str, Row]) -> Callable[[str, bool], Floats]:
    """A function from a tank, and whether at rest or selling, to how such time is spread over the site's hours."""

    @cache
    def spread(tank_id: str, at_rest: bool) -> Floats:
        zone = str(fmt.zone(tanks[tank_id]["timezone"]))
        return _spread(tables.of_tank("ledger", tank_id).filter(pl.col("is_quiet") == at_rest), zone)

    return spread


def _spread(time: pl.DataFrame, zone: str) -> Floats:
    """How the spans of some time are spread over the hours of a zone's clock; evenly where there are none. (24,)"""
    hour = pl.col("hour")
    cells = time.select(
        "ts_start", "ts_end", hour=pl.datetime_ranges(pl.col("ts_start").dt.truncate("1h"), "ts_end", "1h")
    ).explode("hour")
    end = hour + timedelta(seconds=_HOUR_S)
    within = (pl.min_horizontal("ts_end", end) - pl.max_horizontal("ts_start", hour)).dt.total_seconds()
    sums = cells.group_by(h=hour.dt.convert_time_zone(zone).dt.hour()).agg(within.clip(lower_bound=0).sum().alias("s"))
    seconds = np.zeros(24)
    seconds[sums["h"].to_numpy()] = sums["s"].to_numpy()
    return seconds / seconds.sum() if seconds.sum() > 0 else np.full(24, 1.0 / 24.0)
