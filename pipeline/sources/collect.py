"""From every source into the lake: what is new since last time, late and corrected rows, and what went wrong.

A source that fails is reported and the others go on. What it gave before it failed is kept, and its mark stands there:
the next time begins where this one broke off.
"""

import hashlib
import logging
import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Final, TypeVar

from pipeline.contract.lake import TIME_COLUMNS
from pipeline.errors import SourceDownError, SourceError, TankdriftError
from pipeline.sources.by_kind import source_of
from pipeline.sources.config import FilesConfig, LakeConfig, Operations, SourceConfig
from pipeline.sources.landing import Landing, Merged
from pipeline.sources.losses import (
    empty_levels,
    require_columns,
    require_files,
    require_readable,
    settings_digest,
    was_read,
)
from pipeline.sources.secrets import hidden, in_short
from pipeline.sources.silence import Heard, heard_with, silent
from pipeline.sources.source import STANDING, Arriving, Fetched, Historian, Source, is_by_day, windows
from pipeline.spans import spans

_LOG = logging.getLogger("tankdrift.sources")

SINCE: Final = timedelta(days=30)
"""How far back the first window of a source begins that does not say since when it has data."""

_FILES_A_MARK: Final = 50

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Collected:
    """What came of one table of a source; `error` is a line where it failed, `odd` has lines that fail nothing."""

    source: str
    table: str
    merged: Merged = field(default_factory=Merged)
    newest: datetime | None = None
    seconds: float = 0.0
    error: str | None = None
    note: str | None = None
    odd: tuple[str, ...] = ()


