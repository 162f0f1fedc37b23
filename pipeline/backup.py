"""One file with what of a run's folder cannot be made again, and a folder from such a file.

The file is a ZIP archive: what is kept under its own name, and `backup.json`, which has the SHA-256 of each. What else
lies in a folder is made by the next run, or is none of ours, and is left out.
"""

import hashlib
import json
import os
import re
import shutil
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import IO, Any, Final

from pipeline.errors import ArgumentError, BackupError
from pipeline.rights import make_beside, make_private, open_private
from pipeline.run_folder import held
from pipeline.said.files import FOLDER as FILES
from pipeline.said.files import IS_NAME
from pipeline.said.record import put_labels, read
from pipeline.store import require_free
from pipeline.store_layout import LAYOUT

USERS: Final = "users.txt"
"""Name, in the file and in a folder that was restored, of who may sign in at the desk."""

_ABOUT: Final = "backup.json"
_FORMAT: Final = 1

_SAYING: Final = r"said/[^/.][^/]*\.json"
# The store with what a run that was killed had yet to write into it; sayings, with pictures and papers; what was shown,
# believed and told; the last night; who asked the desk for what.
_KEPT: Final = re.compile(
    rf"tankdrift\.duckdb(\.wal)?|{_SAYING}|said/looked\.jsonl|said/files/{IS_NAME.pattern}|since\.json|believed\.parquet|notices\.json|night\.json|desk\.log(\.\d+)?"
)
_PRIVATE: Final = re.compile(r"users\.txt|said/|desk\.log")
_CHUNK: Final = 1 << 20
Files = dict[str, dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Backup:
    """What a file holds: how many files of how many bytes in all, and how many of them are sayings."""

    files: int
    size: int
    sayings: int


def back_up(out: Path, file: Path, *, now: datetime, users: Path | None = None, wait_s: float = 0.0) -> Backup:
    """Write what is kept of a folder of results, as of `now`, into a new file, after waiting so long for a run there.

    Raises
    ------
    ArgumentError
        If there is nothing to be kept in the folder, or the file is there already.
    StoreError
        If a run is at work in the folder, another process holds its store, or what is there cannot be read.
    """
    if not any(_kept(out)):
        raise ArgumentError(f"{out}: there is nothing of a run here that could be kept")
    if file.exists():
        raise ArgumentError(f"{file}: this is here already, and no backup is written over; give another name")
    beside = file.with_name(f".{file.name}.new")
    with held(out, wait_s=wait_s):
        require_free(out)
        # What cannot be read here could not be read there.
        read(out)
        try:
            # Notes and hashed passwords are for their owner alone.
            with open_private(beside, "wb") as stream:
                made = _write(stream, dict(_kept(out)) | ({USERS: users} if users else {}), now)
                stream.flush()
                os.fsync(stream.fileno())
            beside.replace(file)
        except OSError as error:
            # A write that fails does not say where.
            error.filename = error.filename or str(file)
            raise
        finally:
            beside.unlink(missing_ok=True)
    return made


def restore(file: Path, out: Path) -> Backup:
    """Make a new folder of results of what a file holds; it appears whole or not at all.

    Raises
    ------
    ArgumentError
        If the folder is there already and not empty.
    BackupError
        If the file is no backup, is not as it was written, or a later version made it.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise ArgumentError(f"{out}: this is here already, and nothing is restored over it; give a new folder")
    with file.open("rb") as stream:
        files = _checked(stream, file)
        out.parent.mkdir(parents=True, exist_ok=True)
        beside = make_beside(out.parent, f".{out.name}.")
        try:
            _put(stream, files, beside)
            beside.rename(out)
        except OSError as error:
            # A write that fails does not say where.
            error.filename = error.filename or str(out)
            raise
        finally:
            shutil.rmtree(beside, ignore_errors=True)
    return _told(files)


def _kept(out: Path) -> Iterator[tuple[str, Path]]:
    """What of a folder is kept, by its name in the file."""
    for path in sorted([*out.glob("*"), *out.glob("said/*"), *out.glob(f"{FILES}/*")]):
        name = path.relative_to(out).as_posix()
        if _KEPT.fullmatch(name) and path.is_file():
            yield name, path


def _write(stream: IO[bytes], kept: Mapping[str, Path], now: datetime) -> Backup:
    files: Files = {}
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, path in kept.items():
            with path.open("rb") as source, archive.open(name, "w", force_zip64=True) as target:
                files[name] = _copied(source, target)
        about = {"format": _FORMAT, "layout": LAYOUT, "tankdrift": version("tankdrift"), "at": now.isoformat()}
        archive.writestr(_ABOUT, json.dumps(about | {"files": files}, indent=1))
    return _told(files)


def _checked(stream: IO[bytes], file: Path) -> Files:
    """Sum and bytes of each file that an archive holds, all of which are as they were put into it."""
    try:
        with zipfile.ZipFile(stream) as archive:
            about: dict[str, Any] = json.loads(archive.read(_ABOUT))
            if about["format"] > _FORMAT or about["layout"] > LAYOUT:
                raise BackupError(f"{file}: a later tankdrift made it, {about['tankdrift']}; restore it with that")
            files: Files = about["files"]
            if {*archive.namelist()} != {*files, _ABOUT} or not all(_KEPT.fullmatch(n) or n == USERS for n in files):
                raise BackupError(f"{file}: this backup was altered: it holds other files than were put into it")
            for name, wanted in files.items():
                with archive.open(name) as source:
                    if _copied(source, None) != wanted:
                        raise BackupError(f"{file}: this backup was altered: {name} is not as it was put into it")
    except BackupError:
        raise
    except Exception as error:  # a damaged archive breaks in as many ways as there are bytes in it
        raise BackupError(f"{file}: this is no backup of tankdrift, or it is torn or altered") from error
    return files


def _put(stream: IO[bytes], files: Files, folder: Path) -> None:
    with zipfile.ZipFile(stream) as archive:
        for name in files:
            target = folder / name
            is_private = _PRIVATE.match(name) is not None
            for parent in [one for one in reversed(target.parents) if one.is_relative_to(folder) and one != folder]:
                make_private(parent)
            with archive.open(name) as source, open_private(target, "wb") if is_private else target.open("wb") as file:
                _copied(source, file)
    put_labels(folder)


def _copied(source: IO[bytes], target: IO[bytes] | None) -> dict[str, Any]:
    """SHA-256 and bytes of what was read and, where there is a target, copied."""
    digest, size = hashlib.sha256(), 0
    while chunk := source.read(_CHUNK):
        digest.update(chunk)
        size += len(chunk)
        if target is not None:
            target.write(chunk)
    return {"sha256": digest.hexdigest(), "bytes": size}


def _told(files: Mapping[str, Mapping[str, Any]]) -> Backup:
    sayings = sum(re.fullmatch(_SAYING, name) is not None for name in files)
    return Backup(len(files), sum(entry["bytes"] for entry in files.values()), sayings)
