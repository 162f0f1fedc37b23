"""Who may read what is written: as the umask says, but for what is for its owner alone whatever the umask is."""

import os
import secrets
from pathlib import Path
from typing import IO, Any, Final

_FILE: Final = 0o600
_FOLDER: Final = 0o700


def open_private(path: Path, mode: str, encoding: str | None = None) -> IO[Any]:
    """A file that is open for writing and for its owner alone, also where it was another's to read before."""
    return open(path, mode, encoding=encoding, opener=_opened)


def _opened(path: str, flags: int) -> int:
    descriptor = os.open(path, flags, _FILE)
    os.fchmod(descriptor, _FILE)
    return descriptor


def make_private(folder: Path) -> None:
    """Make a folder for its owner alone, or make it so where it is there."""
    folder.mkdir(mode=_FOLDER, exist_ok=True)
    if folder.stat().st_mode & 0o777 != _FOLDER:
        folder.chmod(_FOLDER)


def make_beside(parent: Path, prefix: str) -> Path:
    """A new folder, to be filled and moved into its place; `tempfile` would give it other rights than the umask."""
    folder = parent / f"{prefix}{secrets.token_hex(4)}"
    folder.mkdir()
    return folder
