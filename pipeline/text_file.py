"""Small files of text, each put in its place whole."""

from __future__ import annotations

import os
from pathlib import Path


def put_text(text: str, path: Path) -> None:
    """Write a text beside its place and move it there, so that whoever reads has the old one or the new one."""
    beside = path.with_name(f".{path.name}.new")
    with beside.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
