"""Cases as people read them: in plain words, in the order to be worked off, with where each is to be found."""

import math
import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from pipeline.contract.causes import CAUSE
from pipeline.report import format as fmt
from pipeline.report import links, said_text, text
from pipeline.report.believed import believed_before
from pipeline.report.case import CURRENT_DAYS as CURRENT_DAYS
from pipeline.report.case import URGENCIES, Case, money_words
from pipeline.report.danger import how_gone
from pipeline.report.tables import Tables
from pipeline.said.sayings import standings
from pipeline.said.since import NEWS, Shown, news_of

_WORDS = re.compile(r"[^\s,;]+")


def ranked(tables: Tables, pages: Mapping[str, str], as_of: date) -> list[Case]:
    """All cases, the first to be worked off first.

    What is current before what is past; by urgency; then those where a sale is at risk; then by what is at stake (in
    money where every case has its worth in one currency, else in litres) times the probability.
    """
    cases = _cases(tables, pages, as_of)
    staked = [c for c in cases if c.row["litres"] is not None and CAUSE[c.cause].is_at_stake]
    in_money = all(c.money is not None for c in staked) and len({c.currency for c in staked}) == 1

    def order(case: Case) -> tuple[bool, int, int, float, str]:
        litres = abs(case.row["litres"] or 0.0) if CAUSE[case.cause].is_at_stake else 0.0
        stake = (case.money or 0.0) if in_money else litres
        risk = 0 if CAUSE[case.cause].spoils_sale else 1
        weight = case.row["probability"] or 0.0
        return case.is_past, URGENCIES.index(case.urgency), risk, -stake * weight, str(case.row["case_id"])

    return sorted(cases, key=order)


def headline(cases: Sequence[Case]) -> tuple[str, list[str]]:
    """The sentence that a reader takes along, and the ones that follow it; of what is current alone."""
    cases = [c for c in cases if not c.is_past]
    n = sum(c.urgency in {"act_now", "today"} for c in cases)
    losses = current_losses(cases)
    first = text.NEED_TODAY[min(n, 2)].format(n=fmt.number(n))
    if not losses:
        return first, [text.NO_LOSS] if cases else []
    sites = len({c.row["site_id"] for c in losses})
    more = [
        text.MISSING.format(litres=fmt.estimate(*litres_lost(losses), "l"), sites=fmt.count(sites, "site", "sites"))
    ]
    money = money_lost(losses)
    if money:
        more.append(text.MISSING_MONEY.format(money=each_currency(money)))
    return first, more


def current_losses(cases: Sequence[Case]) -> list[Case]:
    """The cases that are current and in which litres are lost."""
    return [c for c in cases if not c.is_past and (c.row["litres"] or 0.0) < 0 and CAUSE[c.cause].is_at_stake]


def money_lost(losses: Sequence[Case]) -> dict[str, float]:
    """What the cases' litres are worth, by currency; nothing where that of any is not known."""
    money: dict[str, float] = defaultdict(float)
    for case in losses:
        if case.money is None or not case.currency:
            return {}
        money[case.currency] += case.money
    return money


def each_currency(money: Mapping[str, float]) -> str:
    """Money in words, each currency by itself."""
    return " + ".join(money_words(currency, value) for currency, value in sorted(money.items()))


