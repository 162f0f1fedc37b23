"""A night's run over a lake, from load to report, for a process of its own that can be killed.

``python -m tests.support.night_run`` reads in its libraries, says ``ready``, waits for a line with a lake and a folder,
and then begins. It begins no other process, so that none outlives it.
"""

import sys

import pipeline.stages  # noqa: F401
from flows.cli import main

if __name__ == "__main__":
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    lake, out = sys.stdin.readline().split()
    sys.exit(main(["run", lake, "--out", out, "--direct"]))
