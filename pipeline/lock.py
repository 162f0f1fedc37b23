"""Keeps others out of a folder: other processes of this machine, and other machines that have the same disk.

Processes of one machine are kept apart by ``flock``, which ends with the process that holds it. Whether another machine
sees it hangs on how the disk is mounted. So there is a note beside the lock, which only one can make, whatever the
mount (``O_EXCL``), and which says who: machine, process, since when. What a machine left that died is cleared away by
itself when it is back; any other waits, and says whose it is, for it cannot tell a machine that is dead from one that
it does not hear.
"""

import json
import logging
import os
import platform
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from filelock import FileLock, Timeout

from pipeline.errors import StoreError

_LOG = logging.getLogger("tankdrift.lock")

MACHINE: Final = "TANKDRIFT_MACHINE"
"""Variable of the environment that names this machine; without it, its host name."""

_POLL_S: Final = 0.05
_TORN_S: Final = 1.0
"""A note that says nothing for longer than this was broken off before it could: writing one takes a millisecond."""

_NOBODY: Final[Mapping[str, str]] = {}


@contextmanager
def locked(path: Path, busy: str, *, wait_s: float = 0.0) -> Iterator[None]:
    """Keep others out, after waiting so long for who is in.

    Parameters
    ----------
    path : Path
        File of the lock; its folder is there. The note lies beside it.
    busy : str
        What it means that somebody is in, as ``out: another run is at work here``.
    wait_s : float

    Raises
    ------
    StoreError
        If somebody is in for longer: `busy`, and who.
    OSError
        If no lock can be made there.
    """
    lock, until = FileLock(path, timeout=0), time.monotonic() + wait_s
    is_told = False
    while not _taken(lock, _note(path)):
        if time.monotonic() >= until:
            raise StoreError(f"{busy}; wait until it is done{_who(_note(path))}")
        if not is_told:
            _LOG.info("%s, waiting up to %g s for it%s", busy, wait_s, _who(_note(path)), extra={"stage": "wait"})
            is_told = True
        time.sleep(_POLL_S)
    try:
        yield
    finally:
        try:
            _note(path).unlink(missing_ok=True)
        finally:
            lock.release()


def _note(path: Path) -> Path:
    return path.with_name(f"{path.name}.holder")


def _machine() -> str:
    return os.environ.get(MACHINE) or platform.node()


def _taken(lock: FileLock, note: Path) -> bool:
    """Whether lock and note are now ours; neither is, where one is not."""
    try:
        lock.acquire()
    except Timeout:
        return False
    is_ours = False
    try:
        is_ours = _written(note)
    finally:
        if not is_ours:
            lock.release()
    return is_ours


def _written(note: Path) -> bool:
    """Whether the note could be made. The lock is ours: what this machine left here is of a process that has ended."""
    holder = _holder(note)
    if holder and holder["machine"] != _machine():
        return False
    if holder != _NOBODY:
        note.unlink(missing_ok=True)
    try:
        descriptor = os.open(note, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    except FileExistsError:
        return False
    since = f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC"
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump({"machine": _machine(), "process": os.getpid(), "since": since}, file)
    except OSError:
        note.unlink(missing_ok=True)
        raise
    return True


def _holder(note: Path) -> Mapping[str, str] | None:
    """Who is in, as the note says; None where it was broken off before it could."""
    found = _read(note)
    if found is None:
        time.sleep(_TORN_S)
        found = _read(note)
    return found


def _read(note: Path) -> Mapping[str, str] | None:
    try:
        told = json.loads(note.read_text(encoding="utf-8"))
        return {name: str(told[name]) for name in ("machine", "process", "since")}
    except FileNotFoundError:
        return _NOBODY
    except (ValueError, TypeError, KeyError):
        return None


def _who(note: Path) -> str:
    """Who is in, in brackets, and what mends it where another machine has died."""
    told = _read(note)
    if not told:
        return ""
    who = f" (machine {told['machine']}, process {told['process']}, since {told['since']})"
    if told["machine"] == _machine():
        return who
    return f"{who}; if that machine is at work no more, remove {note}"
