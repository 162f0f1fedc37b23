"""What is found of small faults, and how fast, beside what the best test could find. It prints; it asserts nothing.

``python -m tests.benchmarks.limits [--only draws hoses drops deadbands oracle delays above] [--seeds 401 402]``

No fleet here served to set a threshold. Each item runs alone in a few minutes.
"""

import argparse
import sys
import time
from collections.abc import Callable, Sequence

from tests.benchmarks.limits_delays import above, delays
from tests.benchmarks.limits_fleets import Figure
from tests.benchmarks.limits_lasting import deadbands, drops, hoses
from tests.benchmarks.limits_oracle import oracle
from tests.benchmarks.limits_sudden import draws

ITEMS: dict[str, Callable[[Sequence[int]], list[Figure]]] = {
    "draws": draws, "hoses": hoses, "drops": drops, "deadbands": deadbands, "oracle": oracle,
    "delays": delays, "above": above,
}  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the items asked for and print their lines."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="*", choices=list(ITEMS), default=list(ITEMS))
    parser.add_argument("--seeds", type=int, nargs="*", default=[401, 402])
    options = parser.parse_args(arguments)
    for name in options.only:
        began = time.monotonic()
        lines = ITEMS[name](options.seeds)
        print(f"\n## {name}, seeds {' '.join(map(str, options.seeds))}, {time.monotonic() - began:.0f} s\n")
        print("\n".join(line.line() for line in lines), flush=True)


if __name__ == "__main__":
    sys.exit(main())
