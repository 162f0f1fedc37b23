"""A site's tanks between any two instants: gauge, deliveries and sales of the ledger's rows, or of whole days."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.report import format as fmt
from pipeline.report import shift_text as words
from pipeline.report.day_sums import OF_TANK, columns_of, span_of, total_of
from pipeline.report.fleet import Fleet
from pipeline.report.hours import day_at, opening
from pipeline.report.rendering import as_json

Row = dict[str, Any]
_DAY: Final = timedelta(days=1)
_DECIMALS: Final = 4


def data_of(fleet: Fleet, site: Row) -> tuple[datetime, datetime] | None:
    """The first and the last settled reading of a site's tanks; None where there is none."""
    ledgers = [fleet.tables.of_tank("ledger", t["tank_id"]) for t in _tanks(fleet, site)]
    ends = [(own["ts_start"][0], own["ts_end"][-1]) for own in ledgers if not own.is_empty()]
    return (min(first for first, _ in ends), max(last for _, last in ends)) if ends else None


def span_sums(fleet: Fleet, site: Row, start: datetime, end: datetime) -> Row:
    """What the page of a span shows of a site's tanks, and of all of them together.

    From the opening of a trading day to that of another, it is what the day sheets have. Else each tank is taken from
    its settled reading nearest to `start` to that nearest to `end`, so that spans next to each other add up, and where
    these are one, from the last before the span to the first after it; `start_at` and `end_at` are these. A tank
    without one in the span has no figures.
    """
    tanks, tz = _tanks(fleet, site), fmt.zone(site["timezone"])
    days = _whole_days(fleet, site, tanks, start, end)
    if days:
        rows = [t | _of_days(fleet.tables.of_tank("tank_days", t["tank_id"]), days, start, end) for t in tanks]
    else:
        rows = [t | _of_ledger(fleet.tables.of_tank("ledger", t["tank_id"]), start, end) for t in tanks]
    total = total_of(rows)
    columns = ["tank_id", "from", "to", *OF_TANK, "variance_pct"]
    line = words.LINE.format(
        span=fmt.window(start, end, tz), sales=fmt.quantity(total["sales_l"], "l"),
        variance=fmt.quantity(total["variance_l"], "l", signed=True),
        pct=fmt.quantity(total["pct"], "%", 2, signed=True),
    )  # fmt: skip
    return {
        "tanks": rows, "total": total, "line": line, "how": words.WHOLE if days else words.SETTLED,
        "tank_records": as_json({"columns": columns, "rows": {r["tank_id"]: _record(r, tz) for r in rows}}),
    }  # fmt: skip


def _tanks(fleet: Fleet, site: Row) -> list[Row]:
    return [t for t in fleet.tanks if t["site_id"] == site["site_id"]]


def _whole_days(fleet: Fleet, site: Row, tanks: Sequence[Row], start: datetime, end: datetime) -> list[date]:
    """The trading days that a span is made of; none where it is not, or where some of them are not on the sheets."""
    first, after = day_at(site, start), day_at(site, end)
    if (opening(site, first), opening(site, after)) != (start, end):
        return []
    days = list(pl.date_range(first, after - _DAY, eager=True))
    sheets = [fleet.tables.of_tank("tank_days", t["tank_id"])["trading_day"] for t in tanks]
    known = {day for sheet in sheets for day in sheet}
    return days if known.issuperset(days) else []


def _of_days(own: pl.DataFrame, days: Sequence[date], start: datetime, end: datetime) -> Row:
    found = span_of(columns_of(own, days, OF_TANK), 0, len(days) - 1)
    is_known = any(found[name] is not None for name in OF_TANK)
    return found | {"start_at": start if is_known else None, "end_at": end, "is_silent": own.is_empty()}


def _of_ledger(own: pl.DataFrame, start: datetime, end: datetime) -> Row:
    about = own.filter(pl.col("ts_end") > start, pl.col("ts_start") < end)
    first, last = _nearest(about, start), _nearest(about, end)
    inside = about.filter(pl.col("ts_start") >= first, pl.col("ts_end") <= last) if first != last else about
    row: Row = dict.fromkeys((*OF_TANK, "pct", "start_at", "end_at")) | {"is_silent": own.is_empty()}
    if inside.is_empty():
        return row
    came, sold = (_known_sum(inside[name]) for name in ("delivered_l", "sold_l"))
    first_l, last_l = inside["gauge_start_l"][0], inside["gauge_end_l"][-1]
    known = first_l is not None and last_l is not None and came is not None and sold is not None
    variance = last_l - (first_l + came - sold) if known else None
    return row | {
        "opening_stock_l": first_l, "closing_stock_l": last_l, "deliveries_l": came, "sales_l": sold,
        "variance_l": variance, "pct": 100.0 * variance / sold if variance is not None and sold else None,
        "start_at": inside["ts_start"][0], "end_at": inside["ts_end"][-1],
    }  # fmt: skip


def _nearest(rows: pl.DataFrame, at: datetime) -> datetime | None:
    """The settled reading nearest to an instant, the earlier of two; None without rows."""
    readings = pl.concat([rows["ts_start"], rows["ts_end"]]).unique().sort()
    return min(readings, key=lambda one: abs(one - at), default=None)


def _known_sum(values: pl.Series) -> float | None:
    return None if values.null_count() == len(values) else float(values.sum())


def _record(row: Row, tz: ZoneInfo) -> list[Any]:
    ends = [
        None if row["start_at"] is None else row[name].astimezone(tz).isoformat() for name in ("start_at", "end_at")
    ]
    figures = [row[name] for name in (*OF_TANK, "pct")]
    return [row["tank_id"], *ends, *(None if v is None else round(v, _DECIMALS) for v in figures)]
