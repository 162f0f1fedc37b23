"""When each person looked at the worklist, and what it told him: a line a look in one file, only ever added to.

Which lines are one visit, their times say; their order is that of the file, whatever the clock did meanwhile.
"""

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from pipeline.lock import locked
from pipeline.rights import make_private, open_private

FILE: Final = "said/looked.jsonl"
AWAY: Final = timedelta(minutes=30)
"""Who asks for no page for longer begins a new visit; common practice, no source."""
_WAIT_S: Final = 20.0


@dataclass(frozen=True, slots=True)
class Look:
    """Who saw the worklist when: over data to `day`, after the saying of number `seq`."""

    who: str
    at: datetime
    day: date
    seq: int


def add_look(out: Path, look: Look) -> None:
    """Add a look to the file; two who look at once take turns.

    Raises
    ------
    StoreError
        If another holds the file for longer than any look takes.
    """
    path = out / FILE
    make_private(path.parent)
    line = json.dumps({"who": look.who, "at": look.at.isoformat(), "day": look.day.isoformat(), "seq": look.seq})
    with (
        locked(path.with_name(".looked.lock"), f"{path}: another process writes who looked", wait_s=_WAIT_S),
        open_private(path, "ab") as file,
    ):
        # What was broken off before it was whole is a line of its own, which nobody reads.
        file.write((b"\n" if _is_torn(path) else b"") + line.encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())


def looks(out: Path, who: str) -> list[Look]:
    """Somebody's looks in their order; what was broken off is left out."""
    path = out / FILE
    if not path.is_file():
        return []
    found = [_look(line) for line in path.read_bytes().splitlines()]
    return [look for look in found if look is not None and look.who == who]


def visit_of(own: Sequence[Look], now: datetime) -> tuple[Look | None, Look | None]:
    """Of somebody's looks the last before the visit that is under way at `now`, and the last of that visit."""
    later, before = now, len(own)
    while before and timedelta() <= later - own[before - 1].at <= AWAY:
        before -= 1
        later = own[before].at
    return own[before - 1] if before else None, own[-1] if before < len(own) else None


def _look(line: bytes) -> Look | None:
    try:
        told: dict[str, Any] = json.loads(line)
        at = datetime.fromisoformat(told["at"])
        return Look(str(told["who"]), at, date.fromisoformat(told["day"]), int(told["seq"])) if at.tzinfo else None
    except (ValueError, KeyError, TypeError):
        return None


def _is_torn(path: Path) -> bool:
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(size - 1, 0))
        return size > 0 and file.read(1) != b"\n"
