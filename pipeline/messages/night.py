"""What there is to tell of a night itself."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from pipeline.messages.facts import severity
from pipeline.messages.message import Message, night_message
from pipeline.messages.words import Words
from pipeline.night_record import NightRecord
from pipeline.sources.notice_config import NightWord, NoticeConfig

LINES: Final = 30
"""A message about the night has no more lines."""

URGENCY: Final[Mapping[NightWord, str]] = {
    "failed": "today", "late": "today", "odd": "this_week", "stale": "this_week", "started": "watch",
    "finished": "watch",
}  # fmt: skip
"""How urgent news of the night is, as urgencies of cases have it."""


@dataclass(frozen=True, slots=True)
class News:
    """One thing that there is to tell; by its `mark` it is told once, and where it has no line nothing is sent."""

    what: NightWord
    mark: str
    title: str
    lines: list[str]
    at: str

    def message(self, config: NoticeConfig) -> Message:
        """The message about it."""
        urgency = URGENCY[self.what]
        fields = {"severity": severity(urgency, config), "at": self.at}
        return night_message(self.what, self.title, self.lines[:LINES], urgency=urgency, fields=fields)


def started(now: datetime, words: Words) -> News:
    """That a night has started."""
    lines = [words.of("night.started_at", at=f"{now:%Y-%m-%d %H:%M}")]
    return News("started", now.isoformat(), words.of("night.started"), lines, now.isoformat())


def news_of(record: NightRecord, words: Words, *, is_late: bool) -> Iterator[News]:
    """All that there is to tell of the last night."""
    at = record.at
    came = [words.of("night.came", table=name, rows=words.number(rows)) for name, rows in record.new.items()]
    done = words.of("night.finished", count=f"{sum(record.cases.values()):g}")
    yield News("finished", at, done, [*(came or [words.of("night.none_asked")]), *record.odd], at)
    yield News("stale", _names(record.not_fresh), _counted("stale", record.not_fresh, words), record.not_fresh, at)
    yield News("odd", _names(record.odd), _counted("odd", record.odd, words), record.odd, at)
    if record.failures:
        yield News("failed", at, _counted("failed", record.failures, words), [*record.failures, *record.odd], at)
    if is_late:
        title = words.of("night.late", at=f"{datetime.fromisoformat(at):%Y-%m-%d %H:%M}")
        yield News("late", at, title, [words.of("night.late_do")], at)


def late_since(record: NightRecord, *, now: datetime, late_after_hours: float) -> datetime | None:
    """When the last night was, where the next one is late; None where it is not."""
    at = datetime.fromisoformat(record.at)
    return at if now - at > timedelta(hours=late_after_hours) else None


def _counted(what: str, lines: list[str], words: Words) -> str:
    return words.of(f"night.{what}", count=len(lines))


def _names(lines: list[str]) -> str:
    """What the lines are about: told again when it is about something else."""
    return json.dumps(sorted(line.partition(":")[0] for line in lines))
