"""A site between two instants that somebody picks: its tanks by the ledger, its hoses by the lake's own sales."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.desk.lake_query import asked, files_between
from pipeline.errors import ArgumentError, LakeError
from pipeline.report import format as fmt
from pipeline.report import hours as clock
from pipeline.report import shift_sums as sums
from pipeline.report import shift_text as words
from pipeline.report.fleet import Fleet
from pipeline.report.rendering import as_json

Row = dict[str, Any]
SHIFTS: Final = "shifts/"
"""Where the desk answers them."""
MOST_DAYS: Final = 31
"""Hoses are read from the lake for so long at most, as every reading of a tank is."""
MOST_SHIFTS: Final = 3
_LONGEST: Final = 60
_DAY: Final = timedelta(days=1)
_SPANS: Final = pl.Schema(
    {"tank_id": pl.String(), "start_at": pl.Datetime("us", "UTC"), "end_at": pl.Datetime("us", "UTC")}
)


@dataclass(frozen=True, slots=True)
class Picked:
    """What is asked: two instants, when shifts begin on the site's clock, and notes on how the instants were read."""

    start: datetime
    end: datetime
    hours: Sequence[time]
    notes: Sequence[str]


def shifts_page(fleet: Fleet, site: Row, request: Mapping[str, str], lake: Path | None) -> tuple[Row, bool]:
    """What the page shows, and whether what was asked can be answered; with no question, the last trading day."""
    data = sums.data_of(fleet, site)
    hours_text = request.get("shifts", "")[:_LONGEST]
    page: Row = {
        "site": site, "line": "", "mistake": "", "notes": [], "picks": [], "tanks": [], "hoses": [], "hose_line": "",
        "is_known_zone": _is_known(site["timezone"]),
        "form": {name: request.get(name, "")[:_LONGEST] for name in ("from", "to")} | {"shifts": hours_text},
    }  # fmt: skip
    if data is None:
        return page | {"mistake": words.NO_DATA}, True
    tz = fmt.zone(site["timezone"])
    try:
        picked = picked_of(request, site, clock.day_at(site, data[1]) - _DAY)
        if picked.end <= data[0] or picked.start >= data[1]:
            raise ArgumentError(words.BEYOND.format(span=fmt.window(*data, tz)))
    except ArgumentError as error:
        return page | {"mistake": str(error)}, False
    notes = list(picked.notes)
    if picked.start < data[0] or picked.end > data[1]:
        notes.append(words.CUT.format(span=fmt.window(*data, tz)))
    found = sums.span_sums(fleet, site, picked.start, picked.end)
    form = {"from": _field(picked.start, tz), "to": _field(picked.end, tz), "shifts": _hours_text(picked.hours)}
    hoses = _hoses(fleet, found["tanks"], lake)
    page |= found | hoses | {"form": form, "notes": notes, "picks": _picks(site, picked), "tz": tz}
    return page | {"span": fmt.window(picked.start, picked.end, tz)}, True


def picked_of(request: Mapping[str, str], site: Row, usual: date) -> Picked:
    """What a request asks, a `usual` trading day if it names no instant; what has no offset is on the site's clock.

    Raises
    ------
    ArgumentError
        If it asks for nothing that can be answered.
    """
    hours = _hours(request.get("shifts", "")) or clock.usual_hours(site)
    if not (request.get("from") or request.get("to")):
        return Picked(clock.opening(site, usual), clock.opening(site, usual + _DAY), hours, [])
    tz, notes = fmt.zone(site["timezone"]), []
    ends = []
    for fold, name in enumerate(("from", "to")):
        at, is_twice = _instant(request, name, tz, fold)
        ends.append(at)
        if is_twice:
            notes.append(words.TWICE[name].format(at=fmt.moment(at, tz)))
    if ends[1] <= ends[0]:
        raise ArgumentError(words.BACKWARDS)
    return Picked(ends[0], ends[1], hours, notes)


def _instant(request: Mapping[str, str], name: str, tz: ZoneInfo, fold: int) -> tuple[datetime, bool]:
    """An instant in UTC, and whether its hour is there twice: then the first begins a span, and the second ends it."""
    try:
        at = datetime.fromisoformat(request.get(name, ""))
        local = at if at.tzinfo is not None else at.replace(tzinfo=tz, fold=fold)
        found = local.astimezone(UTC)
        back = found.astimezone(tz)
        is_twice = at.tzinfo is None and back.replace(fold=0).utcoffset() != back.replace(fold=1).utcoffset()
    except (ValueError, OverflowError) as error:
        raise ArgumentError(words.NOT_AN_INSTANT.format(name=name)) from error
    if at.tzinfo is None and back.replace(tzinfo=None, fold=0) != at:
        told = f"{fmt.day(at.date())}, {at:%H:%M}"
        raise ArgumentError(words.NOT_THERE.format(name=name, at=told, zone=tz.key))
    return found, is_twice


