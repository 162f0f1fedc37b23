"""Files of readings whose header or first pages lie, read under a limit on memory, in a process of its own.

``python -m tests.support.odd_headers LAKE COUNT`` spoils a file of LAKE's second day again and again, by a seed each,
reads the table, and prints a line of JSON for each: the seed and how many readings there were, or None where the file
was refused. Bytes are set to the largest that a number's first part can be, or to anything.
"""

import json
import random
import resource
import sys
from pathlib import Path

from pipeline.lake import find_parts, read_files

MEMORY_BYTES = 6_000_000_000
_LARGEST = b"\xff\xff\xff\xff\x0f"
"""A length of 32 bits as it stands in a header, the largest there is."""


def spoilt(content: bytes, rng: random.Random) -> bytes:
    """The file with one to four bytes, or a number, of its header or its first pages other than they were."""
    raw = bytearray(content)
    length = int.from_bytes(raw[-8:-4], "little")
    header = range(len(raw) - 8 - length, len(raw) - 8)
    places = rng.choice([header, header, range(4, min(header.start, 400)), range(len(raw) - 8, len(raw) - 4)])
    for _ in range(rng.choice([1, 1, 2, 4])):
        raw[rng.choice(places)] = rng.choice([0, 127, 128, 255, rng.randrange(256)])
    if rng.random() < 0.3:
        at = rng.choice(header)
        raw[at : at + len(_LARGEST)] = _LARGEST
    return bytes(raw)


def main() -> None:
    lake, count = Path(sys.argv[1]), int(sys.argv[2])
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    path = sorted(lake.glob("readings/day=*/*.parquet"))[1]
    content = path.read_bytes()
    for seed in range(count):
        path.write_bytes(spoilt(content, random.Random(seed)))
        rows, troubles = read_files(lake, "readings", find_parts(lake, tables=["readings"]))
        whole = [one for one in troubles if one.is_whole]
        sys.stdout.write(json.dumps([seed, None if whole else rows.height]) + "\n")


if __name__ == "__main__":
    main()
