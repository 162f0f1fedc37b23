"""From a run's tables to pages: what each page shows, handed to its template."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any

import polars as pl

from pipeline.contract.causes import CAUSE
from pipeline.report import (
    deliveries,
    delivery_text,
    figures,
    fleet_figures,
    links,
    money,
    money_text,
    summaries,
    text,
    worklist,
)
from pipeline.report import format as fmt
from pipeline.report.case import URGENCIES, Case
from pipeline.report.records import case_records, day_records, meter_records, statement_records, tank_records
from pipeline.report.rendering import as_json, kept_environment
from pipeline.report.statements import limits_of, statements
from pipeline.report.stock import last_stock
from pipeline.report.tables import Tables

Row = dict[str, Any]
MAX_CASES = 1_000
MAX_STATEMENTS = 2_000
MAX_METERS = 1_500
MAX_MONEY = 200
DELIVERIES = "deliveries.html"
DAY_SHEET_DAYS = deliveries.DAY_SHEET_DAYS
# Points of a line: plenty where tanks are few, fewer in a large fleet so that the folder stays of a size.
_MOST_POINTS, _LEAST_POINTS, _ALL_POINTS = 4_000, 1_000, 400_000


@dataclass(frozen=True)
class Fleet:
    """What every page draws on."""

    tables: Tables
    as_of: date
    tanks: list[Row]
    cases: list[Case]
    statements: list[Row]
    gauges: list[Row]
    refused: list[Row]
    pools: Mapping[str, str]

    @classmethod
    def of(cls, tables: Tables, as_of: date) -> "Fleet":
        """Everything that is worked out once, for all pages."""
        pages = links.page_names(t for t in tables["tanks"]["tank_id"] if t is not None)
        cases = worklist.ranked(tables, pages, as_of)
        stock = last_stock(tables)
        tanks = [t | stock[t["tank_id"]] for t in summaries.tanks(tables, pages, cases)]
        by_id = {t["tank_id"]: t for t in tanks}
        said = statements(tables, by_id, cases)
        latest: dict[str, Row] = {}
        for row in said:
            latest.setdefault(row["tank_id"], row)
        tanks = [t | {"statement": latest.get(t["tank_id"])} for t in tanks]
        return cls(
            tables, as_of, tanks, cases, said, summaries.gauges(tables, by_id), summaries.refused(tables),
            worklist.pools(tables),
        )  # fmt: skip


@dataclass(frozen=True)
class Pages:
    """The report's pages, each made when it is asked for.

    `made` has each page's template and a function that gives what it shows, by its path below the report's folder.
    """

    fleet: Fleet
    style_hashes: tuple[str, ...]
    made: Mapping[str, tuple[str, Callable[[], Row]]]

    @classmethod
    def of(cls, fleet: Fleet, style_hashes: Sequence[str]) -> "Pages":
        """The pages of a fleet."""
        made: dict[str, tuple[str, Callable[[], Row]]] = {
            "index.html": ("index.html", partial(_index, fleet)),
            "fleet.html": ("fleet.html", partial(_fleet, fleet)),
            "meters.html": ("meters.html", partial(_meters, fleet)),
            "money.html": ("money.html", partial(_money, fleet)),
            "statements.html": ("statements.html", partial(_statements, fleet)),
            "data.html": ("data.html", partial(_data, fleet)),
            "reading.html": ("reading.html", dict),
        }
        made |= _delivery_pages(fleet)
        homeless = [c for c in fleet.cases if not c.tanks]
        if homeless:
            made["other.html"] = ("other.html", partial(_other, fleet, homeless))
        points = min(max(_ALL_POINTS // max(len(fleet.tanks), 1), _LEAST_POINTS), _MOST_POINTS)
        cases = _by_tank(fleet.cases)
        for tank in fleet.tanks:
            own = cases.get(tank["tank_id"], [])
            made[tank["href"]] = ("tank.html", partial(_tank, fleet, tank, own, points))
        return cls(fleet, tuple(style_hashes), made)

    def render(self, path: str, **more: object) -> str:
        """A page's HTML; `more` stands for what its template is told of the desk, and for another content policy.

        Raises
        ------
        KeyError
            If there is no such page.
        """
        template, make = self.made[path]
        return self.fill(template, path, **make(), **more)

    def fill(self, template: str, path: str, **context: object) -> str:
        """HTML of a template at a place below the report's folder."""
        common = {
            "as_of": self.fleet.as_of, "root": "../" * path.count("/"), "charts": None, "pools": self.fleet.pools,
            "other_charts": self.fleet.tables["other_charts"]["tank_id"].to_list(),
            "page": path,
        }  # fmt: skip
        return kept_environment(self.style_hashes).get_template(template).render(common | context)