def lettered(cases: Sequence[Case]) -> list[tuple[str, Case]]:
    """The cases with the letters that tie them to the marks in a tank's charts: A to Z, then AA, AB …"""
    return [((chr(64 + i // 26) if i >= 26 else "") + chr(65 + i % 26), c) for i, c in enumerate(cases)]


def bar(
    value: float | None, low: float | None, high: float | None, scale: tuple[float, float]
) -> dict[str, float] | None:
    """Where an interval stands on a scale of 0 to 100, cut off at its ends; None where there is nothing to draw."""
    if value is None:
        return None
    left, right = scale

    def at(v: float) -> float:
        return round(min(max((v - left) / (right - left), 0.0), 1.0) * 100, 1)

    return {
        "at": at(value), "low": at(value if low is None else low), "high": at(value if high is None else high),
        "zero": at(0.0),
    }  # fmt: skip


def litres_lost(losses: Sequence[Case]) -> tuple[float, float, float]:
    """Litres lost in all with an interval, the cases' errors taken to be independent."""
    rows = [c.row for c in losses]
    total = -sum(r["litres"] for r in rows)
    up = math.hypot(*(r["litres"] - _or(r["litres_low"], r["litres"]) for r in rows))
    down = math.hypot(*(_or(r["litres_high"], r["litres"]) - r["litres"] for r in rows))
    return total, total - down, total + up


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _cases(tables: Tables, pages: Mapping[str, str], as_of: date) -> list[Case]:
    sites = {r["site_id"]: r for r in tables.rows("sites")}
    tanks = {r["tank_id"]: r for r in tables.rows("tanks")}
    prices = prices_of(tables)
    place, pooled, gone = _places(tables), pools(tables), tables.once("gone", lambda: _gone(tables, sites))
    believed = believed_before(tables, as_of)
    said, last = standings(tables.rows("cases"), tables["sayings"]), _last_shown(tables)
    made = []
    for row in tables.rows("cases"):
        homes = tuple(t for t in place(row) if t in pages)
        tank = tanks.get(row["tank_id"] or (homes[0] if homes and row["meter_id"] else None), {})
        site = sites.get(row["site_id"], {})
        price, currency = prices(tank)
        is_priced = price is not None and row["litres"] is not None and CAUSE[row["cause"]].is_at_stake
        currency = currency or site.get("currency")
        anchor = links.case_anchor(str(row["case_id"]))
        tz = fmt.zone(site.get("timezone"))
        case = Case(
            row=row, site=site.get("name") or row["site_id"] or "", product=tank.get("product") or "",
            tanks=homes, href=f"{pages[homes[0]] if homes else 'other.html'}#{anchor}", anchor=anchor,
            tz=tz, as_of=as_of, currency=currency, pool=pooled.get(row["tank_id"], ""),
            said=said[str(row["case_id"])], believed=believed.get(row["case_id"], ()), gone=gone[row["case_id"]],
            money=abs(row["litres"]) * (price or 0.0) if is_priced and currency else None,
        )  # fmt: skip
        made.append(replace(case, news=news_of(row, case.state, last)))
    return made


def _gone(tables: Tables, sites: Mapping[str, Mapping[str, Any]]) -> dict[str, str | None]:
    """Of each case how the run shows a danger to be over."""
    how = how_gone(tables)
    zones = {site_id: fmt.zone(site.get("timezone")) for site_id, site in sites.items()}
    return {r["case_id"]: how(r, zones.get(r["site_id"], fmt.zone(None))) for r in tables.rows("cases")}


def news_line(cases: Sequence[Case], tables: Tables) -> str:
    """How many cases are new, worse and so on since the run before; nothing where there was none."""
    last = _last_shown(tables)
    if last is None:
        return ""
    return counted_news(cases, said_text.NEWS_LINE.format(day=fmt.day(last.day)))


def counted_news(cases: Sequence[Case], since: str) -> str:
    """How many cases are new, worse and so on, after words that say since when."""
    counts = [f"{n} {said_text.NEWS[kind]}" for kind, n in news_counts(cases).items()]
    return f"{since}: {', '.join(counts) or said_text.NOTHING_NEW}."


def news_counts(cases: Sequence[Case]) -> dict[str, int]:
    """How many cases have each sort of news, in its order; only the sorts that there are."""
    counts = {kind: sum(c.news == kind for c in cases) for kind in NEWS}
    return {kind: n for kind, n in counts.items() if n}


def _last_shown(tables: Tables) -> Shown | None:
    """What the run before this one showed; None where there was none."""
    day = next((r["day"] for r in tables.rows("last_run")), None)
    return None if day is None else Shown(day, {str(r["case_id"]): r for r in tables.rows("before")})


def pools(tables: Tables) -> dict[str, str]:
    """Of each joined tank, in words, with which others it is one pool."""
    members = _members(tables)
    return {
        tank: text.POOL.format(others=", ".join(t for t in joined if t != tank))
        for tank, joined in members.items()
        if len(joined) > 1
    }


def _members(tables: Tables) -> dict[str, list[str]]:
    """All tanks of each tank's pool, itself among them."""
    joined: dict[tuple[str, str], list[str]] = defaultdict(list)
    for tank in tables.rows("tanks"):
        joined[tank["site_id"], tank["manifold_id"] or f"\0{tank['tank_id']}"].append(tank["tank_id"])
    return {tank: tanks for tanks in joined.values() for tank in tanks}


def _places(tables: Tables) -> Callable[[Mapping[str, Any]], list[str]]:
    """A function from a case to all the tanks that it touches, its own first.

    These are its own tank and those joined with it, those that its meter draws on, and those that its evidence names;
    of a case that has none of them, the site's.
    """
    by_site: dict[str, list[str]] = defaultdict(list)
    for tank in tables.rows("tanks"):
        by_site[tank["site_id"]].append(tank["tank_id"])
    members = _members(tables)
    by_meter: dict[str, list[str]] = defaultdict(list)
    for feed in tables.rows("meter_feeds"):
        by_meter[feed["meter_id"]].append(feed["tank_id"])
    told: dict[str, list[str]] = defaultdict(list)
    for row in tables.rows("evidence"):
        told[row["case_id"]] += [t for t in _WORDS.findall(row["name"] or "") if t in members]

    def place(row: Mapping[str, Any]) -> list[str]:
        first = [row["tank_id"]] if row["tank_id"] else []
        direct = [*first, *by_meter.get(row["meter_id"], []), *told.get(row["case_id"], [])]
        found = dict.fromkeys(one for tank in direct for one in [tank, *members.get(tank, [])])
        return list(found) or by_site.get(row["site_id"], [])

    return place


def prices_of(tables: Tables) -> Callable[[Mapping[str, Any]], tuple[float | None, str | None]]:
    """A function from a tank's row to its latest selling price and currency, its product's where it has none."""
    by_tank: dict[str, tuple[float, str | None]] = {}
    by_product: dict[str, tuple[float, str | None]] = {}
    for row in tables.rows("prices"):
        if row["price"] is None:
            continue
        if row["tank_id"]:
            by_tank[row["tank_id"]] = (row["price"], row["currency"])
        elif row["product"]:
            by_product[row["product"]] = (row["price"], row["currency"])

    def price(tank: Mapping[str, Any]) -> tuple[float | None, str | None]:
        return by_tank.get(tank.get("tank_id", "")) or by_product.get(tank.get("product", "")) or (None, None)

    return price
