"""Bad lakes run by the command through Prefect, one of each kind, in a process of its own with its own server.

``python -m tests.support.by_prefect FIRST STEP`` takes each STEPth kind from the FIRST on, and prints a line of JSON
about each: its name and what is not as it must be. Where Prefect's server does not keep up, on a laden machine, the
kind is run again, as the line of that mistake says.
"""

import json
import sys
import tempfile
from pathlib import Path

from tests.support.catalogue_page import right_site
from tests.support.lake_catalogue import catalogue
from tests.support.lake_verdicts import groups, judged

THROUGH_PREFECT = ()
TRIES = 3


def main() -> None:
    first, step = (int(word) for word in sys.argv[1:])
    sound = right_site()
    # The last of its kind: the first of most kinds are of one table.
    for kinds in list(groups(catalogue()).values())[first::step]:
        for _ in range(TRIES):
            with tempfile.TemporaryDirectory() as folder:
                verdict = judged(kinds[-1], Path(folder), sound, how=THROUGH_PREFECT)
            if not any("Prefect could not keep track" in fault for fault in verdict.faults):
                break
        sys.stdout.write(json.dumps([verdict.name, verdict.faults]) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
