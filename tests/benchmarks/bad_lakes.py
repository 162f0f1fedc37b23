"""A catalogue of bad lakes, each run over in this process: ``python -m tests.benchmarks.bad_lakes [--every 1]``.

Prints a line a kind: what the run left with, what was refused, and what was not as it must be.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.support.lake_catalogue import BadLake, catalogue
from tests.support.lake_verdicts import Verdict, judged, run, second_site, table_of


def main() -> None:
    """Run over every kind, or every so-manieth, or those whose name holds a word."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, metavar="N", help="take every so-manieth kind alone (1)")
    parser.add_argument("--from", dest="first", type=int, default=0, metavar="N", help="the first kind to take (0)")
    parser.add_argument("--only", default="", metavar="WORD", help="take kinds whose name holds it alone")
    options = parser.parse_args()
    kinds = [kind for kind in catalogue()[options.first :: options.every] if options.only in kind.name]
    verdicts: list[Verdict] = []
    with tempfile.TemporaryDirectory() as folder:
        right = BadLake("right").write(Path(folder) / "right" / "lake")
        run(right, Path(folder) / "right" / "out")
        sound = second_site(Path(folder) / "right" / "out")
    for kind in kinds:
        with tempfile.TemporaryDirectory() as folder:
            verdicts.append(judged(kind, Path(folder), sound))
        if verdicts[-1].faults:
            sys.stderr.write(f"{kind.name}: {'; '.join(verdicts[-1].faults)[:400]}\n")
    sys.stdout.write(table_of(verdicts) + "\n")


if __name__ == "__main__":
    main()
