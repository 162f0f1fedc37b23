"""A site's page and the list of sites: its tanks, cases, deliveries, money, data, and what left beyond sales."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import date
from typing import Any, Final

from pipeline.report import beyond, links, troubles
from pipeline.report import day_text as words
from pipeline.report import format as fmt
from pipeline.report.fleet import Fleet
from pipeline.report.rendering import as_json

Row = dict[str, Any]
MAX_DELIVERIES: Final = 60
"""Deliveries of a month that a site's page lists; the page of deliveries has all."""
MAX_BEYOND: Final = 100
"""Draws and cases beyond sales that a site's page lists; their own page has all."""
MAX_CASES: Final = 100
"""Cases that a site's page lists, the first to be worked off first; the worklist has all."""


def site_rows(fleet: Fleet, money: Sequence[Row]) -> list[Row]:
    """A row a site, by name: its page and that of its days, how many tanks, stale ones and current cases, its month."""
    latest: dict[str, Row] = {}
    for row in money:
        if row["sales_l"] is not None:
            latest.setdefault(row["site_id"], row)
    rows = []
    for site in fleet.tables.rows("sites"):
        site_id = site["site_id"]
        if site_id not in fleet.places:
            continue
        tanks = [t for t in fleet.tanks if t["site_id"] == site_id]
        rows.append(
            named(site, fleet.places[site_id])
            | {
                "tanks": len(tanks),
                "stale": sum(t["is_stale"] for t in tanks), "latest": latest.get(site_id),
                "current": sum(c.row["site_id"] == site_id and not c.is_past for c in fleet.cases),
            }
        )  # fmt: skip
    return sorted(rows, key=lambda r: (r["site"], r["site_id"]))


def named(site: Row, href: str) -> Row:
    """A site with the name that it goes by, its page and that of its days."""
    return site | {"site": site["name"] or site["site_id"], "href": href, "days_href": links.days_page(href)}


def line_of_sites(fleet: Fleet, rows: Sequence[Row]) -> str:
    """The sentence of the list of sites."""
    return words.LINE_OF_SITES.format(
        sites=fmt.count(len(rows), "site", "sites"), tanks=fmt.count(len(fleet.tanks), "tank", "tanks"),
        stale=fmt.number(sum(t["is_stale"] for t in fleet.tanks)),
    )  # fmt: skip


def site_records(rows: Sequence[Row]) -> dict[str, Any]:
    """What is saved of the list of sites."""
    columns = ["site_id", "site", "tanks", "stale_tanks", "current_cases", "month", "sales_l", "variance_l",
               "shrink_pct"]  # fmt: skip
    return {"columns": columns, "rows": {r["site_id"]: _record(r) for r in rows}}


def _record(row: Row) -> list[Any]:
    latest = row["latest"] or {}
    figures = [latest.get(name) for name in ("sales_l", "variance_l", "shrink_pct")]
    month = latest.get("month")
    return [row["site_id"], row["site"], row["tanks"], row["stale"], row["current"], month and str(month),
            *(None if v is None else round(v, 4) for v in figures)]  # fmt: skip


def site_page(fleet: Fleet, site: Row, money: Sequence[Row], deliveries: Sequence[Row], left: Sequence[Row]) -> Row:
    """What a site's page shows; `money`, `deliveries` and `left` beyond sales are the fleet's."""
    site_id = site["site_id"]
    tanks = [t for t in fleet.tanks if t["site_id"] == site_id]
    own = {t["tank_id"] for t in tanks}
    cases = [c for c in fleet.cases if c.row["site_id"] == site_id]
    left = beyond.of_site(left, site_id)
    picture = beyond.hours(left)
    brought, month = _of_last_month(fleet, [r for r in deliveries if r["tank_id"] in own])
    return {
        "site": site, "tz": fmt.zone(site["timezone"]), "tanks": tanks,
        "hoses": fleet.tables["meters"].filter(site_id=site_id).height, "cases": cases[:MAX_CASES],
        "all_cases": len(cases), "brought": brought[:MAX_DELIVERIES], "all_brought": len(brought), "month": month,
        "hauliers": _hauliers(brought), "money": [r for r in money if r["site_id"] == site_id],
        "with_paper": {(r["site_id"], r["month"]) for r in fleet.statements},
        "gauges": [g for g in fleet.gauges if g["tank_id"] in own], "troubles": _troubles(fleet, own, site_id),
        "left": left[:MAX_BEYOND], "all_left": len(left), "left_line": beyond.line(left),
        "charts": as_json({"linked": False, "charts": [picture]}) if picture else None,
        "beyond_records": as_json(beyond.beyond_records(left[:MAX_BEYOND])),
        "tank_href": {t["tank_id"]: t["href"] for t in tanks},
    }  # fmt: skip


def _troubles(fleet: Fleet, tanks: set[str], site_id: str) -> list[Row]:
    """What ails the data of a site and of its tanks."""
    every = troubles.troubles(fleet)
    return [r for r in every if r["tank_id"] in tanks or (r["tank_id"] is None and r["site_id"] == site_id)]


def _of_last_month(fleet: Fleet, rows: Sequence[Row]) -> tuple[list[Row], date]:
    """Deliveries of the month in which the data end, by the site's clock."""
    month = fleet.as_of.replace(day=1)
    return [r for r in rows if r["day"].replace(day=1) == month], month


def _hauliers(rows: Sequence[Row]) -> list[Row]:
    """Of each haulier of some deliveries: how many, what was ticketed, and differences of those that have one."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[row["haulier"]].append(row)
    return [
        {
            "name": name or words.NO_HAULIER, "n": len(own), "claims": sum(r["claim"] == "open" for r in own),
            "ticketed_l": _sum([r["ticketed_l"] for r in own]), "difference_l": _sum([r["difference_l"] for r in own]),
        }
        for name, own in sorted(found.items())
    ]  # fmt: skip


def _sum(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None