def render_all(tables: Tables, as_of: date, style_hashes: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Every page as (path below the report's folder, HTML)."""
    pages = Pages.of(Fleet.of(tables, as_of), style_hashes)
    for path in pages.made:
        yield path, pages.render(path)


def _delivery_pages(fleet: Fleet) -> dict[str, tuple[str, Callable[[], Row]]]:
    """The list of deliveries, a page each span of days that is short enough for one; the newest is `DELIVERIES`."""
    rows = deliveries.deliveries(fleet.tables, {t["tank_id"]: t for t in fleet.tanks}, fleet.cases)
    spans = deliveries.windows(rows)
    paths = [DELIVERIES, *(f"deliveries-{first}.html" for first, _, _ in spans[1:])]
    labels = [_span_words(first, last) for first, last, _ in spans]
    common = {
        "line": _deliveries_line(rows), "places": list(zip(paths, labels, strict=False)), "section": DELIVERIES,
    }  # fmt: skip
    if not spans:
        return {DELIVERIES: ("deliveries.html", lambda: common | {"rows": []})}
    return {
        path: ("deliveries.html", partial(_deliveries, rows, own, first, common | {"window": label}))
        for path, label, (first, _, own) in zip(paths, labels, spans, strict=True)
    }


def _deliveries(rows: list[Row], own: list[Row], first: date, common: Row) -> Row:
    return common | {
        "rows": own, "calendar": deliveries.calendar(rows, first.replace(day=1)),
        "records": as_json(deliveries.delivery_records(own)),
    }  # fmt: skip


def _span_words(first: date, last: date) -> str:
    return fmt.day(first) if first == last else delivery_text.WINDOW.format(first=first.day, last=fmt.day(last))


def _deliveries_line(rows: Sequence[Row]) -> str:
    return delivery_text.LINE.format(
        drops=fmt.count(sum(r["has_drop"] for r in rows), "drop", "drops"),
        bare=fmt.number(sum(not r["tickets"] for r in rows)),
        tickets=fmt.count(sum(not r["has_drop"] for r in rows), "ticket", "tickets"),
        claims=fmt.number(sum(r["claim"] == "open" for r in rows)),
    )


def _other(fleet: Fleet, cases: list[Case]) -> Row:
    return {"cases": worklist.lettered(cases), "evidence": _evidence(fleet.tables, cases)}


def _by_tank(cases: Sequence[Case]) -> dict[str, list[Case]]:
    found: dict[str, list[Case]] = {}
    for case in cases:
        for tank_id in case.tanks:
            found.setdefault(tank_id, []).append(case)
    return found


def _index(fleet: Fleet) -> Row:
    first, more = worklist.headline(fleet.cases)
    shown = fleet.cases[:MAX_CASES]
    drawn = [c.row for c in shown if CAUSE[c.cause].is_at_stake]
    sizes = [abs(r[k]) for r in drawn for k in ("litres_low", "litres", "litres_high") if r[k] is not None]
    latest = [t["statement"] for t in fleet.tanks if t["statement"]]
    current = [c for c in fleet.cases if not c.is_past]
    tallies = [(u, sum(c.urgency == u for c in current)) for u in URGENCIES]
    return {
        "headline": first,
        "more": more,
        "news": worklist.news_line(fleet.cases, fleet.tables),
        "cases": [(c, _size_bar(c, max(sizes, default=1.0)) if CAUSE[c.cause].is_at_stake else None) for c in shown],
        "all_cases": len(fleet.cases),
        "records": as_json(case_records(shown)),
        "current": sum(not c.is_past for c in shown),
        "order": text.WORKLIST_ORDER.format(days=worklist.CURRENT_DAYS),
        "tallies": tallies,
        "has_money": any(c.money is not None for c in shown),
        "sites": sorted({c.site for c in shown}),
        "products": sorted({c.product_label for c in shown if c.product}),
        "causes": sorted({c.label for c in shown}),
        "blind": {
            "statements": sum(r["verdict"] == "inconclusive" for r in latest),
            "tested": len(latest),
            "tanks": len(fleet.tanks),
            "untested": len(fleet.tanks) - len(latest),
            "unseen": len(fleet.tanks) - len(fleet.gauges),
            "gauges": sum(bool({"stuck", "gappy", "silent"} & set(g["states"])) for g in fleet.gauges),
            "refused": sum(r["n"] for r in fleet.refused),
        },
    }


def _size_bar(case: Case, largest: float) -> dict[str, float] | None:
    """Where a case's litres stand, without their sign and by their square root: drops would dwarf draws otherwise."""
    value, low, high = case.sized()
    roots = [None if v is None else math.sqrt(max(v, 0.0)) for v in (value, low, high)]
    return worklist.bar(roots[0], roots[1], roots[2], (0.0, math.sqrt(largest)))


def _tank(fleet: Fleet, tank: Row, cases: list[Case], points: int) -> Row:
    tables, tank_id = fleet.tables, tank["tank_id"]
    tz = fmt.zone(tank["timezone"])
    named = worklist.lettered(cases)
    windows = [{"letter": k, "label": c.part} | c.window for k, c in named]
    charts = figures.tank_charts(tables, tank, windows, tz=tz, points=points)
    days = tables.of_tank("tank_days", tank_id)
    sheet = _day_sheet(days, tables.of_tank("variance_parts", tank_id))
    return {
        "tank": tank,
        "cases": named,
        "evidence": _evidence(tables, cases),
        "charts": as_json({"linked": True, "charts": charts}) if charts else None,
        "chart_keys": [c["key"] for c in charts],
        "drawing": _drawing(tank),
        "tz": tz,
        "limits": limits_of(tables),
        "days": sheet,
        "records": as_json(day_records(tank_id, sheet)),
        "all_days": days.height,
        "statements": [r for r in fleet.statements if r["tank_id"] == tank_id],
        "gauges": [g for g in fleet.gauges if g["tank_id"] == tank_id],
        "joined": [
            t for t in fleet.tanks if tank["manifold_id"] and t["manifold_id"] == tank["manifold_id"] and t is not tank
        ],
        "neighbours": [t for t in fleet.tanks if t["site_id"] == tank["site_id"]],
    }


def _evidence(tables: Tables, cases: Sequence[Case]) -> dict[str, list[Row]]:
    """Rows of evidence by case."""
    ids = [c.row["case_id"] for c in cases]
    found: dict[str, list[Row]] = {i: [] for i in ids}
    for row in tables["evidence"].filter(pl.col("case_id").is_in(ids)).iter_rows(named=True):
        found[row["case_id"]].append(row)
    return found


def _day_sheet(days: pl.DataFrame, parts: pl.DataFrame) -> list[Row]:
    """The last trading days, newest first, with what of each day's variance is explained."""
    left = (
        parts.filter(pl.col("part") == "residual").group_by("trading_day").agg(pl.col("litres").sum().alias("left_l"))
    )
    sheet = days.tail(DAY_SHEET_DAYS).join(left, on="trading_day", how="left").sort("trading_day", descending=True)
    with_more = sheet.with_columns(
        explained_l=pl.col("variance_l") - pl.col("left_l"),
        pct=pl.when(pl.col("sales_l") > 0).then(100 * pl.col("variance_l") / pl.col("sales_l")),
    )
    return with_more.to_dicts()


def _drawing(tank: Row) -> Row | None:
    """How full the tank stood at its last good reading, as shares of its height."""
    height = tank["length_mm"] if tank["shape"] == "vertical_cylinder" else tank["diameter_mm"]
    level, water = tank["level_mm"], tank["water_mm"]
    if level is None or not height:
        return None
    return {
        "is_standing": tank["shape"] == "vertical_cylinder", "level_mm": level, "water_mm": water, "height_mm": height,
        "level": min(max(level / height, 0.0), 1.0), "water": min(max((water or 0.0) / height, 0.0), 1.0),
    }  # fmt: skip


def _fleet(fleet: Fleet) -> Row:
    heat, notes = fleet_figures.heat_map(fleet.tables, fleet.tanks)
    charts = [c for c in (heat, fleet_figures.scatter(fleet.tanks)) if c is not None]
    days = fleet.tables["tank_days"]["trading_day"].n_unique()
    sold = [t["throughput_l"] for t in fleet.tanks if t["throughput_l"] is not None]
    return {
        "tanks": fleet.tanks,
        "zones": {t["tank_id"]: fmt.zone(t["timezone"]) for t in fleet.tanks},
        "records": as_json(tank_records(fleet.tanks, fleet.pools)),
        "heat_notes": notes,
        "charts": as_json({"linked": False, "charts": charts}) if charts else None,
        "chart_keys": [c["key"] for c in charts],
        "causes": summaries.by_cause(fleet.cases),
        "line": text.FLEET_LINE.format(
            tanks=fmt.count(len(fleet.tanks), "tank", "tanks"),
            sites=fmt.count(fleet.tables["sites"].height, "site", "sites"),
            throughput=fmt.quantity(sum(sold) if sold else None, "l"),
            days=fmt.count(days, "day", "days"),
        ),
    }


def _meters(fleet: Fleet) -> Row:
    names = {r["site_id"]: r["name"] or r["site_id"] for r in fleet.tables.rows("sites")}
    meters = summaries.meters(fleet.tables, names)
    return {
        "meters": meters[:MAX_METERS],
        "all_meters": len(meters),
        "records": as_json(meter_records(meters[:MAX_METERS])),
        "tolerance": summaries.meter_tolerance(),
        "hauliers": summaries.hauliers(fleet.tables),
        "href": {t["tank_id"]: t["href"] for t in fleet.tanks},
    }


def _money(fleet: Fleet) -> Row:
    rows = money.site_months(fleet.tables, {t["tank_id"]: t for t in fleet.tanks}, fleet.cases)
    shown = rows[:MAX_MONEY]
    months = money.by_month(rows)
    trend = money.trend(months)
    total = money.totals(rows)
    return {
        "rows": shown,
        "all_rows": len(rows),
        "months": months,
        "total": total,
        "line": money_text.line(total, months),
        "charts": as_json({"linked": False, "charts": [trend]}) if trend else None,
        "sites": sorted({r["site"] for r in shown}),
        "records": as_json(money.money_records(shown)),
    }


def _statements(fleet: Fleet) -> Row:
    shown = fleet.statements[:MAX_STATEMENTS]
    return {
        "statements": shown,
        "all_statements": len(fleet.statements),
        "records": as_json(statement_records(shown)),
        "limits": limits_of(fleet.tables),
        "months": sorted({r["month"] for r in shown if r["month"]}, reverse=True),
        "sites": sorted({r["site"] for r in shown if r["site"]}),
        "href": {t["tank_id"]: t["href"] for t in fleet.tanks},
    }


def _data(fleet: Fleet) -> Row:
    return {
        "refused": fleet.refused,
        "gauges": fleet.gauges,
        "troubles": _troubles(fleet),
        "trusted": list(fleet.tables.rows("expected_false")),
        "href": {t["tank_id"]: t["href"] for t in fleet.tanks},
    }


# Cases that are the same trouble as one of the data's, which tells of the last fortnight alone.
_TROUBLE_OF = {"clock_off": "clock_skew", "clock_drifts": "clock_skew", "stuck": "probe_fault"}


def _troubles(fleet: Fleet) -> list[Row]:
    """What ails the data, with its place's time, and where a case tells of the same since before, that case."""
    by_tank = _by_tank([c for c in fleet.cases if c.cause in _TROUBLE_OF.values() and not c.is_past])
    homes = {t["tank_id"]: t for t in fleet.tanks}
    rows = []
    for row in fleet.tables.rows("data_health"):
        tank = homes.get(row["tank_id"], {})
        cause = _TROUBLE_OF.get(row["kind"])
        case = next((c for c in by_tank.get(row["tank_id"], []) if c.cause == cause), None)
        since = fmt.moment(row["since"], fmt.zone(tank.get("timezone")))
        rows.append(
            row
            | {
                "site": tank.get("site") or row["site_id"] or "", "case": case,
                "since_text": case.since_long if case else since if row["since"] else "",
                "amount": text.clock_words(row["value"]) if row["kind"] == "clock_off" else fmt.number(row["value"], 1),
            }
        )  # fmt: skip
    return rows
