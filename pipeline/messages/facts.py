"""What is told of a case: its facts in a language's words, and the same as fields for machines."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

from pipeline.messages.words import Words
from pipeline.plain_text import in_a_line, printable
from pipeline.report import format as fmt
from pipeline.report.case import Case
from pipeline.sources.notice_config import NoticeConfig
from pipeline.units import digits_for

DUE_DAYS: Final[Mapping[str, int]] = {"act_now": 0, "today": 0, "this_week": 7}
"""Days from a notice until its case is to be seen to, where nobody has said by when at the desk; none for what is only
watched. By what the urgencies mean. [d]"""

SEVERITIES: Final[Mapping[str, str]] = {
    "act_now": "critical", "today": "error", "this_week": "warning", "watch": "info",
}  # fmt: skip
"""What a webhook is told an urgency is."""

_MOST_OF_A_CASE: Final = 1_000
"""Characters of a case's story in a message: ten times what one has whose tank has a plain name."""

_AS_TOLD: Final = (
    "cause", "urgency", "site_id", "tank_id", "meter_id", "delivery_id", "litres", "litres_low", "litres_high",
    "rate_l_per_h", "meter_error_pct", "probability",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Told:
    """What a message about cases leans on: when it is, to whom it goes, the settings, and tickets by `delivery_id`."""

    now: datetime
    role: str
    config: NoticeConfig
    tickets: Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class CaseText:
    """A case in words: its head, lines of label and text, and where it is to be seen."""

    head: str
    lines: list[tuple[str, str]]
    url: str | None


def case_text(case: Case, told: Told, words: Words) -> CaseText:
    """The case in a language's words, each on one line and without what acts on a terminal."""
    row, ticket = case.row, told.tickets.get(case.row["delivery_id"], {})
    place = " ".join(in_a_line(str(word)) for word in (case.site, row["tank_id"]) if word)
    head = words.of(
        "case.head",
        urgency=words.of(f"urgency.{row['urgency']}"),
        place=place,
        summary=in_a_line(row["summary"] or "", _MOST_OF_A_CASE),
        cause=words.of(f"cause.{row['cause']}"),
    )
    due = due_on(case, told.now)
    is_at_once = row["urgency"] == "act_now" and case.said.due_on is None
    named = {
        "product": words.texts.get(f"product.{case.product}", case.product),
        "meter": row["meter_id"],
        "ticket": row["delivery_id"],
        "ticket_day": _day(ticket.get("ts_ticket"), case, words),
        "haulier": ticket.get("carrier"),
        "since": _day(row["ts_start"], case, words),
        "litres": _litres(case, words),
        "money": _money(case, words),
        "probability": fmt.probability(row["probability"]).replace(fmt.THIN, " "),
        "do": words.of(f"do.{row['cause']}"),
        "who": case.said.owner or told.role,
        "by": words.of("case.at_once") if is_at_once else due and words.day(due),
        "case": row["case_id"],
    }
    lines = [(words.of(f"label.{name}"), in_a_line(str(text), _MOST_OF_A_CASE)) for name, text in named.items() if text]
    back = [("", words.of("case.back"))] if case.said.before is not None else []
    return CaseText(head, [line for line in back + lines if line[1]], case_url(case, told.config))


def case_fields(case: Case, told: Told) -> dict[str, Any]:
    """The case as fields of JSON: numbers as they are, instants in ISO 8601, litres lost negative."""
    row, ticket = case.row, told.tickets.get(case.row["delivery_id"], {})
    fields = {
        "case_id": row["case_id"],
        **{name: row[name] for name in _AS_TOLD},
        "severity": severity(row["urgency"], told.config),
        "site": case.site,
        "product": case.product or None,
        "haulier": ticket.get("carrier"),
        "ticket_at": ticket.get("ts_ticket"),
        "since": row["ts_start"],
        "until": row["ts_end"],
        "raised_on": row["raised_on"],
        "money": case.money,
        "currency": case.currency,
        "do": row["action"],
        "summary": in_a_line(row["summary"] or "", _MOST_OF_A_CASE),
        "who": case.said.owner or told.role,
        "due_on": due_on(case, told.now),
        "is_back": case.said.before is not None,
        "url": case_url(case, told.config),
    }
    return {name: _plain(value) for name, value in fields.items()}


def severity(urgency: str, config: NoticeConfig) -> str:
    """What a webhook is told an urgency is."""
    own = {str(name): word for name, word in config.severities.items()}
    return own.get(urgency, SEVERITIES[urgency])


def due_on(case: Case, now: datetime) -> date | None:
    """The day by which a case is to be seen to: as said at the desk, else by its urgency, on the site's clock."""
    if case.said.due_on is not None or case.row["urgency"] not in DUE_DAYS:
        return case.said.due_on
    return now.astimezone(case.tz).date() + timedelta(days=DUE_DAYS[case.row["urgency"]])


def case_url(case: Case, config: NoticeConfig) -> str | None:
    """Where a case is to be seen, at the desk or in the report; None where the settings know neither."""
    base = config.desk_url or config.report_url
    if base is None:
        return None
    folder, _, page = base.rpartition("/")
    return f"{folder if page.endswith('.html') else base.rstrip('/')}/{case.href}"


def _day(moment: datetime | None, case: Case, words: Words) -> str | None:
    return None if moment is None else words.day(moment.astimezone(case.tz).date())


def _litres(case: Case, words: Words) -> str | None:
    row = case.row
    if row["litres"] is None:
        return None
    way = "unsure" if case.is_unsure else "lost" if row["litres"] < 0 else "gained"
    value, low, high = (row["litres"], row["litres_low"], row["litres_high"]) if case.is_unsure else case.sized()
    digits = digits_for(low, high, value)
    shown = {name: words.number(one, digits) for name, one in (("low", low), ("high", high)) if one is not None}
    span = words.of("case.span", **shown) if len(shown) == 2 else ""
    return words.of(f"case.{way}", litres=words.number(value or 0.0, digits), span=span)


def _money(case: Case, words: Words) -> str | None:
    if case.money is None:
        return None
    return f"{case.currency} {words.number(case.money, min(digits_for(None, None, case.money), 0))}"


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value)
    return value.isoformat() if isinstance(value, date) else value
