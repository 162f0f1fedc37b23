"""From a run's tables to pages: what each page shows, handed to its template."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, partial
from typing import Any, Final

from pipeline.contract.causes import CAUSE
from pipeline.report import beyond, beyond_text, fleet_figures, money, money_text, summaries, text, what_if, worklist
from pipeline.report import format as fmt
from pipeline.report.case import URGENCIES, Case
from pipeline.report.day_sums import days_page
from pipeline.report.delivery_pages import delivery_pages, delivery_rows, delivery_windows
from pipeline.report.fleet import Fleet, Row, by_tank
from pipeline.report.meter_weeks import meter_weeks
from pipeline.report.papers import paper_pages
from pipeline.report.parts import Made, Part, part_pages, parted, rows_place, rows_script
from pipeline.report.patterns import patterns_page
from pipeline.report.records import case_records, meter_records, statement_records, tank_records
from pipeline.report.rendering import as_json, kept_environment
from pipeline.report.search import PLACE, search_script
from pipeline.report.site_pages import line_of_sites, named, site_page, site_records, site_rows
from pipeline.report.statements import limits_of
from pipeline.report.tables import Tables
from pipeline.report.tank_page import tank_page
from pipeline.report.troubles import troubles
from pipeline.report.weighed import weighed_of
from pipeline.said.since import Shown, news_of

LOOKED = "looked.html"
# Points of a line: plenty where tanks are few, fewer in a large fleet so that the folder stays of a size.
_MOST_POINTS, _LEAST_POINTS, _ALL_POINTS = 2_500, 700, 350_000


FOLDERS: Final = ("tanks", "sites", "days")
"""Folders of pages below the report's own."""


