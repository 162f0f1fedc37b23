"""A site's trading days as sums that a page adds up over any span: tanks against their gauges, and each hose beside."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any, Final

import polars as pl

from pipeline.report import day_text as words
from pipeline.report import format as fmt
from pipeline.report.fleet import Fleet
from pipeline.report.hours import opens_at, usual_hours
from pipeline.report.rendering import as_json
from pipeline.report.tables import Tables

Row = dict[str, Any]
MAX_CELLS: Final = 24_000
"""Figures that a page carries at most, so that it stays below 300 KB; of more days the newest are kept."""
OF_TANK: Final = ("opening_stock_l", "deliveries_l", "sales_l", "closing_stock_l", "variance_l")
"""Figures of a tank's day."""
_DECIMALS: Final = 3


def days_page(fleet: Fleet, site: Row) -> Row:
    """What the page of a site's days shows: whole columns by day, and their sums over all of these days."""
    tables, site_id = fleet.tables, site["site_id"]
    tanks = [t for t in fleet.tanks if t["site_id"] == site_id]
    hoses = _hoses(tables, tanks)
    days = _days(tables, tanks, len(tanks) * len(OF_TANK) + len(hoses))
    of_tanks = {t["tank_id"]: columns_of(tables.of_tank("tank_days", t["tank_id"]), days, OF_TANK) for t in tanks}
    for hose in hoses:
        own = tables.of_tank("hose_days", hose["tank_id"]).filter(meter_id=hose["meter_id"])
        hose["sold_l"] = columns_of(own, days, ("sold_l",))["sold_l"]
    tank_rows = [t | span_of(of_tanks[t["tank_id"]], 0, len(days) - 1) for t in tanks]
    sold = {t["tank_id"]: t["sales_l"] for t in tank_rows}
    hose_rows = [_of_its_tank(h | {"total_l": _sum(h["sold_l"])}, sold) for h in hoses]
    content = {
        "days": [d.isoformat() for d in days], "tanks": [list(of_tanks[t["tank_id"]].values()) for t in tanks],
        "hoses": [h["sold_l"] for h in hoses], "of": [[t["tank_id"] for t in tanks].index(h["tank_id"]) for h in hoses],
    }  # fmt: skip
    return {
        "site": site, "days": days, "tanks": tank_rows, "hoses": hose_rows, "total": total_of(tank_rows),
        "sums": as_json(content), "all_days": len(_all_days(tables, tanks)), "line": line(total_of(tank_rows), days),
        "tank_records": as_json({"columns": ["tank_id", "from", "to", *OF_TANK, "variance_pct", "days"], "rows": {}}),
        "hose_records": as_json({"columns": ["meter_id", "from", "to", "tank_id", "sold_l", "share_pct"], "rows": {}}),
        "shift_form": _shift_form(site, days[-1]) if days else {},
        "months": " ".join(name[:3] for name in fmt.MONTHS),
    }  # fmt: skip


def _shift_form(site: Row, day: date) -> Row:
    """What the form of a span between two instants begins with: a trading day."""
    opens = opens_at(site)
    ends = {"from": day, "to": day + timedelta(days=1)}
    hours = " ".join(f"{at:%H:%M}" for at in usual_hours(site))
    return {name: f"{at}T{opens:%H:%M}" for name, at in ends.items()} | {"shifts": hours}


def span_of(columns: Mapping[str, Sequence[float | None]], first: int, last: int) -> Row:
    """A tank from one day to another: the first's opening, the last's closing, sums of what is known in between."""
    own = {name: columns[name][first : last + 1] for name in OF_TANK}
    variance, sales = _sum(own["variance_l"]), _sum(own["sales_l"])
    return {
        "opening_stock_l": own["opening_stock_l"][0] if own["opening_stock_l"] else None,
        "closing_stock_l": own["closing_stock_l"][-1] if own["closing_stock_l"] else None,
        "deliveries_l": _sum(own["deliveries_l"]), "sales_l": sales, "variance_l": variance,
        "pct": 100.0 * variance / sales if variance is not None and sales else None,
        "told": sum(v is not None for v in own["variance_l"]),
    }  # fmt: skip


def total_of(rows: Sequence[Row]) -> Row:
    """The tanks' spans added up; nothing of what is known of none."""
    sums = {name: _sum([r[name] for r in rows]) for name in OF_TANK}
    variance, sales = sums["variance_l"], sums["sales_l"]
    return sums | {"pct": 100.0 * variance / sales if variance is not None and sales else None}


def _of_its_tank(hose: Row, sold: Mapping[str, float | None]) -> Row:
    whole = sold[hose["tank_id"]]
    return hose | {"share_pct": 100.0 * hose["total_l"] / whole if whole and hose["total_l"] is not None else None}


def _hoses(tables: Tables, tanks: Sequence[Row]) -> list[Row]:
    """Each hose and tank that it draws on, in the order of tanks."""
    about = {r["meter_id"]: r for r in tables.rows("meters")}
    found = []
    for tank in tanks:
        for meter_id in tables.of_tank("hose_days", tank["tank_id"])["meter_id"].unique(maintain_order=True):
            spot = " ".join(str(about.get(meter_id, {}).get(c) or "") for c in ("dispenser", "hose")).strip()
            found.append({"meter_id": meter_id, "tank_id": tank["tank_id"], "href": tank["href"], "spot": spot})
    return found


def _all_days(tables: Tables, tanks: Sequence[Row]) -> list[date]:
    days = {d for t in tanks for d in tables.of_tank("tank_days", t["tank_id"])["trading_day"]}
    if not days:
        return []
    every = pl.date_range(min(days), max(days), eager=True)
    return list(every)


def _days(tables: Tables, tanks: Sequence[Row], columns: int) -> list[date]:
    """All trading days from the first to the last, the newest of them where they are too many for a page."""
    return _all_days(tables, tanks)[-max(MAX_CELLS // max(columns, 1), 1) :]


def columns_of(own: pl.DataFrame, days: Sequence[date], names: Sequence[str]) -> dict[str, list[float | None]]:
    """Figures of each of the days, None where there is none."""
    frame = pl.DataFrame({"trading_day": days}, schema={"trading_day": pl.Date}).join(
        own.select("trading_day", *names), on="trading_day", how="left", maintain_order="left"
    )
    return {name: [None if v is None else round(v, _DECIMALS) for v in frame[name]] for name in names}


def _sum(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def line(row: Row, days: Sequence[date]) -> str:
    """The sentence of a span of days."""
    if not days:
        return words.NONE
    return words.LINE.format(
        first=fmt.day(days[0]), last=fmt.day(days[-1]), sales=fmt.quantity(row["sales_l"], "l"),
        variance=fmt.quantity(row["variance_l"], "l", signed=True), pct=fmt.quantity(row["pct"], "%", 2, signed=True),
    )  # fmt: skip
