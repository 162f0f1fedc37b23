"""Cases as people read them: in plain words, in the order to be worked off, with where each is to be found."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.contract.vocabulary import CAUSES_WITHOUT_LITRES
from pipeline.report import format as fmt
from pipeline.report import links, text
from pipeline.report.tables import Tables

URGENCIES = tuple(text.URGENCY)
# How long a case that is over is still news: claims and recordings last about as long; common practice, no source.
CURRENT_DAYS = 14
# Litres of these are not lost: sales in the wrong book, and water.
NOT_AT_STAKE = frozenset({"wrong_feed", "water_ingress"})
# Without litres, yet whoever fills up there is at risk: ahead of any litres of the same urgency.
_SALE_AT_RISK = frozenset({"phase_separation", "wrong_product", "water_ingress"})


@dataclass(frozen=True)
class Case:
    """A case made ready to be shown; `row` is what the run left of it."""

    row: Mapping[str, Any]
    site: str
    product: str
    tanks: tuple[str, ...]
    href: str
    anchor: str
    tz: ZoneInfo
    money: float | None
    currency: str | None
    as_of: date

    @property
    def cause(self) -> str:
        """The cause's name in the contract."""
        return str(self.row["cause"])

    @property
    def label(self) -> str:
        """The cause in plain words."""
        return text.CAUSES.get(self.cause, self.cause)

    @property
    def part(self) -> str:
        """The cause in as few words as fit into a chart."""
        return text.PARTS.get(self.cause, self.cause)

    @property
    def urgency(self) -> str:
        """One of `URGENCIES`; what is not known ranks as to be watched."""
        value = self.row["urgency"]
        return value if value in URGENCIES else "watch"

    @property
    def is_past(self) -> bool:
        """Whether it ended, and came to light, more than `CURRENT_DAYS` before the last day of data."""
        end = self.row["ts_end"]
        if end is None:
            return False
        known: date = max(end.date(), self.row["raised_on"] or end.date())
        return (self.as_of - known).days > CURRENT_DAYS

    @property
    def state(self) -> str:
        """`current` or `past`."""
        return "past" if self.is_past else "current"

    @property
    def product_label(self) -> str:
        """The product in plain words."""
        return text.PRODUCTS.get(self.product, self.product)

    @property
    def places(self) -> list[str]:
        """Tank, meter and delivery, as far as the case names them."""
        named = [self.row["tank_id"]] if self.row["tank_id"] else []
        if self.row["meter_id"]:
            named.append(text.WITH_METER.format(meter=self.row["meter_id"]))
        if self.row["delivery_id"]:
            named.append(text.WITH_DELIVERY.format(delivery=self.row["delivery_id"]))
        return named or [text.WHOLE_SITE]

    @property
    def is_unsure(self) -> bool:
        """Whether the interval of the litres holds a loss as well as a gain."""
        low, high = self.row["litres_low"], self.row["litres_high"]
        return low is not None and high is not None and low < 0.0 < high

    @property
    def litres_size(self) -> str:
        """How many litres, without a sign where the words beside it can say which way."""
        value, low, high = self._shown_litres()
        if value is None:
            return ""
        return f"{fmt.rounded(value, fmt.digits_for(low, high, value), signed=self.is_unsure)}{fmt.THIN}l"

    @property
    def litres_span(self) -> str:
        """The 95 % interval of `litres_size`."""
        value, low, high = self._shown_litres()
        return fmt.interval(low, high, value, signed=self.is_unsure)

    @property
    def litres_words(self) -> str:
        """Which way the litres went, or that the case has none."""
        litres = self.row["litres"]
        if litres is None:
            return text.NO_LITRES if self.cause in CAUSES_WITHOUT_LITRES else text.LITRES_UNKNOWN
        if self.is_unsure:
            return text.UNSURE_SIGN
        return text.LITRES_WORDS.get(self.cause, text.LOST if litres < 0 else text.GAINED)

    @property
    def money_text(self) -> str:
        """Litres at the latest selling price, to the figures that a decision needs."""
        if self.money is None:
            return ""
        return _money(str(self.currency), self.money)

    @property
    def probability_text(self) -> str:
        """The probability in per cents."""
        return fmt.probability(self.row["probability"])

    @property
    def since(self) -> str:
        """When it began, on the site's clock."""
        start = self.row["ts_start"]
        if start is None:
            return fmt.UNKNOWN
        began = start.astimezone(self.tz).date()
        return fmt.day(began, with_year=began.year != self.as_of.year)

    @property
    def since_long(self) -> str:
        """When it began, to the minute, and how long it lasted."""
        return f"{fmt.moment(self.row['ts_start'], self.tz)}; {self.lasting}"

    @property
    def lasting(self) -> str:
        """That it still goes on, or how long it took."""
        start, end = self.row["ts_start"], self.row["ts_end"]
        if start is None or end is None:
            return text.STILL_ON
        return text.LASTED.format(span=fmt.span(end - start))

    @property
    def rate_text(self) -> str:
        """The leak's rate, or nothing."""
        rate = self.row["rate_l_per_h"]
        if rate is None:
            return ""
        note = text.RATE_NOTE.get(self.cause)
        return fmt.quantity(rate, "l/h", 2) + (f" {note}" if note else "")

    @property
    def error_text(self) -> str:
        """The meter's error, or nothing."""
        error = self.row["meter_error_pct"]
        return "" if error is None else fmt.quantity(error, "%", 2, signed=True)

    @property
    def raised(self) -> str:
        """The day of data that raised it."""
        return fmt.day(self.row["raised_on"])

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind before acting on it."""
        return text.CAUTIONS.get(self.cause, ())

    @property
    def window(self) -> dict[str, str]:
        """Its span on the site's clock as a chart takes it, a short one made wide enough to see."""
        last = datetime.combine(self.as_of, time(23, 59), UTC)
        start = self.row["ts_start"] or last
        end = max(self.row["ts_end"] or last, start + timedelta(hours=2))
        stamp = "%Y-%m-%d %H:%M"
        return {"start": start.astimezone(self.tz).strftime(stamp), "end": end.astimezone(self.tz).strftime(stamp)}

    def sized(self) -> tuple[float | None, float | None, float | None]:
        """Litres with the ends of their interval, turned so that the litres are positive."""
        value, low, high = self._litres()
        if value is None or value >= 0:
            return value, low, high
        return -value, None if high is None else -high, None if low is None else -low

    def _shown_litres(self) -> tuple[float | None, float | None, float | None]:
        return self._litres() if self.is_unsure else self.sized()

    def _litres(self) -> tuple[float | None, float | None, float | None]:
        return self.row["litres"], self.row["litres_low"], self.row["litres_high"]


