"""Commands about backtests: backtest, inject and label."""

import argparse
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from pipeline.backtest.injection.sizes import SIZES_TOLD
from pipeline.contract.vocabulary import CAUSES, LABEL_VERDICTS
from pipeline.errors import ArgumentError
from pipeline.plain_text import printable

if TYPE_CHECKING:
    from pipeline.backtest.study import Study


class AddCommand(Protocol):
    """Adds a command by its name, what it does and what it is about."""

    def __call__(self, name: str, does: Callable[[argparse.Namespace], None], about: str) -> argparse.ArgumentParser:
        """Parser of the command."""
        ...


def add_commands(command: AddCommand) -> None:
    """Add the commands to the command line."""
    _add_backtest(command("backtest", _backtest, "prove rules on history before they wake anyone"))
    _add_inject(
        command("inject", _inject, "write a copy of a lake with chosen faults in it, and labels that say which")
    )
    _add_label(command("label", _label, "close a case with what it came to; the next backtest counts it"))


def _add_backtest(sub: argparse.ArgumentParser) -> None:
    add = sub.add_argument
    add("lake", type=Path, metavar="LAKE", help="folder of the lake; it is never written to")
    add("--out", type=Path, required=True, help="folder for the results; that of a run over the lake serves")
    add("--rule", action="append", metavar="RULE", help="a rule's name or file; give it again for more (all that ship)")
    add("--sweep", action="append", default=[], type=_sweep, metavar="NAME=A,B", help="values to try; or RULE.NAME=A,B")
    add("--labels", action="append", default=[], type=Path, metavar="FILE", help="labels beside the lake's own")
    add("--complete", action="store_true", help="what has no label was sound: every fault in the lake is labelled")
    add("--inject", type=_causes, default=(), metavar="A,B", help="causes to put into copies of the lake")
    add("--size", type=_numbers, default=(), metavar="A,B", help="sizes to put in (see inject)")
    add("--worlds", type=_count, default=3, metavar="N", help="copies with faults, each with a fault a tank (3)")
    add("--seed", type=int, default=1, metavar="S", help="the same seed gives the same results (1)")
    add("--visit-cost", type=float, metavar="P", help="price of a visit")
    add("--litre-price", type=float, metavar="P", help="price of a litre")
    add("--budget", type=float, default=5.0, metavar="N", help="alarms outside of faults in 100 tank-months (5)")
    add("--grace-days", type=_count, default=7, metavar="D", help="days after a fault in which it may be found (7)")
    add("--mute-days", type=_count, default=14, metavar="D", help="days for which an alarm is not raised again (14)")
    add("--by-site", action="store_true", help="draw sites anew for intervals, not tanks")
    add("--workers", type=_count, default=2, metavar="N", help="steps done side by side (2); results are the same")
    add("--direct", action="store_true", help="run without Prefect; the results are the same")
    add("--verbose", action="store_true", help="show what Prefect says, too")


def _add_inject(sub: argparse.ArgumentParser) -> None:
    add = sub.add_argument
    sub.epilog = SIZES_TOLD
    add("lake", type=Path, metavar="LAKE", help="folder of the lake; it is never written to")
    add("--out", type=Path, required=True, metavar="LAKE2", help="new folder for the copy")
    add("--cause", type=_causes, required=True, metavar="A,B", help="causes to put in, dealt out over the tanks")
    add("--size", type=_numbers, required=True, metavar="A,B", help="sizes, dealt out over the tanks")
    add("--tank", metavar="A,B", help="tanks (all that can hold the fault and have no label)")
    add("--start", type=_instant, metavar="TIME", help="day or instant in UTC (drawn for each tank)")
    add("--end", type=_instant, metavar="TIME", help="until when (it lasts)")
    add("--meter", metavar="M", help="meter, for causes of a meter (the busiest)")
    add("--seed", type=int, default=1, metavar="S", help="the same seed gives the same lake (1)")


