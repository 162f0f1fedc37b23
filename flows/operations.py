"""Operations as Prefect flows: a task a source and a task a stage, handed paths and words, never frames.

Deploy them by their module path, such as ``flows.operations.nightly``; ``prefect.yaml`` does.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from prefect import flow, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.task_runners import ThreadPoolTaskRunner

from flows.backtest import backtest as prove
from flows.night_page import as_markdown, collected_line
from flows.run import TASKS
from pipeline.backtest.rules import shipped_rules
from pipeline.backtest.study import Faults, Study, trials_of
from pipeline.errors import CheckFailedError, OperationError
from pipeline.freshness import freshness, not_fresh
from pipeline.nightly import Night, analysed, begin_night, finish_night, late_night, publish_last, tell
from pipeline.run_folder import held
from pipeline.settings import settings_from
from pipeline.sources.collect import Collected, collect
from pipeline.sources.config import read_operations
from pipeline.sources.secrets import hidden
from pipeline.spans import Around, spans
from pipeline.stages import Outcome, Run, outcome, require_places

_SIDE_BY_SIDE: Any = ThreadPoolTaskRunner(max_workers=8)


@task(name="source", task_run_name="source-{name}", cache_policy=NO_CACHE, persist_result=False)
def source_task(config: Path, name: str, start: datetime | None, end: datetime | None) -> list[Collected]:
    """Bring in what a source holds; its own troubles, after its own tries, are in what comes back."""
    return collect(read_operations(config), now=datetime.now(UTC), names=[name], start=start, end=end)


def _collected(
    config: Path, names: Sequence[str], start: datetime | None = None, end: datetime | None = None
) -> list[Collected]:
    """What came of every source, asked side by side; a task that breaks stops none of the others."""
    asked = {name: source_task.submit(config, name, start, end) for name in names}
    found: list[Collected] = []
    for name, future in asked.items():
        told = future.result(raise_on_failure=False)
        broke = [Collected(name, "", error=hidden(f"{name}: {told}"))]
        found += told if isinstance(told, list) else broke
    return found


def _run(run: Run, wait_s: float, around: Around) -> Outcome:
    require_places(run)
    with held(run.out, wait_s=wait_s):
        for name, stage in TASKS.items():
            with around(name):
                stage(run)
        return outcome(run.out)


@flow(name="fleet-nightly", persist_result=False, task_runner=_SIDE_BY_SIDE)
def nightly(config: Path) -> Night:
    """Do a night's work and leave a page about it with Prefect; fails at its end where a part of it failed.

    Raises
    ------
    ArgumentError
        If the settings cannot be used.
    OperationError
        If a source, the analysis or a notice failed; the rest is done.
    QuarantineLimitError
        If more of a table was refused than the settings' `max_quarantine_pct`.
    """
    operations = read_operations(config)
    around = spans(operations.watch.spans)
    with around("night") as failed:
        began = begin_night(operations, now=datetime.now(UTC))
        collected = _collected(config, [source.name for source in operations.sources])
        came = analysed(operations, partial(_run, wait_s=operations.lock_wait_s, around=around))
        night = finish_night(operations, collected, now=datetime.now(UTC), outcome=came)
        night = replace(night, notices=[*began, *night.notices])
        if night.failures:
            failed(night.failures[0])
    create_markdown_artifact(as_markdown(night), key="tankdrift-night", description="What came in, and what failed")
    night.require_whole(settings_from(operations.run).max_quarantine_pct)
    return night


@flow(name="fleet-backfill", persist_result=False, task_runner=_SIDE_BY_SIDE)
def backfill(config: Path, first: date, last: date | None = None, sources: Sequence[str] | None = None) -> None:
    """Ask sources again for a stretch of UTC days; the next night takes in what changed.

    Raises
    ------
    OperationError
        If a source failed; what the others gave is in the lake.
    """
    operations = read_operations(config)
    names = [source.name for source in operations.sources if sources is None or source.name in sources]
    end = datetime.now(UTC) if last is None else datetime.combine(last + timedelta(days=1), time(), UTC)
    found = _collected(config, names, datetime.combine(first, time(), UTC), end)
    page = "\n".join(f"- {collected_line(entry)}" for entry in found)
    create_markdown_artifact(page, key="tankdrift-backfill", description=f"From {first}")
    failed = [entry.error for entry in found if entry.error]
    if failed:
        raise OperationError(f"the rest is done, but: {failed[0]} (of {len(failed)} that failed)")


@flow(name="fleet-publish", persist_result=False)
def publish_again(config: Path) -> None:
    """Write what others read, where it is not there or not of the last analysis.

    Raises
    ------
    StoreError
        If nothing was analysed yet.
    """
    publish_last(read_operations(config))


@flow(name="fleet-notify", persist_result=False)
def notify_again(config: Path) -> None:
    """Send what quiet hours have held, once they are over; nothing where nobody is yet to be told.

    Raises
    ------
    StoreError
        If nothing was analysed yet.
    OperationError
        If a message could not be delivered.
    """
    tell(read_operations(config), now=datetime.now(UTC))


@flow(name="fleet-backtest", persist_result=False)
def backtest(
    config: Path, rules: Sequence[str] | None = None, causes: Sequence[str] = (), sizes: Sequence[float] = ()
) -> None:
    """Prove rules, all that ship when left out, on the lake's history, and on it with faults of some sizes put in.

    Raises
    ------
    TankdriftError
        As `run_backtest` does.
    """
    operations = read_operations(config)
    faults = Faults(tuple(causes), tuple(sizes)) if causes else None
    study = Study(operations.lake, operations.out, trials_of(rules or shipped_rules(), {}), faults=faults)
    prove(study.as_text())


@flow(name="fleet-watch", persist_result=False)
def watch(config: Path) -> None:
    """Look how old the newest data is, and the last night; fails where one is stale or the other late.

    Raises
    ------
    CheckFailedError
        If something is not fresh.
    """
    operations = read_operations(config)
    found = freshness(operations.lake, now=datetime.now(UTC), stale_after_hours=operations.stale_after_hours)
    late = late_night(operations, now=datetime.now(UTC))
    lines = [*([late] if late else []), *not_fresh(found)]
    page = "\n".join(f"- {line}" for line in lines) or "Everything is fresh."
    create_markdown_artifact(page, key="tankdrift-watch", description="How old the newest data is")
    if lines:
        raise CheckFailedError(f"{len(lines)} of {found.height} are not fresh, the first: {lines[0]}")
