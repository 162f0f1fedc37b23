"""A night's work: ask every source, look at what came, publish, and tell who wants to be told.

The plain twin of the Prefect flow. A source that fails stops neither the others nor the analysis of what is there.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial

import polars as pl

from pipeline.errors import OperationError, QuarantineLimitError, StoreError, TankdriftError
from pipeline.freshness import FRESHNESS, all_silent, freshness, not_fresh
from pipeline.heartbeat import beat
from pipeline.messages.night import late_since
from pipeline.messages.sending import Notice
from pipeline.night_record import NightRecord, as_metrics, read_record, refused_more, with_night, write_record
from pipeline.notices import notify, notify_night, notify_start
from pipeline.report_inputs import told_cases
from pipeline.run_folder import held
from pipeline.settings import settings_from
from pipeline.sources.collect import Collected, collect
from pipeline.sources.config import Operations
from pipeline.sources.secrets import hidden, in_short
from pipeline.spans import spans
from pipeline.stages import Outcome, Run, publish, run_all
from pipeline.store import open_store
from pipeline.text_file import put_text

_LOG = logging.getLogger("tankdrift.nightly")


@dataclass(frozen=True, slots=True)
class Night:
    """What a night came to; `odd` are lines about what is not as usual and fails nothing."""

    collected: list[Collected]
    outcome: Outcome | None = None
    freshness: pl.DataFrame = field(default_factory=lambda: FRESHNESS.to_frame())
    stages: list[tuple[str, float]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)

    @property
    def failures(self) -> list[str]:
        """A line about everything that failed."""
        sources = [entry.error for entry in self.collected if entry.error]
        sites = [] if self.outcome is None else self.outcome.failed
        return [*sources, *sites, *self.errors, *(notice.error for notice in self.notices if notice.error)]

    def require_whole(self, limit_pct: float) -> None:
        """Raise where a part of the night's work failed.

        Raises
        ------
        OperationError
            If a source, the analysis or a notice failed; the rest is done.
        QuarantineLimitError
            If more than `limit_pct` of a table was refused.
        """
        if self.failures:
            more = f" (and {len(self.failures) - 1} more)" if len(self.failures) > 1 else ""
            raise OperationError(f"the rest is done, but: {self.failures[0]}{more}")
        if self.outcome is not None:
            self.outcome.require_quarantine_below(limit_pct)


def run_of(operations: Operations) -> Run:
    """The run that the settings ask for."""
    return Run(operations.lake, operations.out, settings=settings_from(operations.run))


def publish_last(operations: Operations) -> None:
    """Write what others read, where it is not there or not of the last analysis.

    Raises
    ------
    StoreError
        If nothing was analysed yet, or another run is at work for longer than the settings' `lock_wait_s`.
    """
    with open_store(operations.out, read_only=True) as store:
        is_analysed = "analysed" in store.remembered()
    if not is_analysed:
        raise StoreError(f"{operations.out}: nothing was analysed here yet; run tankdrift nightly")
    run = run_of(operations)
    with held(run.out, wait_s=operations.lock_wait_s):
        publish(run)


def run_night(operations: Operations, *, now: datetime, names: Sequence[str] | None = None) -> Night:
    """Do a night's work, as of `now` in UTC."""
    around = spans(operations.watch.spans)
    with around("night") as failed:
        began = begin_night(operations, now=now)
        collected = collect(operations, now=now, names=names)
        whole = partial(run_all, wait_s=operations.lock_wait_s, around=around)
        night = finish_night(operations, collected, now=now, outcome=analysed(operations, whole))
        night = replace(night, notices=[*began, *night.notices])
        if night.failures:
            failed(night.failures[0])
        return night


def begin_night(operations: Operations, *, now: datetime) -> list[Notice]:
    """Tell whoever wants to know that a night has started."""
    return notify_start(operations.notices, now=now)


def analysed(operations: Operations, run: Callable[[Run], Outcome]) -> Outcome | str:
    """What the analysis came to, or a line about why it failed: the rest of the night goes on."""
    try:
        return run(run_of(operations))
    except (TankdriftError, OSError) as error:
        return hidden(str(error))
    except Exception as error:  # a mistake of ours: it is told in full where a log is kept
        _LOG.exception("the analysis broke", extra={"stage": "analyse"})
        return f"the analysis broke: {type(error).__name__}: {in_short(error)}"


