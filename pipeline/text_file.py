"""Small files of text, each put in its place whole."""

from __future__ import annotations

import os
from pathlib import Path

from pipeline.rights import open_private


def put_text(text: str, path: Path, *, is_private: bool = False) -> None:
    """Write a text beside its place and move it there, so that whoever reads has the old one or the new one.

    What is private is for its owner alone.
    """
    beside = path.with_name(f".{path.name}.new")
    with open_private(beside, "w", "utf-8") if is_private else beside.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
