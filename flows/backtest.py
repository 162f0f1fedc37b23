"""A backtest as a Prefect flow: a task a world and a task a trial in a world, handed words, never frames.

Deploy it by its module path, ``flows.backtest.backtest``.
"""

from typing import Any

from prefect import flow, task
from prefect.cache_policies import NO_CACHE
from prefect.task_runners import ThreadPoolTaskRunner

from pipeline.backtest.run import begun, finished
from pipeline.backtest.study import Study, study_from, trial_id
from pipeline.backtest.worlds import ask, prepare
from pipeline.run_folder import held
from pipeline.stages import Run, require_places


async def _is_disk_trouble(_task: object, _task_run: object, state: Any) -> bool:
    """A disk may come back; a rule that cheats will not mend by waiting."""
    return isinstance(await state.aresult(raise_on_failure=False), OSError)


_RETRIES: dict[str, Any] = {"retries": 2, "retry_delay_seconds": [5, 30], "retry_condition_fn": _is_disk_trouble}


@task(name="world", task_run_name="world-{world}", cache_policy=NO_CACHE, persist_result=False, **_RETRIES)
def world_task(study: str, world: str, data: str) -> None:
    """Make a world's tables; nothing where they are made already."""
    prepare(study_from(study), world, data)


@task(name="trial", task_run_name="trial-{name}", cache_policy=NO_CACHE, persist_result=False, **_RETRIES)
def trial_task(study: str, world: str, number: int, data: str, *, name: str) -> None:
    """Ask a trial's rule in a world; nothing where it was asked already."""
    told = study_from(study)
    ask(told, world, told.trials[number], data)


@flow(name="backtest", persist_result=False, log_prints=False)
def backtest(study: str) -> None:
    """Run a backtest, its worlds side by side and then its trials.

    Parameters
    ----------
    study : str
        As `Study.as_text` gives it.

    Raises
    ------
    TankdriftError
        As `run_backtest` does.
    """
    told = study_from(study)
    require_places(Run(told.lake, told.out))
    with held(told.out):
        data = begun(told)
        for made in [world_task.submit(study, world, data) for world in told.worlds]:
            made.result()
        asked = [
            trial_task.submit(study, world, number, data, name=f"{world}-{trial_id(trial)}")
            for world in told.worlds
            for number, trial in enumerate(told.trials)
        ]
        for one in asked:
            one.result()
        finished(told, data)


def run_with(study: Study, workers: int) -> None:
    """Run the flow with so many workers."""
    runner: Any = ThreadPoolTaskRunner(max_workers=workers)
    backtest.with_options(task_runner=runner)(study.as_text())