def ranked(tables: Tables, pages: Mapping[str, str], as_of: date) -> list[Case]:
    """All cases, the first to be worked off first.

    What is current before what is past; by urgency; then those where a sale is at risk; then by what is at stake (in
    money where every case has its worth in one currency, else in litres) times the probability.
    """
    cases = _cases(tables, pages, as_of)
    staked = [c for c in cases if c.row["litres"] is not None and c.cause not in NOT_AT_STAKE]
    in_money = all(c.money is not None for c in staked) and len({c.currency for c in staked}) == 1

    def order(case: Case) -> tuple[bool, int, int, float, str]:
        litres = abs(case.row["litres"] or 0.0) if case.cause not in NOT_AT_STAKE else 0.0
        stake = (case.money or 0.0) if in_money else litres
        risk = 0 if case.cause in _SALE_AT_RISK else 1
        weight = case.row["probability"] or 0.0
        return case.is_past, URGENCIES.index(case.urgency), risk, -stake * weight, str(case.row["case_id"])

    return sorted(cases, key=order)


def headline(cases: Sequence[Case]) -> tuple[str, list[str]]:
    """The sentence that a reader takes along, and the ones that follow it; of what is current alone."""
    cases = [c for c in cases if not c.is_past]
    n = sum(c.urgency in {"act_now", "today"} for c in cases)
    losses = [c for c in cases if (c.row["litres"] or 0.0) < 0 and c.cause not in NOT_AT_STAKE]
    first = text.NEED_TODAY[min(n, 2)].format(n=fmt.number(n))
    if not losses:
        return first, [text.NO_LOSS] if cases else []
    sites = len({c.row["site_id"] for c in losses})
    more = [
        text.MISSING.format(
            litres=fmt.estimate(*_summed([c.row for c in losses]), "l"), sites=fmt.count(sites, "site", "sites")
        )
    ]
    money: dict[str, float] = defaultdict(float)
    for case in losses:
        if case.money is not None and case.currency:
            money[case.currency] += case.money
    if money and all(c.money is not None for c in losses):
        more.append(text.MISSING_MONEY.format(money=" + ".join(_money(k, v) for k, v in sorted(money.items()))))
    return first, more


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