def _hours(text: str) -> list[time]:
    parts = text.replace(",", " ").split()
    try:
        found = sorted({time.fromisoformat(part.zfill(5)) for part in parts})
    except ValueError as error:
        raise ArgumentError(words.NOT_HOURS) from error
    if (parts and not 2 <= len(found) == len(parts) <= MOST_SHIFTS) or any(at.tzinfo or at.second for at in found):
        raise ArgumentError(words.NOT_HOURS)
    return found


def _hours_text(hours: Sequence[time]) -> str:
    return " ".join(f"{at:%H:%M}" for at in hours)


def _field(at: datetime, tz: ZoneInfo) -> str:
    """An instant on the site's clock as a form's field has it."""
    return f"{at.astimezone(tz):%Y-%m-%dT%H:%M}"


def _picks(site: Row, picked: Picked) -> list[Row]:
    """The shifts of the trading day on which the span begins, that day, and the same span a day earlier and later."""
    tz, day = fmt.zone(site["timezone"]), clock.day_at(site, picked.start)
    spans = [
        (words.SHIFT.format(start=f"{s.astimezone(tz):%H:%M}", end=f"{e.astimezone(tz):%H:%M}"), s, e)
        for s, e in clock.shifts_of(site, day, picked.hours)
    ]
    spans.append((words.WHOLE_DAY, clock.opening(site, day), clock.opening(site, day + _DAY)))
    for label, step in ((words.EARLIER, -_DAY), (words.LATER, _DAY)):
        start, end = ((at.astimezone(tz) + step).astimezone(UTC) for at in (picked.start, picked.end))
        spans.append((label, start, end))
    hours = _hours_text(picked.hours)
    return [
        {"label": label, "is_shown": (start, end) == (picked.start, picked.end),
         "query": urlencode({"from": _link(start, tz), "to": _link(end, tz), "shifts": hours})}
        for label, start, end in spans
    ]  # fmt: skip


def _link(at: datetime, tz: ZoneInfo) -> str:
    """An instant on the site's clock, with its offset where that clock shows the time twice."""
    local = at.astimezone(tz)
    is_twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return local.isoformat(timespec="minutes") if is_twice else _field(at, tz)


def _hoses(fleet: Fleet, tanks: Sequence[Row], lake: Path | None) -> Row:
    """What each hose sold between its tank's two instants, or a line that says why that is not told."""
    spans = [t for t in tanks if t["start_at"] is not None]
    if lake is None:
        return {"hose_line": words.NO_LAKE}
    if not spans:
        return {"hose_line": words.NO_HOSES}
    if max(t["end_at"] - t["start_at"] for t in spans) > timedelta(days=MOST_DAYS):
        return {"hose_line": words.TOO_LONG.format(most=MOST_DAYS)}
    try:
        sold = hoses_between(lake, spans, fleet.tables["meter_feeds"])
    except LakeError as error:
        return {"hose_line": str(error)}
    about = {r["meter_id"]: r for r in fleet.tables.rows("meters")}
    by_tank = {t["tank_id"]: t for t in tanks}
    rows = [_hose(row, about.get(row["meter_id"], {}), by_tank[row["tank_id"]]) for row in sold.iter_rows(named=True)]
    columns = ["meter_id", "from", "to", "tank_id", "sales", "sold_l", "share_pct"]
    return {
        "hoses": rows, "hose_line": "" if rows else words.NO_HOSES,
        "hose_records": as_json({"columns": columns, "rows": {r["key"]: r["record"] for r in rows}}),
    }  # fmt: skip


def hoses_between(lake: Path, spans: Sequence[Row], meter_feeds: pl.DataFrame) -> pl.DataFrame:
    """Columns meter_id, tank_id, sales (how many) and sold_l of each hose, from `start_at` to `end_at` of its tank.

    Raises
    ------
    LakeError
        If the lake's sales cannot be read.
    """
    frame = pl.DataFrame([{name: row[name] for name in _SPANS} for row in spans], schema=_SPANS)
    files = files_between(lake, "sales", frame["start_at"].min(), frame["end_at"].max())  # type: ignore[arg-type]
    if not files:
        raise LakeError(f"{lake}: there are no sales of these days")
    frames = {"tank_spans": frame, "meter_feeds": meter_feeds}
    return asked("desk/hoses_between", {"files": files}, frames, table="sales")


def _hose(row: Row, about: Row, tank: Row) -> Row:
    whole, tz = tank["sales_l"], fmt.zone(tank["timezone"])
    share = 100.0 * row["sold_l"] / whole if whole else None
    ends = [tank[name].astimezone(tz).isoformat() for name in ("start_at", "end_at")]
    figures = [row["sales"], round(row["sold_l"], 4), None if share is None else round(share, 4)]
    return row | {
        "spot": " ".join(str(about.get(c) or "") for c in ("dispenser", "hose")).strip(), "href": tank["href"],
        "share_pct": share, "key": f"{row['meter_id']} {row['tank_id']}",
        "record": [row["meter_id"], *ends, row["tank_id"], *figures],
    }  # fmt: skip


def _is_known(timezone: str | None) -> bool:
    return timezone is not None and fmt.zone(timezone).key == timezone
