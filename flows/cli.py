"""The command line: reads arguments, calls a stage or a flow, and turns a user's mistake into one line and a code.

Heavy libraries are imported inside the commands: ``--help`` must not pay for them.
"""

import argparse
import logging
import sys
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from flows.cli_backtest import add_commands
from flows.cli_backup import add_backup_commands
from flows.cli_chart import add_chart_command
from flows.cli_desk import add_desk_commands
from flows.cli_sources import add_source_commands
from pipeline.errors import ArgumentError, CheckFailedError, OperationError, TankdriftError
from pipeline.workers import keep_to_one_thread

if TYPE_CHECKING:
    from pipeline.settings import Settings
    from pipeline.stages import Outcome, Run


_CODES = (
    "Leaves with 0 when it is done, 1 when a file or a site had to be left out or more was refused than the limit "
    "allows, 2 when the lake or an argument is unusable; one line then says why."
)


class _Parser(argparse.ArgumentParser):
    """Arguments that say what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        raise ArgumentError(f"{message} (see {self.prog} --help)")


class _Families:
    """Names of the simulator's families of physics, looked up only when they are asked for."""

    def __iter__(self) -> Iterator[str]:
        from pipeline.simulate.families import FAMILIES

        return iter(FAMILIES)

    def __contains__(self, name: object) -> bool:
        return name in tuple(self)


class _Version(argparse.Action):
    """Shows the installed version; asked for only when it is wanted."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        sys.stdout.write(f"tankdrift {version('tankdrift')}\n")
        parser.exit()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command that `arguments`, or else the command line, ask for; the exit code comes out."""
    options = argparse.Namespace()
    keep_to_one_thread()
    try:
        options = _parser().parse_args(arguments)
        options.command(options)
    except TankdriftError as error:
        return _fail(str(error), error.exit_code)
    except OSError as error:
        return _fail(f"{error.filename}: {error.strerror}" if error.filename else str(error), 2)
    except KeyboardInterrupt:
        return _fail("stopped", 130)
    except Exception as error:  # a mistake of ours: one line for who reads it, all of it where a log is kept
        logging.getLogger("tankdrift").debug("broke", exc_info=True)
        return _fail(_own_mistake(error, vars(options)), 2)
    return 0


def _own_mistake(error: Exception, options: Mapping[str, object]) -> str:
    """What broke and where, without what the data said, and where more of it lies."""
    from flows.mistake import keep

    last = traceback.extract_tb(error.__traceback__)[-1]
    kept = keep(error, options)
    more = f"; {kept} says more, and nothing of your data" if kept else ""
    said = f"this is a mistake of tankdrift's own, please report it: {type(error).__name__}"
    return f"{said} in {Path(last.filename).name}, line {last.lineno}{more}"


def _fail(message: str, code: int) -> int:
    sys.stderr.write(f"tankdrift: {message}\n")
    return code


