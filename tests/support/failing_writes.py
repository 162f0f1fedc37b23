"""A run whose writes fail, one a time, each the first time that it is tried: for a process of its own.

``python -m tests.support.failing_writes LAKE BEFORE OUT WHOLE`` runs over a lake again and again from the folder
BEFORE, which may be missing, and has the first write fail, then the second, until a run writes no more than that. It
prints a line of JSON about each: what failed, what the run left with and said, what one after it left with, and what
of that is not as in WHOLE. An audit hook of the interpreter refuses what the operating system would: opening a file
for writing, making, moving or removing one. It cannot be taken away again, hence the process.
"""

import json
import os
import shutil
import sys
from errno import EIO
from pathlib import Path

from tests.support.runs import tankdrift_here, unlike

_WRITES = os.O_WRONLY | os.O_RDWR
_MOVES = ("os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.truncate")


class FailingWrites:
    """Counts what is written below a folder while it is at work, and refuses one of it."""

    def __init__(self, folder: Path) -> None:
        self.folder = str(folder)
        self.left: int | None = None
        self.refused = ""
        sys.addaudithook(self._heard)

    def _heard(self, event: str, arguments: tuple[object, ...]) -> None:
        if self.left is None or not self._is_write(event, arguments):
            return
        self.left -= 1
        if self.left < 0:
            self.left = None
            place = os.fsdecode(arguments[0])  # type: ignore[arg-type]
            self.refused = f"{event} {place.removeprefix(self.folder)}"
            raise OSError(EIO, os.strerror(EIO), place)

    def _is_write(self, event: str, arguments: tuple[object, ...]) -> bool:
        if event == "open":
            path, _, flags = arguments
            is_write = isinstance(flags, int) and bool(flags & _WRITES)
        else:
            path, is_write = arguments[0] if arguments else None, event in _MOVES
        return is_write and isinstance(path, str | os.PathLike) and os.fspath(path).startswith(self.folder)


def main() -> None:
    lake, before, out, whole = (Path(word) for word in sys.argv[1:])
    writes = FailingWrites(out)
    for number in range(1000):
        if before.exists():
            shutil.copytree(before, out)
        writes.refused, writes.left = "", number
        first = tankdrift_here("run", lake, "--out", out, "--direct")
        writes.left = None
        if not writes.refused:
            return
        again = tankdrift_here("run", lake, "--out", out, "--direct")
        said = [line for line in first.stderr.splitlines() if line.startswith("tankdrift: ")]
        told = [writes.refused, first.returncode, said, again.returncode, unlike(out, whole)]
        sys.stdout.write(json.dumps(told) + "\n")
        sys.stdout.flush()
        shutil.rmtree(out)


if __name__ == "__main__":
    main()
