"""Who is told of which cases, and when: urgent ones at once, the rest in a digest a day, each once; and of the night.

What a recipient was told is kept in the folder of the run, in ``notices.json``, and written after each message that
went out: a run that is killed between the two tells of the same once more, never of nothing.
"""

import hashlib
import json
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.night_record import NightRecord
from pipeline.plain_text import in_a_line, printable
from pipeline.sources.notice_config import NightWord, NoticeConfig, Recipient
from pipeline.sources.secrets import hidden, looked_up
from pipeline.text_file import put_text

_LOG = logging.getLogger("tankdrift.notices")

STATE: Final = "notices.json"
_URGENCIES: Final = ("act_now", "today", "this_week", "watch")

_MOST_OF_A_CASE: Final = 1_000
"""Characters of a case's story in a message: ten times what one has whose tank has a plain name."""
_LINES: Final = 30
"""A message about the night has no more lines."""

Case = dict[str, Any]
State = dict[str, dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Notice:
    """A message that went out, or `error`, a line about why it did not."""

    role: str
    title: str
    cases: int
    error: str | None = None


def notify(config: NoticeConfig, cases: pl.DataFrame, sites: pl.DataFrame, out: Path, *, now: datetime) -> list[Notice]:
    """Tell every recipient what is new or has changed since he was last told; what went out, or failed to, comes back.

    Parameters
    ----------
    config : NoticeConfig
    cases, sites : DataFrame
        The run's cases that nobody has closed, with `closed_before` where one is back, and the lake's sites.
    out : Path
        Folder of the run.
    now : datetime
        What the clock says, in UTC.
    """
    if not config.to:
        return []
    state = _read(out / STATE)
    names = dict(zip(sites["site_id"], sites["name"], strict=True))
    found = []
    for recipient in config.to:
        for kind, wanted in due(recipient, cases.to_dicts(), state.get(_key(recipient), {}), now=now).items():
            if not wanted:
                continue
            title, body = message(kind, wanted, names, report_url=config.report_url)
            notice = _send(recipient, title, body, len(wanted))
            found.append(notice)
            if notice.error is None:
                _mark(state, recipient, wanted, kind, now)
                _write(out / STATE, state)
    return found


def notify_night(
    config: NoticeConfig, record: NightRecord | None, out: Path, *, now: datetime, late_after_hours: float
) -> list[Notice]:
    """Tell whoever wants to know how the last night went, each once; what quiet hours hold goes out after them.

    Parameters
    ----------
    config : NoticeConfig
    record : NightRecord, optional
        The last night; none before the first.
    out : Path
        Folder of the run.
    now : datetime
        What the clock says, in UTC.
    late_after_hours : float
        When the last night is longer ago, the next one is late. [h]
    """
    if record is None:
        return []
    found = []
    news = night_news(record, now=now, late_after_hours=late_after_hours)
    for recipient in config.to:
        local = now.astimezone(ZoneInfo(recipient.timezone)).time()
        state = _read(out / STATE)
        told = state.setdefault(_key(recipient), {"cases": {}}).setdefault("night", {})
        for kind, (mark, title, body) in news.items():
            if kind not in recipient.night or told.get(kind) == mark or quiet(local, recipient):
                continue
            notice = _send(recipient, title, body, 0) if body else None
            if notice is None or notice.error is None:
                told[kind] = mark
                _write(out / STATE, state)
            found += [] if notice is None else [notice]
    return found


def night_news(record: NightRecord, *, now: datetime, late_after_hours: float) -> dict[NightWord, tuple[str, str, str]]:
    """What there is to tell of a night: a mark by which it is told once, its title, and its body, if any."""
    count = sum(record.cases.values())
    stale = "\n".join(record.not_fresh[:_LINES])
    names = json.dumps(sorted(line.partition(":")[0] for line in record.not_fresh))
    news: dict[NightWord, tuple[str, str, str]] = {
        "finished": (record.at, f"tankdrift: the night is done, {count:g} cases", _came(record)),
        "stale": (names, f"tankdrift: {len(record.not_fresh)} tanks or tills are not fresh", stale),
    }
    if record.failures:
        title = f"tankdrift: the night failed in {len(record.failures)} parts"
        news["failed"] = (record.at, title, "\n".join(record.failures[:_LINES]))
    at = datetime.fromisoformat(record.at)
    if now - at > timedelta(hours=late_after_hours):
        title = f"tankdrift: no night since {at:%Y-%m-%d %H:%M} UTC"
        body = "See whether the machine, the schedule and its worker run; tankdrift nightly does the work by hand."
        news["late"] = (record.at, title, body)
    return news


def notify_start(config: NoticeConfig, *, now: datetime) -> list[Notice]:
    """Tell whoever wants to know that a night has started; in his quiet hours he is not told, then or later."""
    title, body = "tankdrift: the night has started", f"At {now:%Y-%m-%d %H:%M} UTC."
    return [
        _send(one, title, body, 0)
        for one in config.to
        if "started" in one.night and not quiet(now.astimezone(ZoneInfo(one.timezone)).time(), one)
    ]


def _came(record: NightRecord) -> str:
    return "\n".join(f"{name}: {rows:,.0f} new rows" for name, rows in record.new.items()) or "No source was asked."


def due(recipient: Recipient, cases: Sequence[Case], told: dict[str, Any], *, now: datetime) -> dict[str, list[Case]]:
    """Cases that a recipient is to be told of now: `at_once`, and in his `digest` of the day.

    In quiet hours only what is loud goes out; the rest waits for the next run after them. The digest goes out with the
    first run of a local day outside the quiet hours.
    """
    local = now.astimezone(ZoneInfo(recipient.timezone))
    is_quiet = quiet(local.time(), recipient)
    own = [case for case in cases if not recipient.site_ids or case["site_id"] in recipient.site_ids]
    before = told.get("cases", {})
    new = [case for case in own if before.get(case["case_id"]) != content(case)]
    at_once = [c for c in new if c["urgency"] in recipient.at_once and (not is_quiet or c["urgency"] in recipient.loud)]
    has_digest = not is_quiet and told.get("digest_on") != local.date().isoformat()
    digest = [c for c in new if c["urgency"] in recipient.digest] if has_digest else []
    return {"at_once": _ordered(at_once), "digest": _ordered(digest)}


def quiet(local: time, recipient: Recipient) -> bool:
    """Whether a local time lies in a recipient's quiet hours, which may run over midnight."""
    if recipient.quiet_from is None or recipient.quiet_to is None:
        return False
    begin, end = time.fromisoformat(recipient.quiet_from), time.fromisoformat(recipient.quiet_to)
    return begin <= local < end if begin <= end else local >= begin or local < end


def content(case: Case) -> str:
    """Hash of what a case asks of people: when it changes, they are told again. Litres grow by the day and do not.

    A case that was closed and is back is told of again.
    """
    asks = [case[name] for name in ("cause", "urgency", "action", "meter_id", "delivery_id")]
    back = [] if case.get("closed_before") is None else [case["closed_before"]]
    return hashlib.sha256(json.dumps([*asks, case["ts_end"] is None, *back], default=str).encode()).hexdigest()[:16]


def message(kind: str, cases: Sequence[Case], names: dict[str, str], *, report_url: str | None) -> tuple[str, str]:
    """Title and body of a message about some cases, in plain text."""
    count = f"{len(cases)} case{'' if len(cases) == 1 else 's'}"
    first = cases[0]
    site = in_a_line(str(names.get(first["site_id"], first["site_id"])))
    title = f"tankdrift: {count} in the digest" if kind == "digest" else f"tankdrift: {count}, first at {site}"
    lines = []
    for case in cases:
        places = (names.get(case["site_id"], case["site_id"]), case["tank_id"])
        where = " ".join(in_a_line(word) for word in places if word)
        lines += [
            f"[{case['urgency'].replace('_', ' ')}] {where}: {in_a_line(case['summary'], _MOST_OF_A_CASE)}",
            *(
                ["  It was closed, and is back: more has happened since."]
                if case.get("closed_before") is not None
                else []
            ),
            f"  What to do: {case['action']}",
        ]
    if report_url:
        lines += ["", report_url]
    return title, printable("\n".join(lines))


def _ordered(cases: list[Case]) -> list[Case]:
    return sorted(cases, key=lambda case: (_URGENCIES.index(case["urgency"]), case["site_id"], case["case_id"]))


def _send(recipient: Recipient, title: str, body: str, count: int) -> Notice:
    import apprise

    try:
        url = looked_up(recipient.url)
    except Exception as error:  # a missing secret stops this message alone
        return Notice(recipient.role, title, count, hidden(f"notice to {recipient.role}: {error}"))
    sender = apprise.Apprise()
    # Apprise logs addresses; they hold secrets.
    logging.getLogger("apprise").setLevel(logging.CRITICAL)
    if not sender.add(url):
        return Notice(recipient.role, title, count, f"notice to {recipient.role}: {recipient.url} is no such address")
    if not sender.notify(title=title, body=body, body_format=apprise.NotifyFormat.TEXT):
        return Notice(recipient.role, title, count, f"notice to {recipient.role}: it could not be delivered")
    _LOG.info("told %s: %s", recipient.role, title)
    return Notice(recipient.role, title, count)


def _key(recipient: Recipient) -> str:
    return f"{recipient.role} {recipient.url} {' '.join(recipient.site_ids)}".strip()


def _mark(state: State, recipient: Recipient, cases: Sequence[Case], kind: str, now: datetime) -> None:
    own = state.setdefault(_key(recipient), {"cases": {}})
    own["cases"] |= {case["case_id"]: content(case) for case in cases}
    if kind == "digest":
        own["digest_on"] = now.astimezone(ZoneInfo(recipient.timezone)).date().isoformat()


def _read(path: Path) -> State:
    found: State = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    return found


def _write(path: Path, state: State) -> None:
    put_text(json.dumps(state, indent=1, sort_keys=True), path)
