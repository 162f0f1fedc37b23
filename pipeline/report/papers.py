"""Pages that are made to be printed: a case file, a delivery claim, a month's statement of a tank or a site."""

from calendar import monthrange
from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta
from functools import partial
from importlib.metadata import version

import polars as pl

from pipeline.report import format as fmt
from pipeline.report import links
from pipeline.report import paper_text as words
from pipeline.report.case import Case, money_words
from pipeline.report.fleet import Fleet, Row
from pipeline.report.statements import limits_of
from pipeline.report.tables import Tables
from pipeline.report.weighed import weighed_of
from pipeline.report.worklist import prices_of

Papers = dict[str, tuple[str, Callable[[], Row]]]


def paper_pages(fleet: Fleet, deliveries: Sequence[Row]) -> Papers:
    """Template and content of each paper, by its path; each is made when it is asked for."""
    made: Papers = {
        links.case_paper(str(c.row["case_id"])): ("paper_case.html", partial(_case, fleet, c)) for c in fleet.cases
    }
    claimed = [r for r in deliveries if r["case"] is not None]
    made |= {links.claim_paper(str(r["key"])): ("paper_claim.html", partial(_claim, fleet, r)) for r in claimed}
    by_site: dict[tuple[str, date], list[Row]] = {}
    for row in fleet.statements:
        if row["month"] is not None:
            made[links.statement_paper(row["month"], str(row["tank_id"]))] = (
                "paper_statement.html",
                partial(_statement, fleet, [row]),
            )
            by_site.setdefault((row["site_id"], row["month"]), []).append(row)
    for (site_id, month), rows in by_site.items():
        made[links.site_paper(month, site_id)] = ("paper_statement.html", partial(_statement, fleet, rows))
    return made


def _case(fleet: Fleet, case: Case) -> Row:
    evidence = weighed_of(fleet, [case])[str(case.row["case_id"])]
    months = [case.row["ts_start"].date()] if case.row["ts_start"] else []
    gaps = [_gaps(fleet.tables, tank, *_from_to(months[0], fleet.as_of)) for tank in case.tanks] if months else []
    return _common(fleet, case.tanks, "case") | {
        "title": words.CASE, "of": case.site, "case": case, "evidence": evidence, "gaps": gaps,
    }  # fmt: skip


def _claim(fleet: Fleet, row: Row) -> Row:
    tank = next((t for t in fleet.tanks if t["tank_id"] == row["tank_id"]), {})
    price, currency = prices_of(fleet.tables)(tank)
    difference = row["difference_l"]
    worth = None if None in (price, currency, difference) else money_words(str(currency), abs(difference) * price)
    facts = [
        ("site", row["site"]), ("tank", row["tank_id"]), ("product", row["product_label"]),
        ("when", fmt.moment(row["at"], row["tz"])), ("tickets", ", ".join(row["tickets"])), ("haulier", row["haulier"]),
        ("vehicle", row["vehicle"]), ("terminal", row["terminal"]), ("case", row["case"].row["case_id"]),
    ]  # fmt: skip
    return _common(fleet, [row["tank_id"]], "claim") | {
        "title": words.CLAIM, "of": ", ".join(filter(None, [row["haulier"], row["site"]])), "row": row,
        "facts": [(words.FACTS[name], value) for name, value in facts if value], "worth": worth,
        "gaps": [_gaps(fleet.tables, row["tank_id"], row["day"], row["day"])],
    }  # fmt: skip


def _statement(fleet: Fleet, rows: Sequence[Row]) -> Row:
    first = rows[0]
    last = first["month"].replace(day=monthrange(first["month"].year, first["month"].month)[1])
    tanks = {t["tank_id"]: t for t in fleet.tanks}
    tank = tanks.get(first["tank_id"], {})
    of = words.OF_TANK.format(tank=first["tank_id"], product=tank.get("product_label", ""), site=first["site"])
    return _common(fleet, [r["tank_id"] for r in rows], "statement") | {
        "title": words.STATEMENT, "of": of if len(rows) == 1 else first["site"], "rows": list(rows),
        "month": first["month"], "limits": limits_of(fleet.tables),
        "total": {name: _sum(r[name] for r in rows) for name in ("throughput_l", "variance_l")},
        "gaps": [_gaps(fleet.tables, r["tank_id"], first["month"], last) for r in rows],
    }  # fmt: skip


def _common(fleet: Fleet, tanks: Sequence[str], kind: str) -> Row:
    others = sorted({*fleet.tables["other_charts"]["tank_id"]} & {*tanks})
    return {
        "method": words.METHODS[kind], "version": version("tankdrift"),
        "by_other_chart": words.OTHER_CHART.format(tanks=", ".join(others)) if others else "",
    }  # fmt: skip


def _gaps(tables: Tables, tank_id: str, first: date, last: date) -> Row:
    """What of a tank's data is missing from the first day to the last: counts of days, hours and a share."""
    health = tables.of_tank("health", tank_id).filter(pl.col("day").is_between(first, last))
    days = tables.of_tank("tank_days", tank_id).filter(pl.col("trading_day").is_between(first, last))
    read = health.filter(pl.col("readings") > 0).height
    return {
        "tank_id": tank_id, "days": (last - first).days + 1, "read": read,
        "told": days["variance_l"].drop_nulls().len(), "gap_hours": health["gap_hours"].sum() if read else None,
        "bad_pct": None if not read else 100.0 * (health["bad_share"].mean() or 0.0),  # type: ignore[operator]
    }  # fmt: skip


def _from_to(first: date, last: date) -> tuple[date, date]:
    """Not more than the last three months of it."""
    return max(first, last - timedelta(days=92)), last


def _sum(values: Iterable[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None
