"""The command of papers: a page of the desk that is made to be printed, as PDF."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

Command = Callable[[str, Callable[[argparse.Namespace], None], str], argparse.ArgumentParser]


def add_paper_command(command: Command) -> None:
    """Add the command to the command line."""
    paper = command("paper", _paper, "write a case file, a delivery claim or a month's statement as PDF")
    paper.add_argument("out", type=Path, metavar="OUT", help="folder of a run")
    paper.add_argument("page", metavar="PAGE", help="its place as the desk's address has it: papers/month-….html")
    paper.add_argument("file", type=Path, metavar="FILE", help="the PDF; none is written over")


def _paper(options: argparse.Namespace) -> None:
    from pipeline.paper import write_paper

    write_paper(options.out, options.page, options.file)
    sys.stdout.write(f"{options.file}: {options.page} as PDF\n")
