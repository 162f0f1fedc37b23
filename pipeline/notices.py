"""Who is told of which cases, and when: urgent ones at once, the rest in a digest a day, each once; and of the night.

What a recipient was told is kept in the folder of the run, in ``notices.json``, and written after each message that
went out: a run that is killed between the two tells of the same once more, never of nothing.
"""

import hashlib
import json
import logging
from collections.abc import Sequence
from datetime import datetime, time
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.messages.facts import Told
from pipeline.messages.message import case_message
from pipeline.messages.night import late_since, news_of, started
from pipeline.messages.sending import Notice, send
from pipeline.messages.words import Words, read_words
from pipeline.night_record import NightRecord
from pipeline.report.case import URGENCIES, Case
from pipeline.sources.notice_config import NoticeConfig, Recipient
from pipeline.text_file import put_text

_LOG = logging.getLogger("tankdrift.notices")

STATE: Final = "notices.json"
State = dict[str, dict[str, Any]]


def notify(
    config: NoticeConfig, cases: Sequence[Case], tickets: pl.DataFrame, out: Path, *, now: datetime
) -> list[Notice]:
    """Tell every recipient what is new or has changed since he was last told; what went out, or failed to, comes back.

    Parameters
    ----------
    config : NoticeConfig
    cases : sequence of Case
        The run's cases; what is closed is not told of.
    tickets : DataFrame
        The lake's `deliveries`.
    out : Path
        Folder of the run.
    now : datetime
        What the clock says, in UTC.
    """
    if not config.to:
        return []
    state = _read(out / STATE)
    by_id = {row["delivery_id"]: row for row in tickets.iter_rows(named=True)}
    still_open = [case for case in cases if case.closed is None]
    found = []
    for recipient in config.to:
        words, told = _words(recipient), Told(now, recipient.role, config, by_id)
        for kind, wanted in due(recipient, still_open, state.get(_key(recipient), {}), now=now).items():
            if not wanted:
                continue
            notice = send(recipient, case_message(kind, wanted, told, words))
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
    is_late = late_since(record, now=now, late_after_hours=late_after_hours) is not None
    for recipient in config.to:
        local = now.astimezone(ZoneInfo(recipient.timezone)).time()
        state = _read(out / STATE)
        told = state.setdefault(_key(recipient), {"cases": {}}).setdefault("night", {})
        for news in news_of(record, _words(recipient), is_late=is_late):
            if news.what not in recipient.night or told.get(news.what) == news.mark or quiet(local, recipient):
                continue
            notice = send(recipient, news.message(config)) if news.lines else None
            if notice is None or notice.error is None:
                told[news.what] = news.mark
                _write(out / STATE, state)
            found += [] if notice is None else [notice]
    return found


def notify_start(config: NoticeConfig, *, now: datetime) -> list[Notice]:
    """Tell whoever wants to know that a night has started; in his quiet hours he is not told, then or later."""
    return [
        send(one, started(now, _words(one)).message(config))
        for one in config.to
        if "started" in one.night and not quiet(now.astimezone(ZoneInfo(one.timezone)).time(), one)
    ]


def due(recipient: Recipient, cases: Sequence[Case], told: dict[str, Any], *, now: datetime) -> dict[str, list[Case]]:
    """Cases that a recipient is to be told of now: `at_once`, and in his `digest` of the day.

    In quiet hours only what is loud goes out; the rest waits for the next run after them. The digest goes out with the
    first run of a local day outside the quiet hours.
    """
    local = now.astimezone(ZoneInfo(recipient.timezone))
    is_quiet = quiet(local.time(), recipient)
    own = [case for case in cases if not recipient.site_ids or case.row["site_id"] in recipient.site_ids]
    before = told.get("cases", {})
    new = [case for case in own if before.get(case.row["case_id"]) != content(case)]
    at_once = [c for c in new if c.urgency in recipient.at_once and (not is_quiet or c.urgency in recipient.loud)]
    has_digest = not is_quiet and told.get("digest_on") != local.date().isoformat()
    digest = [c for c in new if c.urgency in recipient.digest] if has_digest else []
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
    row, before = case.row, case.said.before
    asks = [row[name] for name in ("cause", "urgency", "action", "meter_id", "delivery_id")]
    back = [] if before is None else [before["seq"]]
    return hashlib.sha256(json.dumps([*asks, row["ts_end"] is None, *back], default=str).encode()).hexdigest()[:16]


def _ordered(cases: list[Case]) -> list[Case]:
    return sorted(cases, key=lambda case: (URGENCIES.index(case.urgency), case.row["site_id"], case.row["case_id"]))


def _words(recipient: Recipient) -> Words:
    """The words that he is told in; what is wrong with their file is left in the log, and told by the doctor."""
    words, troubles = read_words(recipient.words)
    for trouble in troubles[:1]:
        _LOG.warning("%s", trouble, extra={"stage": "notify"})
    return words


def _key(recipient: Recipient) -> str:
    return f"{recipient.role} {recipient.url} {' '.join(recipient.site_ids)}".strip()


def _mark(state: State, recipient: Recipient, cases: Sequence[Case], kind: str, now: datetime) -> None:
    own = state.setdefault(_key(recipient), {"cases": {}})
    own["cases"] |= {case.row["case_id"]: content(case) for case in cases}
    if kind == "digest":
        own["digest_on"] = now.astimezone(ZoneInfo(recipient.timezone)).date().isoformat()


def _read(path: Path) -> State:
    found: State = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    return found


def _write(path: Path, state: State) -> None:
    put_text(json.dumps(state, indent=1, sort_keys=True), path)
