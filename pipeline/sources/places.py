"""Folders of files, on this machine or on an object store, looked at in one way.

An address with ``://`` is read through obstore: ``s3://bucket/prefix``, ``gs://…``, ``az://…``, ``file:///…``. Its keys
come from the environment in the store's own way (``AWS_ACCESS_KEY_ID`` and so on): no settings file holds them.
"""

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from fnmatch import fnmatch
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from pipeline.errors import SourceDownError, SourceError
from pipeline.sources.secrets import hidden, in_short, looked_up

if TYPE_CHECKING:
    from obstore.store import ObjectStore

_RETRIES: Final[Any] = {"max_retries": 2, "retry_timeout": timedelta(seconds=30)}
"""The library's own tries; the settings' `retries` come on top. Common practice, no source."""


class Place(Protocol):
    """A folder of files."""

    def files(self, pattern: str) -> dict[str, str]:
        """Names below the place that fit a pattern, the oldest first, each with a mark that changes with the file."""

    def content(self, name: str) -> bytes:
        """All bytes of a file."""


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder on this machine."""

    root: Path

    def files(self, pattern: str) -> dict[str, str]:
        """See `Place`; hidden files, and those that begin with an underscore, are not looked at."""
        if not self.root.is_dir():
            raise SourceError(f"{self.root}: there is no such folder", mend="make it, or mend place in the settings")
        found = []
        for folder, _, names in os.walk(self.root, onerror=_refuse):
            for path in (Path(folder, name) for name in names):
                name = path.relative_to(self.root).as_posix()
                if _is_meant(name, pattern):
                    # A link that leads nowhere is told of when it is read.
                    stat = path.stat() if path.exists() else path.lstat()
                    found.append((stat.st_mtime_ns, name, f"{stat.st_size} {stat.st_mtime_ns}"))
        return {name: mark for _, name, mark in sorted(found)}

    def content(self, name: str) -> bytes:
        """See `Place`."""
        try:
            return (self.root / name).read_bytes()
        except OSError as error:
            raise SourceDownError(f"{self.root / name}: {error.strerror}") from error


@dataclass(frozen=True, slots=True)
class Bucket:
    """A prefix of an object store."""

    shown: str
    store: "ObjectStore"

    def files(self, pattern: str) -> dict[str, str]:
        """See `Place`; a file's mark is what the store calls its version, else its size and time."""
        from obstore.exceptions import BaseError

        try:
            every = [entry for batch in self.store.list() for entry in batch]
        except (BaseError, OSError) as error:
            raise _store_trouble(self.shown, error) from error
        return {
            entry["path"]: f"{entry['e_tag'] or ''} {entry['size']} {entry['last_modified']}"
            for entry in sorted(every, key=lambda entry: (entry["last_modified"], entry["path"]))
            if _is_meant(entry["path"], pattern)
        }

    def content(self, name: str) -> bytes:
        """See `Place`."""
        from obstore.exceptions import BaseError

        try:
            return bytes(self.store.get(name).bytes())
        except (BaseError, OSError) as error:
            raise _store_trouble(f"{self.shown}/{name}", error) from error


def place_of(address: str, options: Mapping[str, str]) -> Place:
    """The place that an address names.

    Raises
    ------
    SourceError
        If the library for object stores is not installed, or does not know such an address.
    """
    where = looked_up(address)
    if "://" not in where:
        return Folder(Path(where))
    try:
        from obstore.store import from_url
    except ImportError as error:
        raise SourceError(
            f"{hidden(where)}: object stores need more", mend="pip install 'tankdrift[sources]'"
        ) from error
    config: Any = {name: looked_up(value) for name, value in options.items() if name != "allow_http"}
    client: Any = {"allow_http": True} if options.get("allow_http") == "true" else {}
    try:
        store = from_url(where, config=config or None, client_options=client or None, retry_config=_RETRIES)
    except Exception as error:  # obstore raises what its parts in Rust raise, of several kinds
        raise SourceError(
            f"{hidden(where)}: no object store could be made of this: {in_short(error)}", mend="see place and options"
        ) from error
    return Bucket(hidden(where), store)


def _refuse(error: OSError) -> None:
    """A folder that may not be read is no empty folder."""
    raise SourceError(f"{error.filename}: {error.strerror}", mend="give this user the right to read it") from error


def _store_trouble(shown: str, error: Exception) -> SourceError:
    """What an object store says, by its own code and words where it gives any."""
    said = in_short(error)
    code, words = (re.search(rf"<{name}>(.*?)(?:<|$)", str(error), re.DOTALL) for name in ("Code", "Message"))
    if code is None:
        # What is left out tells how often and how long it was tried.
        first = said.partition(" Debug source")[0]
        first = re.sub(r" in [0-9.]+m?s, after .*?s(?= - )", "", first)
        mend = "see place and options, and whether the store runs"
        return SourceDownError(f"{shown}: the object store says {first}", mend=mend)
    said = hidden(f"{code[1]}: {words[1]}" if words else code[1])
    mend = "see its keys in the environment" if "status code: 403" in str(error) else "see place and options"
    return SourceError(f"{shown}: the object store says {said}", mend=mend)


def _is_meant(name: str, pattern: str) -> bool:
    return fnmatch(name, pattern) and not any(step[0] in "._" for step in name.split("/"))
