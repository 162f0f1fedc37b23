"""Deliveries as people read them: each drop against its tickets, the difference taken apart line by line."""

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from typing import Any, Final

from pipeline.contract.vocabulary import CAUSES_WITH_DELIVERY
from pipeline.report import delivery_text as words
from pipeline.report import format as fmt
from pipeline.report.case import Case
from pipeline.report.tables import Tables

Row = dict[str, Any]
MAX_ROWS = 160
"""Rows of one page: with them it stays below 300 KB."""
MAX_SITES = 40
DAY_SHEET_DAYS = 92
"""Trading days of a tank's page, each of which a delivery may lead to."""
_OF_BALANCE = {"temperature": "temperature_l", "chart": "chart_l", "meters": "meters_l", "left": "left_l"}
_ABOUT_DELIVERIES = frozenset({*CAUSES_WITH_DELIVERY, "missing_ticket"})
_NEAR = timedelta(hours=2)
_CLAIM = {"current": "open"}
CLAIM_DAYS: Final = 7
"""So many days after its case was raised a claim is to be made, where nobody has said another day at the desk; haulage
contracts allow days to weeks. Common practice, no source."""


def deliveries(tables: Tables, tanks: Mapping[str, Row], cases: Sequence[Case]) -> list[Row]:
    """A row a drop, and a row a ticket that no drop is known of; the newest first.

    Parameters
    ----------
    tables : Tables
    tanks : mapping of str to dict
        Rows of `summaries.tanks` by tank.
    cases : sequence of Case

    Returns
    -------
    list of dict
        `key`, `at`, `day` on the site's clock, `tank_id`, `tickets`, `ticketed_l`, `found_l`, `sold_l`,
        `difference_l` with `low_l` and `high_l`, `parts_l` by name (they add up to the difference; empty where it
        could not be taken apart), `left_low_l`, `left_high_l`, `haulier`, `vehicle`, `terminal`, `case`, `claim`,
        `claim_by`, `href`, and the tank's `site`, `product_label`, `tz`. What is not known is None.
    """
    case_of = _case_finder(cases)
    rows = []
    for row in tables.once("deliveries", lambda: _rows(tables, tanks)):
        case = case_of(row)
        claim = _CLAIM.get(case.state, case.state) if case else ""
        by = _claim_by(case) if case and claim == "open" else None
        rows.append(row | {"case": case, "claim": claim, "claim_by": by})
    return rows


def _rows(tables: Tables, tanks: Mapping[str, Row]) -> list[Row]:
    """All rows but for the cases about them."""
    tickets = {r["delivery_id"]: r for r in tables.rows("deliveries")}
    of_drop = _tickets_by_drop(tables)
    left = {r["drop_id"]: r for r in tables.rows("drop_left")}
    sheets = {t: set(tables.of_tank("tank_days", t)["trading_day"].tail(DAY_SHEET_DAYS)) for t in tanks}
    made = [_drop(r, [tickets.get(i, {"delivery_id": i}) for i in of_drop[r["drop_id"]]], left.get(r["drop_id"]))
            for r in tables.rows("drops")]  # fmt: skip
    matched = {i for ids in of_drop.values() for i in ids}
    made += [_ticket(r) for i, r in tickets.items() if i not in matched]
    rows = [
        _placed(row, tanks.get(row["tank_id"], {}), sheets.get(row["tank_id"], set())) | {"lines": lines(row)}
        for row in made
    ]
    return sorted(rows, key=lambda r: (-r["at"].timestamp(), r["tank_id"] or "", r["key"]))


def _claim_by(case: Case) -> date | None:
    """By when a claim is to be made: the day said at the desk, else `CLAIM_DAYS` after its case was raised."""
    raised: date | None = case.row["raised_on"]
    return case.said.due_on or (None if raised is None else raised + timedelta(days=CLAIM_DAYS))


def lines(row: Row) -> list[tuple[str, int]]:
    """The lines of a row's difference in whole litres, by name; they add up to the difference in whole litres.

    What rounding makes of the others is the settling's, which is tens of litres unsure.
    """
    if not row["parts_l"]:
        return []
    whole = {name: round(litres) for name, litres in row["parts_l"].items()}
    whole["settling"] = round(row["difference_l"]) - sum(v for name, v in whole.items() if name != "settling")
    return [(name, whole[name]) for name in words.LINES]