def _add_label(sub: argparse.ArgumentParser) -> None:
    add = sub.add_argument
    add("out", type=Path, metavar="OUT", help="folder of a run, which keeps the verdict")
    add("case", nargs="?", metavar="CASE", help="the case; or say which tank, cause and start")
    add("--verdict", required=True, choices=LABEL_VERDICTS, help="whether it was so")
    add("--cause", choices=CAUSES, metavar="CAUSE", help="what it was, where that is not what the case says")
    add("--tank", metavar="T", help="the tank, where there is no case")
    add("--start", type=_instant, metavar="TIME", help="when it began, in UTC")
    add("--end", type=_instant, metavar="TIME", help="when it ended, in UTC")
    add("--litres", type=float, metavar="L", help="its effect on variance; a loss is negative")
    add("--recovered", type=float, metavar="M", help="money that came back, in the site's currency")
    add("--who", metavar="NAME", help="who says so")
    add("--on", type=_day, metavar="YYYY-MM-DD", help="when it was found out (today)")
    add("--note", metavar="WORDS", help="what else there is to say")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 on")
    return int(text)


def _numbers(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is not numbers with commas between") from error


def _sweep(text: str) -> tuple[str, tuple[float, ...]]:
    name, _, values = text.partition("=")
    if not values:
        raise argparse.ArgumentTypeError(f"{text!r} is not NAME=A,B,C")
    return name, _numbers(values)


def _causes(text: str) -> tuple[str, ...]:
    causes = tuple(part for part in text.split(",") if part)
    for cause in causes:
        if cause not in CAUSES:
            raise argparse.ArgumentTypeError(f"{cause!r} is no cause; there are {', '.join(CAUSES)}")
    return causes


def _instant(text: str) -> datetime:
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f"{text!r} is no day nor instant, YYYY-MM-DD[THH:MM]") from error
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)


def _day(text: str) -> date:
    return _instant(text).date()


def _backtest(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from flows.summary_backtest import as_text

    study = _study(options)
    with shown():
        if options.direct:
            from pipeline.backtest.run import run_backtest

            run_backtest(study, workers=options.workers)
        else:
            _through_prefect(study, options)
    sys.stdout.write(printable(as_text(study)) + "\n")


def _through_prefect(study: "Study", options: argparse.Namespace) -> None:
    from flows.prefect_env import prepare
    from pipeline.stages import Run, require_places

    require_places(Run(study.lake, study.out))
    prepare(study.out, verbose=options.verbose)
    from flows.backtest import run_with

    run_with(study, options.workers)


def _study(options: argparse.Namespace) -> "Study":
    from pipeline.backtest.rules import shipped_rules
    from pipeline.backtest.study import Faults, Options, Study, trials_of

    if bool(options.inject) != bool(options.size):
        raise ArgumentError("--inject and --size go together")
    counted = Options(
        grace_days=options.grace_days,
        mute_days=options.mute_days,
        is_complete=options.complete,
        budget_per_100=options.budget,
        cluster="site_id" if options.by_site else "tank_id",
        seed=options.seed,
        visit=options.visit_cost,
        litre=options.litre_price,
    )
    faults = Faults(options.inject, options.size, options.worlds, options.seed) if options.inject else None
    trials = trials_of(options.rule or shipped_rules(), _swept(options.sweep))
    return Study(options.lake, options.out, trials, tuple(options.labels), faults, counted)


def _swept(given: Sequence[tuple[str, tuple[float, ...]]]) -> dict[str, tuple[float, ...]]:
    swept: dict[str, tuple[float, ...]] = {}
    for name, values in given:
        swept[name] = swept.get(name, ()) + values
    return swept


def _inject(options: argparse.Namespace) -> None:
    from pipeline.backtest.injection.lake import inject_lake
    from pipeline.backtest.injection.plan import Wanted

    tanks = tuple(options.tank.split(",")) if options.tank else None
    wanted = Wanted(options.cause, options.size, tanks, options.start, options.end, options.meter)
    made = inject_lake(options.lake, options.out, wanted, seed=options.seed)
    for injection, why in made.refused:
        sys.stderr.write(printable(f"tankdrift: {injection.cause} left out: {why}\n"))
    count = made.sizes.height
    sys.stdout.write(f"{options.out}: {count} fault{'' if count == 1 else 's'} put in; labels.parquet says which\n")


def _label(options: argparse.Namespace) -> None:
    from pipeline.backtest.verdicts import record
    from pipeline.said.sayings import Saying

    said = Saying(
        kind="closed",
        verdict=options.verdict,
        learned_on=options.on,
        case_id=options.case,
        tank_id=options.tank,
        cause=options.cause,
        start=options.start,
        end=options.end,
        litres=options.litres,
        recovered=options.recovered,
        who=options.who,
        note=options.note,
    )
    if not options.out.is_dir():
        raise ArgumentError(f"{options.out}: there is no such folder")
    sys.stdout.write(f"labels: {record(options.out, said)}\n")
