"""The commands that keep a run's folder in one file, and make a folder of such a file."""

import argparse
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.backup import Backup

Command = Callable[[str, Callable[[argparse.Namespace], None], str], argparse.ArgumentParser]


def add_backup_commands(command: Command) -> None:
    """Add the commands to the command line."""
    backup = command("backup", _backup, "keep in one file what of a run's folder cannot be made again")
    add = backup.add_argument
    add("out", type=Path, metavar="OUT", help="folder of a run")
    add("file", type=Path, metavar="FILE", help="new file; none is written over")
    add("--users", type=Path, metavar="USERS", help="who may sign in at the desk, to be kept with it")
    add("--wait", type=float, default=0.0, metavar="S", help="for a run that is at work in OUT (0)")
    restore = command("restore", _restore, "make a new folder of a run of what a backup holds")
    restore.add_argument("file", type=Path, metavar="FILE", help="a backup")
    restore.add_argument("out", type=Path, metavar="OUT", help="new folder; none is written over")


def _backup(options: argparse.Namespace) -> None:
    from flows.progress import shown
    from pipeline.backup import back_up

    with shown():
        made = back_up(options.out, options.file, now=datetime.now(UTC), users=options.users, wait_s=options.wait)
    sys.stdout.write(f"{options.file}: {_said(made)}\n")


def _restore(options: argparse.Namespace) -> None:
    from pipeline.backup import restore

    made = restore(options.file, options.out)
    sys.stdout.write(f"{options.out}: {_said(made)}; the rest comes with: tankdrift run LAKE --out {options.out}\n")


def _said(made: "Backup") -> str:
    counted = f"{made.files} file{'' if made.files == 1 else 's'}, {made.size / 1e6:.1f} MB"
    return f"{counted}, {made.sayings} saying{'' if made.sayings == 1 else 's'} of people among them"
