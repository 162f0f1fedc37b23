"""The nightly run as a Prefect flow: a task a stage, handed paths and words, never frames.

Deploy it by its module path, ``flows.run.nightly``.
"""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from prefect import flow, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE

from flows.summary import as_markdown
from pipeline.run_folder import held
from pipeline.settings import settings_from
from pipeline.stages import STAGES, Outcome, Run, outcome, require_places


async def _is_disk_trouble(_task: object, _task_run: object, state: Any) -> bool:
    """A disk may come back; a lake that breaks the contract, or a mistake of ours, will not mend by waiting."""
    return isinstance(await state.aresult(raise_on_failure=False), OSError)


TASKS = {
    name: task(
        name=name,
        retries=2,
        retry_delay_seconds=[5, 30],
        retry_condition_fn=_is_disk_trouble,
        cache_policy=NO_CACHE,
        persist_result=False,
    )(stage)
    for name, stage in STAGES.items()
}


@flow(name="nightly", persist_result=False, log_prints=False)
def nightly(
    lake: Path,
    out: Path,
    until: date | None = None,
    settings: Mapping[str, float] | None = None,
    charts: Path | None = None,
) -> Outcome:
    """Run every stage over a lake, and leave a page about it with Prefect.

    Raises
    ------
    TankdriftError
        As the stages and `held` do.
    """
    run = Run(lake, out, until, settings_from(settings or {}), charts)
    require_places(run)
    with held(run.out):
        for stage in TASKS.values():
            stage(run)
        result = outcome(run.out)
    create_markdown_artifact(as_markdown(result), key="tankdrift-run", description=f"{lake} to {result.last_day}")
    return result
