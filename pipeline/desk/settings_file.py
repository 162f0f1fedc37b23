"""The file of settings as the desk shows and changes it: whole, or not at all, and only what a browser may change."""

import hashlib
import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipeline.desk.veil import unveiled, veiled
from pipeline.errors import ArgumentError
from pipeline.lock import locked
from pipeline.plain_text import in_a_line
from pipeline.rights import open_private
from pipeline.settings import settings_from
from pipeline.sources.config import Operations, operations_of

MOST_SETTINGS_BYTES: Final = 300_000
"""A file of settings that the desk changes is not longer; a tag takes some 100."""
CHANGEABLE: Final = (
    "run", "stale_after_hours", "min_free_gb", "lock_wait_s", "watch.late_after_hours", "watch.log", "watch.spans",
    "notices.severities", "notices.to.*.site_ids", "notices.to.*.at_once", "notices.to.*.digest", "notices.to.*.night",
    "notices.to.*.quiet_from", "notices.to.*.quiet_to", "notices.to.*.loud", "notices.to.*.timezone",
    "sources.*.since", "sources.*.lookback_hours", "sources.*.retries", "sources.*.retry_wait_s", "sources.*.hold_s",
    "sources.*.values_a_request", "sources.*.timeout_s", "sources.*.every_s", "sources.*.quality",
    "sources.*.quality_words", "sources.*.tables.*.timezone", "sources.*.tables.*.time_format",
    "sources.*.tables.*.decimal", "sources.*.tables.*.separator", "sources.*.tables.*.encoding",
    "sources.*.tables.*.columns",
)  # fmt: skip
"""What may be changed from a browser, `*` for any name, and all that is below. Whatever else there is, or will be, may
not: what is asked, by whom, where anything is read, written or sent, and what a secret is."""
_ABSENT: Final = object()
_WAIT_S: Final = 20.0

Leaves = dict[tuple[str, ...], Any]


@dataclass(frozen=True, slots=True)
class SettingsText:
    """A settings file as it stands: its bytes' digest, its text without secrets, and what it says or why it cannot.

    `environment` names the settings that stand in the environment, which goes before the file.
    """

    digest: str
    text: str
    given: Mapping[str, Any]
    operations: Operations | None
    environment: tuple[str, ...]
    error: str


@dataclass(frozen=True, slots=True)
class SettingsFile:
    """A settings file that a desk shows."""

    path: Path

    def read(self) -> SettingsText:
        """The file as it stands.

        Raises
        ------
        ArgumentError
            If it cannot be read, or is no text.
        """
        content = self._content(self.path)
        text = self._decoded(content)
        given: Mapping[str, Any] = {}
        operations, error = None, ""
        try:
            given = tomllib.loads(text)
            operations = _checked(content, self.path)
        except (tomllib.TOMLDecodeError, ArgumentError) as broken:
            error = str(broken)
        known = {f"TANKDRIFT_{name}".upper(): name for name in Operations.model_fields}
        environment = tuple(known[one.upper()] for one in os.environ if one.upper() in known)
        return SettingsText(_digest(content), veiled(text)[0], given, operations, environment, error)

    def put(self, text: str, base: str) -> list[str] | None:
        """What was changed, a line a key, after putting a text that was made of the one of digest `base` in its place.

        None where the file is another by now; nothing is written then.

        Raises
        ------
        ArgumentError
            If the text says what cannot be, or changes what a browser may not change. Nothing is written then.
        """
        path = self.path.resolve()
        busy = f"{self.path}: another process writes the settings"
        with locked(path.with_name(f".{path.name}.lock"), busy, wait_s=_WAIT_S):
            before = self._content(path)
            if _digest(before) != base:
                return None
            was = self._decoded(before)
            ends = "\r\n" if "\r\n" in was else "\n"
            # Browsers end lines with both, whatever stood there.
            whole = unveiled(text.replace("\r\n", "\n"), was.replace("\r\n", "\n")).replace("\n", ends)
            after = whole.encode("utf-8")
            if len(after) > MOST_SETTINGS_BYTES:
                raise ArgumentError(f"the settings have {len(after):,} bytes; they may have {MOST_SETTINGS_BYTES:,}")
            _checked(after, self.path)
            changes = changed(_parsed(was, self.path), tomllib.loads(whole))
            for steps in changes:
                if not is_changeable(steps):
                    raise ArgumentError(f"{'.'.join(steps)} cannot be changed at the desk; change it in {self.path}")
            if after != before:
                try:
                    _put(after, path)
                except OSError as error:
                    raise ArgumentError(f"{self.path} cannot be written: {error.strerror}") from error
        return [f"{'.'.join(steps)}: {_shown(old)} -> {_shown(new)}" for steps, (old, new) in changes.items()]

    def _content(self, path: Path) -> bytes:
        try:
            return path.read_bytes()
        except OSError as error:
            raise ArgumentError(f"{self.path} cannot be read: {error.strerror}") from error

    def _decoded(self, content: bytes) -> str:
        try:
            return content.decode("utf-8")
        except UnicodeDecodeError as error:
            raise ArgumentError(f"{self.path}: {error}") from error


def changed(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[tuple[str, ...], tuple[Any, Any]]:
    """Old and new value of each key that two files differ in, by its steps; sources and who is told by their name."""
    old, new = _leaves(before), _leaves(after)
    steps = sorted({*old, *new})
    both = {one: (old.get(one, _ABSENT), new.get(one, _ABSENT)) for one in steps}
    return {one: (a, b) for one, (a, b) in both.items() if type(a) is not type(b) or a != b}


def is_changeable(steps: tuple[str, ...]) -> bool:
    """Whether a key may be changed from a browser."""
    for one in CHANGEABLE:
        allowed = one.split(".")
        if len(allowed) <= len(steps) and all(a in ("*", s) for a, s in zip(allowed, steps, strict=False)):
            return True
    return False


def _leaves(value: Any, steps: tuple[str, ...] = ()) -> Leaves:
    """Each value of a file by its steps; of lists of sections those of what is named, of other lists the whole."""
    if isinstance(value, list) and steps in (("sources",), ("notices", "to")):
        name = "name" if steps == ("sources",) else "role"
        # By the place, too: of two that go by one name neither hides the other.
        named = {
            f"{one.get(name) if isinstance(one, dict) else ''}" + (f" ({n})" if _is_again(value, n, name) else ""): one
            for n, one in enumerate(value)
        }
        return _leaves(named, steps)
    if isinstance(value, dict) and value:
        return {path: leaf for key, below in value.items() for path, leaf in _leaves(below, (*steps, str(key))).items()}
    return {steps: value}


def _is_again(values: list[Any], number: int, name: str) -> bool:
    def called(one: Any) -> Any:
        return one.get(name) if isinstance(one, dict) else None

    return any(called(one) == called(values[number]) for one in values[:number])


def _checked(content: bytes, path: Path) -> Operations:
    """The settings, held to all that a night holds them to."""
    operations = operations_of(content, path)
    try:
        settings_from(operations.run)
    except ArgumentError as error:
        raise ArgumentError(f"{path}: {error}") from error
    return operations


def _parsed(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ArgumentError(f"{path} cannot be read as it is, and has to be mended by hand: {error}") from error


def _put(content: bytes, path: Path) -> None:
    """Put the file in its place whole, with the rights that it had."""
    beside = path.with_name(f".{path.name}.new")
    try:
        with open_private(beside, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.chmod(path.stat().st_mode & 0o777)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _shown(value: Any) -> str:
    return "not there" if value is _ABSENT else in_a_line(veiled(str(value))[0])