def collect(
    operations: Operations,
    *,
    now: datetime,
    names: Sequence[str] | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> list[Collected]:
    """Bring the lake up to what the sources hold, and say what came.

    Parameters
    ----------
    operations : Operations
    now : datetime
        What the clock says, in UTC.
    names : sequence of str, optional
        Sources to ask; all when left out.
    start, end : datetime, optional
        A window to read again whatever was read before, for a backfill; marks stay where they are. A source that is
        made of files reads all of them again.
    """
    found: list[Collected] = []
    for config in operations.sources:
        if names is None or config.name in names:
            with spans(operations.watch.spans)("source", source=config.name) as failed:
                try:
                    done = collect_source(operations, config, now=now, start=start, end=end)
                except Exception as error:  # whatever it is, the other sources go on
                    done = [Collected(config.name, "", error=_told(config.name, error))]
                found += done
                if errors := [entry.error for entry in done if entry.error]:
                    failed(errors[0])
    return found


def collect_source(
    operations: Operations,
    config: SourceConfig,
    *,
    now: datetime,
    start: datetime | None = None,
    end: datetime | None = None,
) -> list[Collected]:
    """The same for one source.

    Raises
    ------
    StoreError, ArgumentError
        As `Landing.held`; the source's own troubles are in what comes back.
    """
    landing = Landing(operations.lake)
    source = source_of(config)
    try:
        tables = source.tables
    except TankdriftError as error:
        return [Collected(config.name, "", error=hidden(str(error)))]
    found = []
    with landing.held(config.name, operations.lock_wait_s):
        for table in tables:
            began = time.monotonic()
            job = _Job(landing, source, config, table, now)
            trouble = _trouble(operations, job, start, end)
            odd = tuple(silent(job.heard, table, config, operations.stale_after_hours))
            found.append(replace(job.collected, seconds=time.monotonic() - began, error=trouble, odd=odd))
            level, of = logging.ERROR if trouble else logging.INFO, {"source": config.name, "table": table}
            told = (config.name, table, job.collected.merged.new, trouble or "done")
            _LOG.log(level, "%s: %s: %d new, %s", *told, extra={"stage": "collect", **of})
    return found


def _trouble(operations: Operations, job: "_Job", start: datetime | None, end: datetime | None) -> str | None:
    """One line about what went wrong, without a secret in it; None where nothing did."""
    try:
        require_space(operations)
        job.run(start, end)
    except Exception as error:  # a driver's own among them: whatever it is, the other sources go on
        return _told(job.config.name, error)
    return None


def _told(name: str, error: Exception) -> str:
    """One line about what went wrong, without a secret in it."""
    if isinstance(error, TankdriftError | OSError):
        return hidden(str(error))
    return f"{name}: {type(error).__name__}: {in_short(error)}"


def require_space(operations: Operations) -> None:
    """Raise where the lake's disk is nearly full.

    Raises
    ------
    SourceError
        If less is free than the settings ask for.
    """
    free = shutil.disk_usage(operations.lake).free / 1e9
    if free < operations.min_free_gb:
        raise SourceError(
            f"{operations.lake}: {free:.1f} GB free, less than min_free_gb ({operations.min_free_gb:g})",
            mend="make room, or set min_free_gb lower",
        )


class _Job:
    """One table of one source, until it is done or fails; `collected` says how far it came."""

    def __init__(self, landing: Landing, source: Source, config: SourceConfig, table: str, now: datetime) -> None:
        self.landing, self.source, self.config, self.table, self.now = landing, source, config, table, now
        self.collected = Collected(config.name, table)
        kept = landing.marks(config.name).found
        self.columns_before: list[str] = kept.get("columns", {}).get(table, [])
        self.heard: Heard = kept.get("heard", {}).get(table, {})
        self.columns: set[str] | None = None
        self.rows = self.levels = self.spread = 0
        self.troubles: list[str] = []

    def run(self, start: datetime | None, end: datetime | None) -> None:
        digest = settings_digest(self.config, self.table)
        read_by = self.landing.marks(self.config.name).found.get("settings", {}).get(self.table)
        is_told_anew = read_by not in (None, digest)
        if isinstance(self.source, Arriving):
            if is_told_anew:
                self.landing.forget_refused(self.table, self.config.name)
            self._arrivals(self.source, again=start is not None or is_told_anew)
        elif start is not None:
            self._windows(start, end or self.now, marks=False)
        elif self.table in STANDING:
            self._standing()
        else:
            begin, note = self._begin()
            told_anew = "its settings have changed: tankdrift backfill reads by them what was read before"
            self.collected = replace(self.collected, note=note or (told_anew if is_told_anew else None))
            self._windows(begin, self.now, marks=True)
        self._look_over(digest)

    def _look_over(self, digest: str) -> None:
        """Note what is odd about all that came, and fail where a part of it did not."""
        if self.spread:
            note = f"{self.spread} sales of the hour that the clock change repeats may be of either pass"
            self.collected = replace(self.collected, note=note)
        self._remember("settings", digest)
        if self.heard:
            self._remember("heard", self.heard)
        if not self.columns_before and self.columns:
            self._remember("columns", sorted(self.columns))
        empty = empty_levels(self.table, self.rows, self.levels, self.config.name)
        troubles = [*self.troubles, *([empty] if empty else [])]
        if troubles:
            raise SourceError(troubles[0] + (f" (and {len(troubles) - 1} more)" if len(troubles) > 1 else ""))

    def _remember(self, what: str, value: object) -> None:
        kept = self.landing.marks(self.config.name)
        if kept.found.get(what, {}).get(self.table) != value:
            kept.with_(what, {**kept.found.get(what, {}), self.table: value})

    def _take(self, told: Fetched, land: Callable[[Fetched], Merged]) -> None:
        """Bring in what was told, as soon as it is known to be readable."""
        require_readable(told, self.table, self.config.name)
        require_columns(told, self.columns_before, self.table, self.config.name)
        merged = land(told)
        newest = max([one for one in (self.collected.newest, _newest(told, self.table)) if one], default=None)
        self.collected = replace(self.collected, merged=self.collected.merged + merged, newest=newest)
        self.rows, self.spread = self.rows + told.rows.height, self.spread + told.spread
        self.heard = heard_with(self.heard, self.table, told.rows)
        if self.table == "readings":
            self.levels += told.rows["level_mm"].count()
        if told.columns:
            self.columns = set(told.columns) if self.columns is None else self.columns & set(told.columns)
        if told.missed is not None and told.missed not in self.troubles:
            self.troubles.append(told.missed)

    def _standing(self) -> None:
        told = self._tried(lambda: self.source.fetch(self.table, self.now, self.now))
        self._require_rows(told, self.config.name)
        self._take(told, partial(self.landing.replace, self.table, self.config.name))

    def _require_rows(self, told: Fetched, part: str) -> None:
        """A registry that comes empty takes nothing away."""
        if told.rows.is_empty() and self.landing.files(self.table, part):
            raise SourceError(f"{self.config.name}: {self.table} came empty; what was known is kept")

    def _begin(self) -> tuple[datetime, str | None]:
        mark = self.landing.marks(self.config.name).found.get(self.table)
        since = self.config.since.astimezone(UTC) if self.config.since else self.now - SINCE
        if mark is None:
            return self._first(since), None
        through = datetime.fromisoformat(mark)
        note = None
        if through > self.now:
            note = f"this machine's clock stands before the last time, {through:%Y-%m-%d %H:%M} UTC"
        return max(since, min(through, self.now) - timedelta(hours=self.config.lookback_hours)), note

    def _first(self, since: datetime) -> datetime:
        """Where the first window begins: at the day before the first row, for zones; without one, the last day."""
        if not isinstance(self.source, Historian) or not is_by_day(self.table):
            return since
        source = self.source
        first = self._tried(lambda: source.first(self.table, since, self.now))
        begin = self.now - timedelta(microseconds=1) if first is None else first - timedelta(days=1)
        return max(since, datetime.combine(begin.date(), datetime.min.time(), UTC))

    def _windows(self, start: datetime, end: datetime, *, marks: bool) -> None:
        for begin, until in windows(self.table, start, end):
            told = self._tried(lambda begin=begin, until=until: self.source.fetch(self.table, begin, until))  # type: ignore[misc]
            if self.table in STANDING:
                self._take(told, partial(self.landing.replace, self.table, self.config.name))
                return
            self._take(told, partial(self.landing.merge, self.table, self.config.name))
            if marks and not self.troubles:  # what was missed is asked for again
                self._advance(until)

    def _advance(self, until: datetime) -> None:
        """Move the mark on, never back."""
        kept = self.landing.marks(self.config.name)
        before = kept.found.get(self.table)
        if before is None or datetime.fromisoformat(before) < until:
            kept.with_(self.table, until.isoformat())

    def _arrivals(self, source: Arriving, *, again: bool) -> None:
        """Read the files that are new or have changed, or all of them; a damaged one is told of and tried next time."""
        kept = self.landing.marks(self.config.name)
        seen = dict(kept.found.get(self.table, {}))
        there = self._tried(lambda: source.files(self.table))
        if isinstance(self.config, FilesConfig):
            require_files(list(there), self.table, self.config.name, is_read=was_read(kept, self.config, self.table))
            self.landing.expect(self.table)
        new = [(name, mark) for name, mark in there.items() if again or seen.get(name) != mark]
        for number, (name, mark) in enumerate(new, start=1):
            try:
                told = self._tried(lambda name=name: source.read(self.table, name))  # type: ignore[misc]
                self._take(told, partial(self._land_file, name))
            except SourceError as error:
                self.troubles.append(str(error))
                seen.pop(name, None)
                continue
            seen[name] = mark
            if number % _FILES_A_MARK == 0:
                kept = kept.with_(self.table, seen)
        if new:
            kept.with_(self.table, seen)

    def _land_file(self, name: str, told: Fetched) -> Merged:
        """A lake's file, and a standing table's, stands for itself; a drop is merged into what came before."""
        if isinstance(self.config, LakeConfig) or self.table in STANDING:
            part = f"{self.config.name}.{hashlib.sha256(name.encode()).hexdigest()[:12]}"
            if self.table in STANDING:
                self._require_rows(told, part)
            return self.landing.replace(self.table, part, told)
        return self.landing.merge(self.table, self.config.name, told)

    def _tried(self, ask: Callable[[], T]) -> T:
        """What a source answers, after a few tries with a growing wait between them."""
        for attempt in range(self.config.retries + 1):
            try:
                return ask()
            except (SourceDownError, ConnectionError, TimeoutError) as error:
                if attempt == self.config.retries:
                    raise
                wait_s = self.config.retry_wait_s * 2**attempt
                of = {"stage": "collect", "source": self.config.name}
                _LOG.info("%s: trying again in %g s: %s", self.config.name, wait_s, in_short(error), extra=of)
                time.sleep(wait_s)
        raise AssertionError("not reached")


def _newest(told: Fetched, table: str) -> datetime | None:
    """Instant of the newest row; None of a table that stands, and where nothing came."""
    newest = None if table in STANDING else told.rows[TIME_COLUMNS[table]].max()
    return newest if isinstance(newest, datetime) else None
