"""The last published run as the desk shows it, read anew when a run has published or somebody has spoken."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import Any

import polars as pl

from pipeline.desk.forms import Brought
from pipeline.desk.visits import Visits
from pipeline.errors import ArgumentError, StoreError
from pipeline.report.apart import without
from pipeline.report.fleet import Fleet
from pipeline.report.pages import Pages
from pipeline.report.rendering import content_policy
from pipeline.report.site import PLOTLY, read_assets, style_hashes
from pipeline.report.tables import Tables
from pipeline.said.files import file_name, keep_file, read_file
from pipeline.said.record import newest, say
from pipeline.said.sayings import Saying, row_of
from pipeline.said.shown import BELIEVED, said_frames
from pipeline.said.shown import FILE as SINCE
from pipeline.store import SNAPSHOT, read_snapshot


class Book:
    """Pages of the last published run in a folder, and of what a run `beside` it by other charts changes.

    Any thread may ask.
    """

    def __init__(self, out: Path, beside: Path | None = None) -> None:
        self.out = out
        self._beside = None if beside is None else _by_other_charts(beside)
        self.visits = Visits(out)
        self.assets = read_assets()
        self._hashes = style_hashes(self.assets[PLOTLY].decode())
        self.policy = content_policy(self._hashes, forms="'self'", pictures="'self'", asked="'self'")
        self._lock = Lock()
        self._run: list[tuple[int, int] | None] = []
        self._said = -2
        self._sayings: pl.DataFrame | None = None
        self._tables: Tables | None = None
        self._as_of: Any = None
        self._pages: Pages | None = None

    def pages(self) -> Pages:
        """The pages as they are now.

        Raises
        ------
        StoreError
            If nothing was published yet, or what is there cannot be read.
        """
        with self._lock:
            run, said = self._place(), newest(self.out)
            if self._tables is None or run != self._run:
                frames = read_snapshot(self.out)
                if "as_of" not in frames:
                    raise StoreError(f"{self.out}: an earlier version published what is here; run it again")
                self._as_of = frames["as_of"]["day"][0]
                self._tables = Tables.of(without(frames, frames["left_out"]["site_id"].to_list()))
                self._pages = self._sayings = None
            if self._pages is None or said != self._said:
                frames = said_frames(self.out, known=self._sayings)
                self._tables, self._sayings = self._tables.with_said(frames), frames["sayings"]
                self._pages = Pages.of(Fleet.of(self._tables, self._as_of), self._hashes, self._beside)
            self._run, self._said = run, said
            return self._pages

    def say(self, saying: Saying, page: str, brought: Brought | None = None) -> str | None:
        """Where the case stands of which something was written down, on `page` where it stands there.

        None where the last run has no such case; nothing is written then, and no file that was brought is kept.

        Raises
        ------
        ArgumentError
            If it cannot be said.
        """
        pages = self.pages()
        case = next((c for c in pages.fleet.cases if c.row["case_id"] == saying.case_id), None)
        if case is None:
            return None
        if brought is not None and saying.kind == "file":
            told = replace(saying, file=file_name(brought.content), file_name=brought.name)
            row = row_of(told, case.row, {})
            keep_file(self.out, brought.content)
        else:
            row = row_of(saying, case.row, {})
        say(self.out, row, now=datetime.now(UTC))
        return f"{page if page in pages.made else case.href.partition('#')[0]}#{case.anchor}"

    def file(self, name: str) -> bytes | None:
        """A picture or paper that somebody added to a case; None where there is none of that name."""
        return read_file(self.out, name)

    def _place(self) -> list[tuple[int, int] | None]:
        """What tells one published run from the next: its snapshot, and what is put in place a moment after it."""
        return [_mark(self.out / name) for name in (SNAPSHOT, SINCE, BELIEVED)]


def _mark(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_ino, found.st_mtime_ns


def _by_other_charts(out: Path) -> Fleet:
    """What a run by other charts published.

    Raises
    ------
    ArgumentError
        If it went by the lake's own.
    """
    frames = read_snapshot(out)
    if frames["other_charts"].is_empty():
        raise ArgumentError(f"--beside {out}: it went by the lake's own charts; run it with --with-charts FILE")
    return Fleet.of(Tables.of(frames | said_frames(out)), frames["as_of"]["day"][0])