def _money(currency: str, value: float) -> str:
    """Money to three figures, whole at the finest: a price is not what the litres cost."""
    return f"{currency} {fmt.rounded(value, min(fmt.digits_for(None, None, value), 0))}"


def _summed(rows: Sequence[Mapping[str, Any]]) -> tuple[float, float, float]:
    """Litres lost in all with an interval, the cases' errors taken to be independent."""
    total = -sum(r["litres"] for r in rows)
    up = math.hypot(*(r["litres"] - _or(r["litres_low"], r["litres"]) for r in rows))
    down = math.hypot(*(_or(r["litres_high"], r["litres"]) - r["litres"] for r in rows))
    return total, total - down, total + up


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _cases(tables: Tables, pages: Mapping[str, str], as_of: date) -> list[Case]:
    sites = {r["site_id"]: r for r in tables.rows("sites")}
    tanks = {r["tank_id"]: r for r in tables.rows("tanks")}
    prices = _prices(tables)
    place = _places(tables)
    made = []
    for row in tables.rows("cases"):
        homes = tuple(t for t in place(row) if t in pages)
        tank = tanks.get(row["tank_id"] or (homes[0] if homes and row["meter_id"] else None), {})
        site = sites.get(row["site_id"], {})
        price, currency = prices(tank)
        is_priced = price is not None and row["litres"] is not None and row["cause"] not in NOT_AT_STAKE
        currency = currency or site.get("currency")
        anchor = links.case_anchor(str(row["case_id"]))
        made.append(
            Case(
                row=row, site=site.get("name") or row["site_id"] or "", product=tank.get("product") or "",
                tanks=homes, href=f"{pages[homes[0]] if homes else 'other.html'}#{anchor}", anchor=anchor,
                tz=fmt.zone(site.get("timezone")), as_of=as_of, currency=currency,
                money=abs(row["litres"]) * (price or 0.0) if is_priced and currency else None,
            )
        )  # fmt: skip
    return made


def _places(tables: Tables) -> Any:
    """A function from a case to the tanks on whose pages it belongs, its own first."""
    by_site: dict[str, list[str]] = defaultdict(list)
    for tank in tables.rows("tanks"):
        by_site[tank["site_id"]].append(tank["tank_id"])
    by_meter: dict[str, list[str]] = defaultdict(list)
    for feed in tables.rows("meter_feeds"):
        if feed["tank_id"] not in by_meter[feed["meter_id"]]:
            by_meter[feed["meter_id"]].append(feed["tank_id"])

    def place(row: Mapping[str, Any]) -> list[str]:
        if row["tank_id"]:
            return [row["tank_id"]]
        return by_meter.get(row["meter_id"]) or by_site.get(row["site_id"], [])

    return place


def _prices(tables: Tables) -> Any:
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
