"""The command line: reads arguments, calls a stage or a flow, and turns a user's mistake into one line and a code.

Heavy libraries are imported inside the commands: ``--help`` must not pay for them.
"""

import argparse
import logging
import sys
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import NoReturn

from flows.cli_backtest import add_commands
from flows.cli_backup import add_backup_commands
from flows.cli_chart import add_chart_command
from flows.cli_desk import add_desk_commands
from flows.cli_paper import add_paper_command
from flows.cli_run import add_run_command
from flows.cli_simulate import add_simulate_command
from flows.cli_sources import add_source_commands
from pipeline.errors import ArgumentError, CheckFailedError, OperationError, TankdriftError
from pipeline.plain_text import printable
from pipeline.workers import keep_to_one_thread


class _Parser(argparse.ArgumentParser):
    """Arguments that say what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        raise ArgumentError(f"{message} (see {self.prog} --help)")


class _Version(argparse.Action):
    """Shows the installed version; asked for only when it is wanted."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        sys.stdout.write(f"tankdrift {version('tankdrift')}\n")
        parser.exit()


def main(arguments: Sequence[str] | None = None, *, now: datetime | None = None) -> int:
    """Run the command that `arguments`, or else the command line, ask for; the exit code comes out.

    `now` is what the clock says, in UTC; left out, it is asked.
    """
    options = argparse.Namespace(now=now or datetime.now(UTC))
    fail = partial(_fail, options)
    keep_to_one_thread()
    try:
        _parser().parse_args(arguments, options)
        options.command(options)
    except TankdriftError as error:
        return fail(str(error), error.exit_code)
    except OSError as error:
        return fail(f"{error.filename}: {error.strerror}" if error.filename else str(error), 2)
    except KeyboardInterrupt:
        return fail("stopped", 130)
    except Exception as error:  # a mistake of ours: one line for who reads it, all of it where a log is kept
        logging.getLogger("tankdrift").debug("broke", exc_info=True)
        return fail(_own_mistake(error, vars(options)), 2)
    return 0


def _own_mistake(error: Exception, options: Mapping[str, object]) -> str:
    """What broke and where, without what the data said, and where more of it lies."""
    from flows.mistake import keep

    last = traceback.extract_tb(error.__traceback__)[-1]
    kept = keep(error, options)
    more = f"; {kept} says more, and nothing of your data" if kept else ""
    said = f"this is a mistake of tankdrift's own, please report it: {type(error).__name__}"
    return f"{said} in {Path(last.filename).name}, line {last.lineno}{more}"


def _fail(options: argparse.Namespace, message: str, code: int) -> int:
    """Say in one line what is wrong, as JSON where the rest of standard error is; the code comes out."""
    if getattr(options, "log", None) == "json":
        from flows.progress import as_json

        sys.stderr.write(as_json("error", message, time.time(), {}) + "\n")
    else:
        sys.stderr.write(printable(f"tankdrift: {message}\n"))
    return code


def _parser() -> _Parser:
    parser = _Parser(prog="tankdrift", description="Which litres went missing, why, how sure, and who must act.")
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and leave")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND", parser_class=_Parser)

    def command(name: str, does: Callable[[argparse.Namespace], None], about: str) -> _Parser:
        sub: _Parser = commands.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".")
        sub.set_defaults(command=does)
        return sub

    add_run_command(command, _day)
    add_simulate_command(command)
    check = command("check", _check, "say where what a run left breaks the contract")
    check.add_argument("out", type=Path, metavar="OUT", help="folder of a run")

    add_commands(command)
    add_chart_command(command, _day)

    report = command("report", _report, "make the report again from the store")
    report.add_argument("out", type=Path, metavar="OUT", help="folder of a run")
    add_backup_commands(command)
    add_desk_commands(command)
    add_paper_command(command)
    add_source_commands(command, _day)
    return parser


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not a day, YYYY-MM-DD") from error


def _check(options: argparse.Namespace) -> None:
    from pipeline.check import violations

    found = violations(options.out)
    for line in found:
        sys.stdout.write(printable(line) + "\n")
    if found:
        raise CheckFailedError(f"{options.out} breaks {len(found)} rule{'s' if len(found) > 1 else ''} of the contract")
    sys.stdout.write(f"{options.out} keeps the contract\n")


def _report(options: argparse.Namespace) -> None:
    from pipeline.report_inputs import make_report
    from pipeline.run_folder import held
    from pipeline.store import open_store

    with held(options.out), open_store(options.out, read_only=True) as store:
        left_out = make_report(store, options.out)
    sys.stdout.write(f"report: {options.out / 'report' / 'index.html'}\n")
    if left_out:
        raise OperationError(f"the rest is done, but: site {left_out[0]} is left out of the report: it broke it")


if __name__ == "__main__":
    sys.exit(main())
