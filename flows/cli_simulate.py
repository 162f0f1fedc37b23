"""The command that writes a lake of an invented fleet."""

import argparse
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline.errors import ArgumentError

Command = Callable[[str, Callable[[argparse.Namespace], None], str], argparse.ArgumentParser]


class _Families:
    """Names of the simulator's families of physics, looked up only when they are asked for."""

    def __iter__(self) -> Iterator[str]:
        from pipeline.simulate.families import FAMILIES

        return iter(FAMILIES)

    def __contains__(self, name: object) -> bool:
        return name in tuple(self)


def add_simulate_command(command: Command) -> None:
    """Add the command to the command line."""
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


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 on")
    return int(text)


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
