"""Late data and kills at length; it prints. ``python -m tests.benchmarks.nights [--orders 1000] [--kills 200]``."""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from pipeline.sources.landing import Landing
from tests.support.lakes import write
from tests.support.nights import (
    Killed,
    add_files,
    corrected_nights,
    loaded,
    merge_nights,
    nights_of,
    odd_lake,
    read,
    standing,
)


def orders(count: int) -> int:
    """How many of so many orders and splits of a lake's rows end otherwise than the lake at once."""
    tables = odd_lake()
    dated = tables | {"readings": tables["readings"].filter(tables["readings"]["ts"].is_not_null())}
    bad = 0
    with tempfile.TemporaryDirectory() as place:
        once = read(write(Path(place) / "once", dated))
        right = {n: f.unique(_key(n), keep="first", maintain_order=True) for n, f in dated.items()}
        corrected = read(write(Path(place) / "right", right))
        for seed in range(count):
            at = Path(place) / str(seed)
            if seed % 10 == 0:
                lake = standing(tables, at / "lake")
                for number, night in enumerate(nights_of(dated, seed)):
                    add_files(lake, night, number)
                    if night["readings"]["tank_id"].is_in(["T1", "T2"]).any():
                        found = loaded(lake, at / "out")
                expected = once
            else:
                lake = standing(tables, at / "lake")
                merge_nights(Landing(lake), corrected_nights(dated, seed))
                found, expected = read(lake), corrected
            bad += any(not frame.equals(found[name]) for name, frame in expected.items())
    return bad


def _key(name: str) -> list[str]:
    from pipeline.contract.lake import LAKE_TABLES

    return LAKE_TABLES[name].primary_key()


def kills(count: int) -> tuple[int, int]:
    """How many of so many kills fell while the load was at work, and after how many the next run ended otherwise."""
    rng = random.Random(200)
    with tempfile.TemporaryDirectory() as place:
        killed = Killed(Path(place))
        ends = [killed.once(rng) for _ in range(count)]
        killed.close()
    return sum(is_at_work for is_at_work, _ in ends), sum(bool(unlike) for _, unlike in ends)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--orders", type=int, default=1000)
    parser.add_argument("--kills", type=int, default=200)
    asked = parser.parse_args()
    began = time.monotonic()
    bad = orders(asked.orders)
    sys.stdout.write(f"{asked.orders} orders and splits, {bad} ended otherwise, {time.monotonic() - began:.0f} s\n")
    began = time.monotonic()
    at_work, bad = kills(asked.kills)
    spent = time.monotonic() - began
    sys.stdout.write(f"{asked.kills} kills, {at_work} of them at work, {bad} ended otherwise, {spent:.0f} s\n")


if __name__ == "__main__":
    main()