def finish_night(operations: Operations, collected: list[Collected], *, now: datetime, outcome: Outcome | str) -> Night:
    """What is left to do once the analysis is over: how fresh the data is, and who is told.

    Parameters
    ----------
    operations, collected
    now : datetime
    outcome : Outcome or str
        What the analysis came to, or a line about why it failed.
    """
    errors: list[str] = [outcome] if isinstance(outcome, str) else []
    try:
        fresh = freshness(operations.lake, now=now, stale_after_hours=operations.stale_after_hours)
    except TankdriftError as error:
        fresh = FRESHNESS.to_frame()
        errors += [] if str(error) in errors else [str(error)]
    errors += all_silent(fresh, operations.stale_after_hours)
    if isinstance(outcome, str):
        night = Night(collected, freshness=fresh, errors=errors)
    else:
        stages, notices = _told(operations, now)
        night = Night(collected, outcome, fresh, stages, notices, errors)
    return _watched(operations, night, now)


def record_of(night: Night, limit_pct: float, now: datetime, before: NightRecord | None = None) -> NightRecord:
    """What is kept of a night, with a line where more was refused than the limit allows, or than in nights before."""
    failures = list(night.failures)
    try:
        if night.outcome is not None:
            night.outcome.require_quarantine_below(limit_pct)
    except QuarantineLimitError as error:
        failures.append(str(error))
    intake = [] if night.outcome is None else night.outcome.intake.to_dicts()
    cases = [] if night.outcome is None else night.outcome.cases.to_dicts()
    tables = [entry for entry in night.collected if entry.table]
    counts = {f"{entry.source} {entry.table}": (entry.merged.refused, entry.merged.read) for entry in tables}
    past = {} if before is None else before.past_refused
    return NightRecord(
        at=now.isoformat(),
        failures=failures,
        not_fresh=list(not_fresh(night.freshness)),
        new={f"{entry.source} {entry.table}": float(entry.merged.new) for entry in tables},
        corrected={f"{entry.source} {entry.table}": float(entry.merged.corrected) for entry in tables},
        refused={f"{entry.source} {entry.table}": float(entry.merged.refused) for entry in tables},
        refused_pct={row["table"]: float(row["refused_pct"]) for row in intake},
        cases={row["urgency"]: float(row["cases"]) for row in cases},
        seconds=dict(night.stages),
        odd=[*night.odd, *(line for entry in night.collected for line in entry.odd), *refused_more(counts, past)],
        past_refused=with_night(past, counts),
    )


def _watched(operations: Operations, night: Night, now: datetime) -> Night:
    """Keep a night's record, write its figures, tell of it, and give the sign that it is over."""
    limit_pct = settings_from(operations.run).max_quarantine_pct
    record = record_of(night, limit_pct, now, read_record(operations.out))
    write_record(record, operations.out)
    metrics = operations.watch.metrics_file
    if metrics is not None:
        metrics.parent.mkdir(parents=True, exist_ok=True)
        put_text(as_metrics(record, now.timestamp()), metrics)
    told = _told_of_night(operations, now)
    no_sign = beat(operations.watch, is_good=not record.failures and not any(notice.error for notice in told))
    odd = [*record.odd, *([no_sign] if no_sign else [])]
    return replace(night, notices=[*night.notices, *told], odd=odd)


def _told_of_night(operations: Operations, now: datetime) -> list[Notice]:
    record = read_record(operations.out)
    late = operations.watch.late_after_hours
    return notify_night(operations.notices, record, operations.out, now=now, late_after_hours=late)


def late_night(operations: Operations, *, now: datetime) -> str | None:
    """A line where the last night is longer ago than the settings allow; None where it is not, or there was none."""
    record = read_record(operations.out)
    late_after_hours = operations.watch.late_after_hours
    at = None if record is None else late_since(record, now=now, late_after_hours=late_after_hours)
    return None if at is None else f"no night since {at:%Y-%m-%d %H:%M} UTC"


def tell(operations: Operations, *, now: datetime) -> list[Notice]:
    """Tell who is yet to be told of the last run's cases or of the night: what quiet hours held goes out after them.

    Raises
    ------
    StoreError
        If nothing was analysed yet.
    OperationError
        If a message could not be delivered; the others went out.
    """
    _, notices = _told(operations, now)
    notices = [*notices, *_told_of_night(operations, now)]
    failed = [notice.error for notice in notices if notice.error]
    if failed:
        raise OperationError(f"the rest is done, but: {failed[0]}")
    return notices


def _told(operations: Operations, now: datetime) -> tuple[list[tuple[str, float]], list[Notice]]:
    with open_store(operations.out, read_only=True) as store:
        log = store.table("run_log")
        cases, tickets = told_cases(store, operations.out)
    stages = list(zip(log["stage"], log["seconds"], strict=True))
    return stages, notify(operations.notices, cases, tickets, operations.out, now=now)