def _parser() -> _Parser:
    parser = _Parser(prog="tankdrift", description="Which litres went missing, why, how sure, and who must act.")
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and leave")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND", parser_class=_Parser)

    def command(name: str, does: Callable[[argparse.Namespace], None], about: str) -> _Parser:
        sub: _Parser = commands.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".")
        sub.set_defaults(command=does)
        return sub

    run = command("run", _run, "look at a lake and leave cases, statements and a report")
    run.epilog = _CODES
    run.add_argument("lake", type=Path, metavar="LAKE", help="folder of the lake; it is never written to")
    run.add_argument("--out", type=Path, required=True, help="folder for the results")
    run.add_argument("--until", type=_day, metavar="YYYY-MM-DD", help="use nothing after that UTC day")
    run.add_argument("--direct", action="store_true", help="run the stages without Prefect; the results are the same")
    run.add_argument(
        "--max-quarantine-pct", type=_percent, metavar="P", help="leave with 1 if more of any table is refused"
    )
    run.add_argument(
        "--with-charts", type=Path, metavar="FILE", help="go by the charts in FILE for the tanks that are in it"
    )
    run.add_argument("--settings", type=Path, metavar="FILE", help="TOML file with settings other than the defaults")
    run.add_argument("--verbose", action="store_true", help="show what Prefect says, too")

    simulate = command("simulate", _simulate, "write a lake of an invented fleet, with labels that say what is true")
    simulate.add_argument("--out", type=Path, required=True, metavar="LAKE", help="new folder for the lake")
    simulate.add_argument("--tanks", type=_count, default=20, metavar="N", help="tanks in the fleet (20)")
    simulate.add_argument("--days", type=_count, default=60, metavar="D", help="UTC days of data (60)")
    simulate.add_argument("--seed", type=int, default=1, metavar="S", help="the same seed gives the same lake (1)")
    simulate.add_argument(
        "--family",
        choices=_Families(),
        default="plain",
        metavar="NAME",
        help="the physics that it is drawn from: %(choices)s (plain)",
    )
    simulate.add_argument("--causes", metavar="A,B", help="causes to put in; all when left out, none when empty")
    simulate.add_argument(
        "--sample", action="store_true", help="write the project's sample lake; no other option counts"
    )

    check = command("check", _check, "say where what a run left breaks the contract")
    check.add_argument("out", type=Path, metavar="OUT", help="folder of a run")

    add_commands(command)
    add_chart_command(command, _day)

    report = command("report", _report, "make the report again from the store")
    report.add_argument("out", type=Path, metavar="OUT", help="folder of a run")
    add_backup_commands(command)
    add_desk_commands(command)
    add_source_commands(command, _day)
    return parser


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not a day, YYYY-MM-DD") from error


def _percent(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number from 0 to 100")
    return value


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 on")
    return int(text)


def _run(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from flows.summary import as_text
    from pipeline.stages import Run, require_places, run_all

    run = Run(options.lake, options.out, options.until, _settings(options), options.with_charts)
    require_places(run)
    with shown():
        result = run_all(run) if options.direct else _through_prefect(run, verbose=options.verbose)
    sys.stdout.write(as_text(result, run.out) + "\n")
    result.require_whole()
    result.require_quarantine_below(run.settings.max_quarantine_pct)


def _through_prefect(run: "Run", *, verbose: bool) -> "Outcome":
    from dataclasses import asdict

    from flows.prefect_env import prepare

    logging.getLogger("tankdrift.flows").info("starting Prefect (leave it out with --direct)")
    prepare(run.out, verbose=verbose)
    from flows.run import nightly

    result: Outcome = nightly(run.lake, run.out, run.until, asdict(run.settings), run.charts)
    return result


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


def _simulate(options: argparse.Namespace) -> None:
    from pipeline.lake_write import write_lake
    from pipeline.simulate.run import simulate_fleet
    from pipeline.simulate.sample import sample_frames
    from pipeline.simulate.settings import FleetSettings

    causes = None if options.causes is None else [cause for cause in options.causes.split(",") if cause]
    try:
        frames = (
            sample_frames()
            if options.sample
            else simulate_fleet(
                options.tanks,
                options.days,
                seed=options.seed,
                causes=causes,
                settings=FleetSettings(family=options.family),
            )
        )
    except ValueError as error:
        raise ArgumentError(str(error)) from error
    write_lake(frames, options.out)
    days = frames["readings"]["ts"].dt.date().n_unique()
    sys.stdout.write(f"{options.out}: {frames['tanks'].height} tanks, {days} days\n")


def _check(options: argparse.Namespace) -> None:
    from pipeline.check import violations

    found = violations(options.out)
    for line in found:
        sys.stdout.write(line + "\n")
    if found:
        raise CheckFailedError(f"{options.out} breaks {len(found)} rule{'s' if len(found) > 1 else ''} of the contract")
    sys.stdout.write(f"{options.out} keeps the contract\n")


def _report(options: argparse.Namespace) -> None:
    from pipeline.report_inputs import make_report
    from pipeline.stages import held
    from pipeline.store import open_store

    with held(options.out), open_store(options.out, read_only=True) as store:
        left_out = make_report(store, options.out)
    sys.stdout.write(f"report: {options.out / 'report' / 'index.html'}\n")
    if left_out:
        raise OperationError(f"the rest is done, but: site {left_out[0]} is left out of the report: it broke it")


if __name__ == "__main__":
    sys.exit(main())
