"""What comes of each kind of bad lake: ``python -m tests.support.catalogue_page > docs/bad-lakes.md``.

`tests/edges/test_catalogue.py` and `tests/edges/test_catalogue_of_files.py` hold each line of it.
"""

import sys
import tempfile
from functools import partial
from pathlib import Path

from pipeline.workers import in_order, worker_count
from tests.support.lake_catalogue import BadLake, catalogue
from tests.support.lake_verdicts import Outcome, groups, outcome, run, second_site

HEAD = """# What comes of a bad lake

Made by `python -m tests.support.catalogue_page`; do not edit. A sound lake of two sites and three tanks is spoilt in
one thing at a time: {lakes:,} ways, {groups} kinds of them. Every run over one leaves the lake as it was, ends without
a traceback, and passes `tankdrift check`; where all that is spoilt is the first site's, the second site's tables are
the same to the last digit. 'throughout' is all of one tank's rows or all of one site's, 'everywhere' the whole lake.
The last lake of each kind comes to the same end through Prefect.

Left with: 0 the run is done, rows that cannot be used are in `quarantine` with the reason given here; 1 the run is
done, and a file or column could not be used; 2 nothing can be analysed, and one line says why.

| What is wrong | Lakes | Left with | Rows refused, and why |
| --- | --- | --- | --- |
"""


PAGE = Path(__file__).parents[2] / "docs" / "bad-lakes.md"


def head() -> str:
    """What stands above the page's rows."""
    kinds = catalogue()
    return HEAD.format(lakes=len(kinds), groups=len(groups(kinds)))


def right_site() -> dict[str, list[dict]]:
    """What a run over the sound lake says of its second site."""
    with tempfile.TemporaryDirectory() as folder:
        code, lines = run(BadLake("right").write(Path(folder) / "lake"), Path(folder) / "out")
        assert (code, lines) == (0, [])
        return second_site(Path(folder) / "out")


def outcome_of(group: str, sound: dict[str, list[dict]]) -> Outcome:
    """Runs over every bad lake of one group, in a folder that is gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        return outcome(group, groups(catalogue())[group], Path(folder), sound)


def main() -> None:
    """Run over all of them and write the page; a fault goes to standard error and ends with 1."""
    names = list(groups(catalogue()))
    told = list(in_order(worker_count(len(names)))(partial(outcome_of, sound=right_site()), names))
    sys.stdout.write(head())
    sys.stdout.writelines(one.line() + "\n" for one in told)
    faults = [fault for one in told for fault in one.faults]
    sys.stderr.writelines(f"{fault}\n" for fault in faults)
    sys.exit(bool(faults))


if __name__ == "__main__":
    main()