@dataclass(frozen=True)
class Pages:
    """The report's pages, each made when it is asked for.

    `made` has each page's template and a function that gives what it shows, by its path below the report's folder;
    `papers` those that are made to be printed, which the report from disk does not have; `search` gives the script that
    says where everything is; `parted` are the pages that have a script of their rows; `what_if` are the tanks that
    a run beside this one has other charts for.
    """

    fleet: Fleet
    style_hashes: tuple[str, ...]
    made: Mapping[str, tuple[str, Callable[[], Row]]]
    papers: Mapping[str, tuple[str, Callable[[], Row]]]
    search: Callable[[], str]
    what_if: tuple[str, ...] = ()
    parted: frozenset[str] = frozenset()

    @classmethod
    def of(cls, fleet: Fleet, style_hashes: Sequence[str], beside: Fleet | None = None) -> "Pages":
        """The pages of a fleet; `beside` is the same by other charts, to be compared with it."""
        names = {r["site_id"]: r["name"] or r["site_id"] for r in fleet.tables.rows("sites")}
        tanks = {t["tank_id"]: t for t in fleet.tanks}
        meters = fleet.tables.once("meters", partial(summaries.meters, fleet.tables, names))
        by_month = money.site_months(fleet.tables, tanks, fleet.cases)
        sites, deliveries, left = site_rows(fleet, by_month), delivery_rows(fleet), beyond.beyond_sales(fleet)
        lists: list[tuple[str, Sequence[Any], Callable[[Part], Row]]] = [
            ("index.html", fleet.cases, partial(_index, fleet)),
            ("fleet.html", fleet.tanks, partial(_fleet, fleet)),
            ("meters.html", meters, partial(_meters, fleet)),
            ("sites.html", sites, partial(_sites, fleet, sites)),
            ("beyond.html", left, partial(_beyond, left)),
            ("money.html", by_month, partial(_money, fleet, by_month)),
            ("statements.html", fleet.statements, partial(_statements, fleet)),
            ("data.html", fleet.gauges, partial(_data, fleet)),
        ]
        made: Made = {"reading.html": ("reading.html", dict)}
        parts: dict[str, Part] = {}
        for path, rows, make in lists:
            of_list = parted(path, rows)
            parts |= of_list
            made |= part_pages(of_list, make)
        windows = delivery_windows(deliveries)
        made |= delivery_pages(deliveries, windows)
        made["patterns.html"] = ("patterns.html", cache(partial(patterns_page, fleet)))
        for site in sites:
            made[site["href"]] = ("site.html", partial(site_page, fleet, site, by_month, deliveries, left))
            made[site["days_href"]] = ("days.html", partial(days_page, fleet, site))
        homeless = [c for c in fleet.cases if not c.tanks]
        if homeless:
            made["other.html"] = ("other.html", partial(_other, fleet, homeless))
        points = min(max(_ALL_POINTS // max(len(fleet.tanks), 1), _LEAST_POINTS), _MOST_POINTS)
        cases = by_tank(fleet.cases)
        for tank in fleet.tanks:
            own = cases.get(tank["tank_id"], [])
            made[tank["href"]] = ("tank.html", partial(tank_page, fleet, tank, own, points))
        if beside is not None:
            made[what_if.PAGE] = ("what_if.html", partial(what_if.compared, fleet, beside))
        others = [] if beside is None else beside.tables["other_charts"]["tank_id"].to_list()
        script = partial(search_script, fleet, parts, [(path, own) for path, _, _, own in windows])
        return cls(
            fleet, tuple(style_hashes), made, paper_pages(fleet, deliveries), script, tuple(others), _with_rows(parts)
        )

    def __contains__(self, path: str) -> bool:
        """Whether there is such a page."""
        return path in self.made or path in self.papers

    def site_of(self, href: str) -> Row | None:
        """The site whose page is there, None where none is."""
        site_id = next((one for one, path in self.fleet.places.items() if path == href), None)
        sites = self.fleet.tables.rows("sites")
        found = next((site for site in sites if site_id is not None and site["site_id"] == site_id), None)
        return found and named(found, href)

    def since(self, last: Shown, line: str) -> "Pages":
        """The same with the worklist once more, at `LOOKED`, by what was shown another time, of which `line` tells."""
        cases = [replace(c, news=news_of(c.row, c.state, last)) for c in self.fleet.cases]
        of_list = parted(LOOKED, cases)
        own = part_pages(of_list, partial(_index, replace(self.fleet, cases=cases)))
        told = {"section": "index.html", "news": worklist.counted_news(cases, line)}
        made = {path: ("index.html", partial(_with, make, told)) for path, (_, make) in own.items()}
        return replace(self, made={**self.made, **made}, parted=self.parted | _with_rows(of_list))

    def render(self, path: str, **more: object) -> str:
        """A page's HTML; `more` stands for what its template is told of the desk, and for another content policy.

        Raises
        ------
        KeyError
            If there is no such page.
        """
        template, make = self.made[path] if path in self.made else self.papers[path]
        return self.fill(template, path, **make(), **more)

    def fill(self, template: str, path: str, **context: object) -> str:
        """HTML of a template at a place below the report's folder."""
        common = {
            "as_of": self.fleet.as_of, "root": "../" * path.count("/"), "charts": None, "pools": self.fleet.pools,
            "other_charts": self.fleet.tables["other_charts"]["tank_id"].to_list(),
            "places": self.fleet.places, "page": path, "has_search": True, "what_if": self.what_if,
        }  # fmt: skip
        return kept_environment(self.style_hashes).get_template(template).render(common | context)


def render_all(tables: Tables, as_of: date, style_hashes: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Every page and script, as (path below the report's folder, content).

    Scripts have the rows of a part of a long list, and say where everything is.
    """
    pages = Pages.of(Fleet.of(tables, as_of), style_hashes)
    for path in pages.made:
        html = pages.render(path)
        yield path, html
        if path in pages.parted:
            yield rows_place(path), rows_script(path, html)
    yield PLACE, pages.search()


def _with_rows(parts: Mapping[str, Part]) -> frozenset[str]:
    return frozenset(path for path, part in parts.items() if part.scripts)


def _with(make: Callable[[], Row], more: Row) -> Row:
    return make() | more


def _other(fleet: Fleet, cases: list[Case]) -> Row:
    return {"cases": worklist.lettered(cases), "evidence": weighed_of(fleet, cases)}


def _index(fleet: Fleet, part: Part) -> Row:
    first, more = worklist.headline(fleet.cases)
    shown = part.rows
    drawn = [c.row for c in fleet.cases if CAUSE[c.cause].is_at_stake]
    sizes = [abs(r[k]) for r in drawn for k in ("litres_low", "litres", "litres_high") if r[k] is not None]
    latest = [t["statement"] for t in fleet.tanks if t["statement"]]
    current = [c for c in fleet.cases if not c.is_past]
    tallies = [(u, sum(c.urgency == u for c in current)) for u in URGENCIES]
    return {
        "headline": first,
        "more": more,
        "news": worklist.news_line(fleet.cases, fleet.tables),
        "cases": [(c, _size_bar(c, max(sizes, default=1.0)) if CAUSE[c.cause].is_at_stake else None) for c in shown],
        "records": as_json(case_records(shown)),
        "current": sum(not c.is_past for c in shown),
        "order": text.WORKLIST_ORDER.format(days=worklist.CURRENT_DAYS),
        "tallies": tallies,
        "has_money": any(c.money is not None for c in fleet.cases),
        "sites": sorted({c.site for c in part.whole}),
        "products": sorted({c.product_label for c in part.whole if c.product}),
        "causes": sorted({c.label for c in part.whole}),
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


def _fleet(fleet: Fleet, part: Part) -> Row:
    heat, notes = fleet_figures.heat_map(fleet, fleet.tanks) if part.is_first else (None, [])
    drawn = (heat, fleet_figures.scatter(fleet.tanks)) if part.is_first else ()
    charts = [c for c in drawn if c is not None]
    days = fleet.tables["tank_days"]["trading_day"].n_unique()
    sold = [t["throughput_l"] for t in fleet.tanks if t["throughput_l"] is not None]
    return {
        "tanks": part.rows,
        "zones": {t["tank_id"]: fmt.zone(t["timezone"]) for t in part.rows},
        "records": as_json(tank_records(part.rows, fleet.pools)),
        "heat_notes": notes,
        "heat_sites": heat.pop("sites") if heat else [],
        "furthest": fleet_figures.furthest(fleet) if part.is_first else [],
        "charts": as_json({"linked": False, "charts": charts}) if charts else None,
        "chart_keys": [c["key"] for c in charts],
        "causes": summaries.by_cause(fleet.cases) if part.is_first else [],
        "line": text.FLEET_LINE.format(
            tanks=fmt.count(len(fleet.tanks), "tank", "tanks"),
            sites=fmt.count(fleet.tables["sites"].height, "site", "sites"),
            throughput=fmt.quantity(sum(sold) if sold else None, "l"),
            days=fmt.count(days, "day", "days"),
        ),
    }


def _sites(fleet: Fleet, rows: list[Row], part: Part) -> Row:
    return {
        "rows": part.rows, "line": line_of_sites(fleet, rows), "records": as_json(site_records(part.rows)),
    }  # fmt: skip


def _beyond(rows: list[Row], part: Part) -> Row:
    picture = beyond.hours(rows) if part.is_first else None
    return {
        "rows": part.rows, "line": beyond.line(rows), "records": as_json(beyond.beyond_records(part.rows)),
        "sorts": [label for sort, label in beyond_text.SORTS.items() if any(r["sort"] == sort for r in rows)],
        "charts": as_json({"linked": False, "charts": [picture]}) if picture else None,
    }  # fmt: skip


def _meters(fleet: Fleet, part: Part) -> Row:
    return {
        "meters": part.rows,
        "records": as_json(meter_records(part.rows)),
        "tolerance": summaries.meter_tolerance(),
        "scale": summaries.METER_SCALE,
        "weeks": meter_weeks(fleet.tables, part.rows) if part.is_first else [],
        "hauliers": summaries.hauliers(fleet.tables) if part.is_first else [],
        "href": {t["tank_id"]: t["href"] for t in fleet.tanks},
    }


def _money(fleet: Fleet, rows: list[Row], part: Part) -> Row:
    months = money.by_month(rows)
    trend = money.trend(months) if part.is_first else None
    total = money.totals(rows)
    return {
        "rows": part.rows,
        "months": months,
        "total": total,
        "line": money_text.line(total, months),
        "charts": as_json({"linked": False, "charts": [trend]}) if trend else None,
        "sites": sorted({r["site"] for r in rows}),
        "records": as_json(money.money_records(part.rows)),
        "with_paper": {(r["site_id"], r["month"]) for r in fleet.statements},
    }


def _statements(fleet: Fleet, part: Part) -> Row:
    shown = part.rows
    return {
        "statements": shown,
        "records": as_json(statement_records(shown)),
        "limits": limits_of(fleet.tables),
        "months": sorted({r["month"] for r in part.whole if r["month"]}, reverse=True),
        "sites": sorted({r["site"] for r in part.whole if r["site"]}),
        "href": {t["tank_id"]: t["href"] for t in fleet.tanks},
    }


def _data(fleet: Fleet, part: Part) -> Row:
    return {
        "refused": fleet.refused,
        "gauges": part.rows,
        "troubles": troubles(fleet),
        "trusted": list(fleet.tables.rows("expected_false")),
        "href": {t["tank_id"]: t["href"] for t in fleet.tanks},
    }
