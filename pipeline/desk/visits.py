"""Who is at the desk just now, and when he looked at the worklist before that."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from threading import Lock
from typing import Final

from pipeline.said.looked import AWAY, Look, add_look, looks, visit_of

MOST_VISITS: Final = 10_000
"""So many people are kept in mind; of who was away the longest, the file still knows."""


@dataclass(slots=True)
class _Visit:
    """When somebody last asked for a page, his last look before this visit, and his last one in it."""

    asked_at: datetime
    before: Look | None
    last: Look | None


class Visits:
    """The visits to a desk over a folder of results. Any thread may ask."""

    def __init__(self, out: Path) -> None:
        self._out = out
        self._lock = Lock()
        self._of: dict[str, _Visit] = {}

    def asked(self, who: str, now: datetime) -> Look | None:
        """Somebody's last look at the worklist before this visit of his, after he has asked for a page of it."""
        with self._lock:
            visit = self._of.pop(who, None)
            # A clock that goes back ends no visit.
            if visit is None or now - visit.asked_at > AWAY:
                before, last = visit_of(looks(self._out, who), now)
                visit = _Visit(now, before, last)
            visit.asked_at = now
            while len(self._of) >= MOST_VISITS:
                del self._of[next(iter(self._of))]
            self._of[who] = visit
            return visit.before

    def looked(self, look: Look) -> None:
        """Keep that somebody sees the worklist, where it tells something new to him, or the last look is long ago.

        Raises
        ------
        StoreError
            As `add_look` does.
        """
        with self._lock:
            visit = self._of[look.who]
            last = visit.last
            if last is not None and (last.day, last.seq) == (look.day, look.seq) and look.at - last.at < AWAY / 2:
                return
            visit.last = look
        add_look(self._out, look)
