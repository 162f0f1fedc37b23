"""Whole nights killed at random moments and run again: ``python -m tests.benchmarks.kills [--kills 1000]``. Prints.

Half of them are a fleet's first night, from nothing, half its second one: load, analysis, report. `nights` kills the
load of a night that fetches, in which late rows and corrections come.
"""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from pipeline.workers import in_order, worker_count
from tests.support.kills import NIGHTS, KilledNights


def ends_of(shard: tuple[int, int]) -> list[tuple[bool, list[str]]]:
    """How so many killed nights ended, given their number and a seed."""
    count, seed = shard
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as place:
        nights = KilledNights(Path(place))
        ends = [nights.once(number % NIGHTS, rng) for number in range(count)]
        nights.close()
    return ends


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    count, began = parser.parse_args().kills, time.monotonic()
    workers = worker_count(count)
    shards = [(len(range(first, count, workers)), 1000 + first) for first in range(workers)]
    ends = [end for shard in in_order(workers)(ends_of, shards) for end in shard]
    for is_at_work, unlike in ends:
        if unlike:
            sys.stderr.write(f"{'at work' if is_at_work else 'done'}: {', '.join(unlike)}\n")
    at_work, right = sum(is_at_work for is_at_work, _ in ends), sum(not unlike for _, unlike in ends)
    spent = time.monotonic() - began
    sys.stdout.write(
        f"{right:,} of {count:,} nights ended as if never killed, {at_work:,} killed at work; {spent:.0f} s\n"
    )


if __name__ == "__main__":
    main()
