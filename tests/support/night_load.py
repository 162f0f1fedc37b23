"""A night's load, from source to store, for a process of its own that can be killed.

``python -m tests.support.night_load`` says ``ready``, waits for a line with a settings file and an instant, and
then begins.
"""

import sys
from datetime import datetime
from pathlib import Path

from pipeline.load import take_in
from pipeline.sources.collect import collect
from pipeline.sources.config import read_operations
from pipeline.store import open_store


def night_load(settings: str, now: str) -> None:
    """Collect from the sources of a settings file, and take in what came."""
    operations = read_operations(Path(settings))
    done = collect(operations, now=datetime.fromisoformat(now))
    errors = [entry.error for entry in done if entry.error]
    if errors:
        raise SystemExit(errors[0])
    operations.out.mkdir(exist_ok=True)
    with open_store(operations.out) as store:
        take_in(store, operations.lake)


if __name__ == "__main__":
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    night_load(*sys.stdin.readline().split())
