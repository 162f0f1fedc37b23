"""The list of deliveries as pages, a span of days each."""

from collections.abc import Callable, Sequence
from datetime import date
from functools import partial

from pipeline.report import deliveries, delivery_text
from pipeline.report import format as fmt
from pipeline.report.fleet import Fleet, Row
from pipeline.report.rendering import as_json

DELIVERIES = "deliveries.html"


def delivery_rows(fleet: Fleet) -> list[Row]:
    """A row a drop or a ticket without one, the newest first."""
    return deliveries.deliveries(fleet.tables, {t["tank_id"]: t for t in fleet.tanks}, fleet.cases)


Window = tuple[str, str, date, list[Row]]
"""Path of a page, its name among the others, its first day, and its rows."""


def delivery_windows(rows: list[Row]) -> list[Window]:
    """The pages of the list, a span of days each that is short enough for one; the newest is `DELIVERIES`."""
    spans = deliveries.windows(rows)
    found: list[Window] = []
    for number, (first, last, own) in enumerate(spans):
        again = sum(one[0] == first for one in spans[:number])
        path = f"deliveries-{first}-{again + 1}.html" if again else f"deliveries-{first}.html"
        label = _span_words(first, last) + (f" ({again + 1})" if again else "")
        found.append((path if number else DELIVERIES, label, first, own))
    return found


def delivery_pages(rows: list[Row], windows: list[Window]) -> dict[str, tuple[str, Callable[[], Row]]]:
    """Template and content of each page of the list, by its path."""
    places = [(path, label) for path, label, _, _ in windows]
    common = {"line": _deliveries_line(rows), "places": places, "section": DELIVERIES}
    if not windows:
        return {DELIVERIES: ("deliveries.html", lambda: common | {"rows": []})}
    return {
        path: ("deliveries.html", partial(_deliveries, rows, own, first, common | {"window": label}))
        for path, label, first, own in windows
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
