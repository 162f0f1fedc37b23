"""The folder of a run: kept from other runs, its files put in their place whole, and cleared of what was left half."""

import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.errors import ArgumentError
from pipeline.lock import locked
from pipeline.store import SNAPSHOT

LOCK: Final = ".tankdrift.lock"
"""File by which a run keeps others out of its folder."""


@contextmanager
def held(out: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Make the folder of a run and keep other runs out of it, after waiting so long for one that is at work there.

    Raises
    ------
    ArgumentError
        If the folder cannot be made.
    StoreError
        If another run is at work in it.
    """
    with ExitStack() as stack:
        try:
            out.mkdir(parents=True, exist_ok=True)
            stack.enter_context(locked(out / LOCK, f"{out}: another run is at work here", wait_s=wait_s))
        except OSError as error:
            raise ArgumentError(f"{out}: results cannot be written here: {error.strerror}") from error
        try:
            yield
        except OSError as error:
            # A write that fails does not say where.
            error.filename = error.filename or str(out)
            raise


def write_parquet(frame: pl.DataFrame, path: Path) -> None:
    """Write beside the file and put it in its place: a reader sees the old file or the new one."""
    beside = path.with_name(f".{path.name}.new")
    with beside.open("wb") as file:
        frame.write_parquet(file)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def clear_away(out: Path) -> None:
    """Remove what a run that was killed had half written beside the files."""
    for path in [*out.glob(".*.parquet.new"), *out.glob(f".{SNAPSHOT}.new*"), *out.glob(".report-*")]:
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink()
