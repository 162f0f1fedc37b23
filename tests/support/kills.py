"""Nights that are killed at a random moment and run again."""

import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT, left, tankdrift_here

NIGHTS = 2


class KilledNights:
    """A fleet's first night and its second one, killed and run again; `folder` holds what they leave.

    The first begins with nothing, the second with what the first left and a lake that is a day longer.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lakes = [write(folder / f"{days}days", tiny_lake(days=days)) for days in (3, 4)]
        self.before = [None, folder / "unbroken0"]
        self.expected: list[dict[str, object]] = []
        self.longest_s: list[float] = []
        self.next = self._waiting()
        for night in range(NIGHTS):
            out = self._left_before(night, folder / f"unbroken{night}")
            process = self._begun(night, out)
            began = time.monotonic()
            process.communicate()
            assert process.returncode == 0
            self.longest_s.append(time.monotonic() - began)
            self.expected.append(left(out))
            self.next = self._waiting()

    def _left_before(self, night: int, out: Path) -> Path:
        before = self.before[night]
        if before is not None:
            shutil.copytree(before, out)
        return out

    def _waiting(self) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "tests.support.night_run"]
        quiet = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
        return subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, text=True, **quiet)  # type: ignore[call-overload, no-any-return]

    def _begun(self, night: int, out: Path) -> subprocess.Popen[str]:
        """The process that waits, set to a night."""
        process = self.next
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdout.readline()
        process.stdin.write(f"{self.lakes[night]} {out}\n")
        process.stdin.flush()
        return process

    def close(self) -> None:
        """Let the last process go that waits for work."""
        self.next.kill()
        self.next.communicate()

    def once(self, night: int, rng: random.Random) -> tuple[bool, list[str]]:
        """Kill a night and run it again: whether it was at work when it was killed, and what ended otherwise."""
        out = self._left_before(night, self.folder / "killed")
        process = self._begun(night, out)
        time.sleep(rng.uniform(0.0, self.longest_s[night]))
        is_at_work = process.poll() is None
        process.kill()
        process.communicate()
        # It reads in what it needs while the night is run again.
        self.next = self._waiting()
        again = tankdrift_here("run", self.lakes[night], "--out", out, "--direct")
        found, expected = left(out), self.expected[night]
        unlike = sorted(name for name in found.keys() | expected.keys() if found.get(name) != expected.get(name))
        shutil.rmtree(out)
        return is_at_work, [f"left with {again.returncode}"] * bool(again.returncode) + unlike