def windows(rows: Sequence[Row]) -> list[tuple[date, date, list[Row]]]:
    """Rows in spans of whole days of one month, the newest first: (first, last, rows), few enough for a page.

    A day that has more is spread over several.
    """
    found: list[tuple[date, date, list[Row]]] = []
    for day, of_day in _by_day(rows):
        for at in range(0, len(of_day), MAX_ROWS):
            own = of_day[at : at + MAX_ROWS]
            if found and not at and _is_room(found[-1], day, len(own)):
                found[-1] = (day, found[-1][1], found[-1][2] + own)
            else:
                found.append((day, day, own))
    return found


def calendar(rows: Sequence[Row], month: date) -> Row:
    """Deliveries of a month by site and day: `days`, and `sites` of (site, [(count, whether a claim is open)])."""
    own = [r for r in rows if r["day"].replace(day=1) == month]
    last = (month.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
    days = [month + timedelta(days=i) for i in range(last.day)]
    count = Counter((r["site"], r["day"]) for r in own)
    claims = {(r["site"], r["day"]) for r in own if r["claim"] == "open"}
    most = Counter(r["site"] for r in own)
    sites = sorted(sorted(most, key=lambda s: (-most[s], s))[:MAX_SITES])
    grid = [(site, [(count[site, day], (site, day) in claims) for day in days]) for site in sites]
    return {"month": month, "days": days, "sites": grid, "all_sites": len(most)}


def delivery_records(rows: Sequence[Row]) -> dict[str, Any]:
    """What is saved of the list: a row a drop or ticket, the lines in litres as they are."""
    columns = [
        "delivery_ids", "at", "site", "tank_id", "product", "ticketed_l", "found_l", "gauge_rise_l", "sold_meanwhile_l",
        "difference_l", "difference_low_l", "difference_high_l", *(f"{name}_l" for name in words.LINES), "left_low_l",
        "left_high_l", "haulier", "vehicle", "terminal", "case_id", "claim",
        "claim_by",
    ]  # fmt: skip
    return {"columns": columns, "rows": {r["key"]: _record(r) for r in rows}}


def _record(row: Row) -> list[Any]:
    figures = [row["ticketed_l"], row["found_l"], row["rise_l"], row["sold_l"], row["difference_l"], row["low_l"],
               row["high_l"], *(row["parts_l"].get(name) for name in words.LINES), row["left_low_l"],
               row["left_high_l"]]  # fmt: skip
    return [
        ", ".join(row["tickets"]), row["at"].astimezone(row["tz"]).isoformat(timespec="minutes"), row["site"],
        row["tank_id"], row["product_label"], *(None if v is None else round(v, 2) for v in figures), row["haulier"],
        row["vehicle"], row["terminal"], row["case"].row["case_id"] if row["case"] else None, row["claim"],
        None if row["claim_by"] is None else str(row["claim_by"]),
    ]  # fmt: skip


def _by_day(rows: Sequence[Row]) -> Iterator[tuple[date, list[Row]]]:
    """Rows by the day on the site's clock, the newest first."""
    found: dict[date, list[Row]] = defaultdict(list)
    for row in rows:
        found[row["day"]].append(row)
    yield from sorted(found.items(), reverse=True)


def _is_room(window: tuple[date, date, list[Row]], day: date, n: int) -> bool:
    first, _, rows = window
    return (first.year, first.month) == (day.year, day.month) and len(rows) + n <= MAX_ROWS


def _tickets_by_drop(tables: Tables) -> dict[str, list[str]]:
    """The tickets of each drop, its main one first; the main one alone where a store does not tell the others."""
    found: dict[str, list[str]] = defaultdict(list)
    for row in tables.rows("drops"):
        if row["delivery_id"] is not None:
            found[row["drop_id"]].append(row["delivery_id"])
    for row in tables.rows("drop_tickets"):
        if row["delivery_id"] not in found[row["drop_id"]]:
            found[row["drop_id"]].append(row["delivery_id"])
    return found


def _drop(row: Row, tickets: Sequence[Row], left: Row | None) -> Row:
    difference, sd, found, sold = row["mismatch_l"], row["mismatch_sd_l"], row["gain_l"], row["sold_during_l"]
    half = None if sd is None or difference is None else 1.96 * sd
    return _brought(tickets) | _left(left) | {
        "key": row["drop_id"], "tank_id": row["tank_id"], "at": row["ts_start"], "until": row["ts_end"],
        "tickets": [t["delivery_id"] for t in tickets], "ticketed_l": row["ticket_volume_l"], "found_l": found,
        "sold_l": sold, "rise_l": None if found is None or sold is None else found - sold,
        "rise_whole_l": None if found is None or sold is None else round(found) - round(sold),
        "difference_l": difference, "low_l": None if half is None else difference - half,
        "high_l": None if half is None else difference + half, "parts_l": _parts(difference, left),
        "has_drop": True,
    }  # fmt: skip


def _ticket(row: Row) -> Row:
    nothing = dict.fromkeys(("found_l", "sold_l", "rise_l", "rise_whole_l", "difference_l", "low_l", "high_l"))
    return nothing | _brought([row]) | _left(None) | {
        "key": row["delivery_id"], "tank_id": row["tank_id"], "at": row["ts_ticket"], "until": row["ts_ticket"],
        "tickets": [row["delivery_id"]], "ticketed_l": row["ticket_volume_l"], "parts_l": {}, "has_drop": False,
    }  # fmt: skip


def _parts(difference: float | None, left: Row | None) -> dict[str, float]:
    """The lines of a difference; what none of the balance's has is the settling's."""
    if difference is None or left is None or any(left[column] is None for column in _OF_BALANCE.values()):
        return {}
    told = {name: left[column] for name, column in _OF_BALANCE.items()}
    return told | {"settling": difference - math.fsum(told.values())}


def _left(left: Row | None) -> Row:
    """The interval of what is left."""
    if left is None or None in (left["left_l"], left["left_sd_l"], left["chart_sd_l"]):
        return {"left_low_l": None, "left_high_l": None}
    half = 1.96 * math.hypot(left["left_sd_l"], left["chart_sd_l"])
    return {"left_low_l": left["left_l"] - half, "left_high_l": left["left_l"] + half}


def _brought(tickets: Sequence[Row]) -> Row:
    """Who brought it, with what, from where: each of them once."""
    return {
        name: ", ".join(dict.fromkeys(t[column] for t in tickets if t.get(column)))
        for name, column in (("haulier", "carrier"), ("vehicle", "vehicle"), ("terminal", "terminal"))
    }  # fmt: skip


def _placed(row: Row, tank: Row, sheet: set[date]) -> Row:
    tz = fmt.zone(tank.get("timezone"))
    day = row["at"].astimezone(tz).date()
    href = tank.get("href")
    return row | {
        "tz": tz, "day": day, "site_id": tank.get("site_id"), "site": tank.get("site", ""),
        "product_label": tank.get("product_label", ""),
        "href": href and (f"{href}#{day_anchor(day)}" if day in sheet else href),
    }  # fmt: skip


def day_anchor(day: date) -> str:
    """Where a day stands in its tank's day sheet."""
    return f"day-{day}"


def _case_finder(cases: Sequence[Case]) -> Callable[[Row], Case | None]:
    """A function from a row to the case about it: one of its tickets', or of a drop without a ticket, one at its time.

    What nobody has closed and is current comes first.
    """
    about = sorted((c for c in cases if c.cause in _ABOUT_DELIVERIES), key=lambda c: c.is_past)
    by_ticket: dict[str, Case] = {}
    by_tank: dict[str, list[Case]] = defaultdict(list)
    for case in about:
        if case.row["delivery_id"]:
            by_ticket.setdefault(case.row["delivery_id"], case)
        for tank_id in case.tanks if case.cause == "missing_ticket" else ():
            by_tank[tank_id].append(case)

    def find(row: Row) -> Case | None:
        if row["tickets"]:
            return next((by_ticket[i] for i in row["tickets"] if i in by_ticket), None)
        return next((c for c in by_tank[row["tank_id"]] if _at_its_time(c, row)), None)

    return find


def _at_its_time(case: Case, row: Row) -> bool:
    start, end = case.row["ts_start"], case.row["ts_end"] or case.row["ts_start"]
    return bool(start is not None and start - _NEAR <= row["until"] and row["at"] <= end + _NEAR)
