"""Photographs and papers on cases: files beside what was said, each under the hash of its bytes and never changed.

What a file is, its own first bytes say, whatever it is called. None is ever opened or run here.
"""

import hashlib
import os
import re
from pathlib import Path
from typing import Final

from pipeline.errors import ArgumentError
from pipeline.rights import make_private, open_private

FOLDER: Final = "said/files"
MOST_FILE_BYTES: Final = 10_000_000
"""A file is not longer: a phone's photograph has two to eight million bytes; common practice, no source."""
TYPES: Final = {"png": "image/png", "jpg": "image/jpeg", "pdf": "application/pdf"}
"""What a file may be, by the ending that it is kept with."""
IS_NAME: Final = re.compile(r"[0-9a-f]{64}\.(png|jpg|pdf)")
"""How a file is called in the folder: by the SHA-256 of its bytes, and its type."""

# PNG (ISO/IEC 15948, 5.2 and 5.3): signature, then a header chunk of 13 bytes. JPEG (ISO/IEC 10918-1, B.1.1): start of
# image, then another marker. PDF (ISO 32000-1, 7.5.2): its version.
_FIRST_BYTES: Final = {
    "png": re.compile(rb"\x89PNG\r\n\x1a\n\x00\x00\x00\x0dIHDR"),
    "jpg": re.compile(rb"\xff\xd8\xff[\xc0-\xfe]"),
    "pdf": re.compile(rb"%PDF-[12]\.\d"),
}


def file_name(content: bytes) -> str:
    """What a file is kept as.

    Raises
    ------
    ArgumentError
        If it is empty, too long, or no PNG, JPEG or PDF.
    """
    if not content:
        raise ArgumentError("no file was chosen, or it is empty")
    if len(content) > MOST_FILE_BYTES:
        raise ArgumentError(f"the file has {len(content):,} bytes; it may have {MOST_FILE_BYTES:,}")
    for ending, begins in _FIRST_BYTES.items():
        if begins.match(content):
            return f"{hashlib.sha256(content).hexdigest()}.{ending}"
    raise ArgumentError("the file is no picture (PNG or JPEG) and no PDF, whatever it is called")


def keep_file(out: Path, content: bytes) -> str:
    """Name under which a file is kept in a run's folder, where it then lies whole; the same file is kept once.

    Raises
    ------
    ArgumentError
        As `file_name` does.
    """
    name = file_name(content)
    folder = out / FOLDER
    make_private(folder.parent)
    make_private(folder)
    path = folder / name
    if not path.is_file():
        # A name of its own: two who bring the same file at once do not write into one another's.
        beside = folder / f".{name}.{os.urandom(4).hex()}"
        try:
            with open_private(beside, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        finally:
            beside.unlink(missing_ok=True)
    return name


def read_file(out: Path, name: str) -> bytes | None:
    """The file's bytes; None where there is none of that name."""
    path = out / FOLDER / name
    return path.read_bytes() if IS_NAME.fullmatch(name) and path.is_file() else None
