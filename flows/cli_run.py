"""The command that looks at a lake and leaves its results."""

import argparse
import logging
import sys
import traceback
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from flows.cli_sources import add_log
from pipeline.errors import ArgumentError, OrchestratorError
from pipeline.plain_text import printable

if TYPE_CHECKING:
    from pipeline.settings import Settings
    from pipeline.stages import Outcome, Run

Command = Callable[[str, Callable[[argparse.Namespace], None], str], argparse.ArgumentParser]

_PREFECT = {"prefect", "httpx", "httpcore"}
"""Packages in which an error is raised that is of keeping track of a run, and not of the run."""

_CODES = (
    "Leaves with 0 when it is done, 1 when a file or a site had to be left out or more was refused than the limit "
    "allows, 2 when the lake or an argument is unusable; one line then says why."
)


def add_run_command(command: Command, day: Callable[[str], date]) -> None:
    """Add the command to the command line."""
    run = command("run", _run, "look at a lake and leave cases, statements and a report")
    run.epilog = _CODES
    run.add_argument("lake", type=Path, metavar="LAKE", help="folder of the lake; it is never written to")
    run.add_argument("--out", type=Path, required=True, help="folder for the results")
    run.add_argument("--until", type=day, metavar="YYYY-MM-DD", help="use nothing after that UTC day")
    run.add_argument("--direct", action="store_true", help="run the stages without Prefect; the results are the same")
    run.add_argument(
        "--max-quarantine-pct", type=_percent, metavar="P", help="leave with 1 if more of any table is refused"
    )
    run.add_argument(
        "--with-charts", type=Path, metavar="FILE", help="go by the charts in FILE for the tanks that are in it"
    )
    run.add_argument("--settings", type=Path, metavar="FILE", help="TOML file with settings other than the defaults")
    add_log(run)
    run.add_argument("--verbose", action="store_true", help="show what Prefect says, too")


def _percent(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from 0 to 100")
    return value


def _run(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from flows.summary import as_text
    from pipeline.stages import Run, require_places, run_all

    run = Run(options.lake, options.out, options.until, _settings(options), options.with_charts)
    require_places(run)
    with shown(options.log):
        result = run_all(run) if options.direct else _through_prefect(run, verbose=options.verbose)
    sys.stdout.write(printable(as_text(result, run.out)) + "\n")
    result.require_whole()
    result.require_quarantine_below(run.settings.max_quarantine_pct)


def _through_prefect(run: "Run", *, verbose: bool) -> "Outcome":
    from dataclasses import asdict

    from flows.prefect_env import prepare

    logging.getLogger("tankdrift.flows").info("starting Prefect (leave it out with --direct)")
    prepare(run.out, verbose=verbose)
    from flows.run import nightly

    try:
        result: Outcome = nightly(run.lake, run.out, run.until, asdict(run.settings), run.charts)
    except Exception as error:  # whatever Prefect raises where its server does not keep up
        if not is_of_prefect(error):
            raise
        said = f"Prefect could not keep track of the run ({type(error).__name__}); what is done stands"
        raise OrchestratorError(f"{said}: run it again, or with --direct, without Prefect") from error
    return result


def is_of_prefect(error: Exception) -> bool:
    """Whether an error was raised in Prefect's own code, or where it talks to its server, and not in what it ran."""
    steps = traceback.extract_tb(error.__traceback__)
    return bool(steps) and bool(_PREFECT & set(Path(steps[-1].filename).parts))


def _settings(options: argparse.Namespace) -> "Settings":
    import tomllib

    from pipeline.settings import settings_from

    values: dict[str, object] = {}
    if options.settings is not None:
        try:
            values = tomllib.loads(options.settings.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ArgumentError(f"--settings {options.settings}: {error}") from error
    if options.max_quarantine_pct is not None:
        values["max_quarantine_pct"] = options.max_quarantine_pct
    return settings_from(values)
