"""Kind of evidence: contract. Whichever write of a run fails, one line says so and the next run ends as any other."""

import json
import shutil
import subprocess
import sys

import pytest

from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT, tankdrift_here

NOTHING, A_LINE = (0, 0), (2, 1)
"""What a run left with, and in how many lines it said so: where a write's failure costs nothing, and where it does."""


def _ends(refused: str) -> set[tuple[int, int]]:
    """How a run may end of which that write failed.

    `kept` spares the next night work and no more; the folder itself may be there already; the old report is done with.
    """
    place = refused.partition(" ")[2]
    if not place:
        return {NOTHING, A_LINE}
    return {NOTHING if place.startswith("/kept") or place.endswith("-old") else A_LINE}


def _left_by(lake, before, out):
    if before is not None:
        shutil.copytree(before, out)
    assert tankdrift_here("run", lake, "--out", out, "--direct").returncode == 0
    return out


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """Of a first night and of a second one: the lake, the folder before it, the folder after it."""
    place = tmp_path_factory.mktemp("nights")
    lakes = [write(place / f"{days}days", tiny_lake(days=days)) for days in (3, 4)]
    first = _left_by(lakes[0], None, place / "first")
    return [(lakes[0], place / "none", first), (lakes[1], first, _left_by(lakes[1], first, place / "second"))]


@pytest.mark.parametrize("night", [0, 1])
def test_each_write_fails_once(tmp_path, nights, night):
    """Opening, making, moving and removing by the interpreter; the store's own: `test_full_disk`, `test_kills`."""
    lake, before, whole = nights[night]
    command = [sys.executable, "-m", "tests.support.failing_writes", *map(str, (lake, before, tmp_path / "out", whole))]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) > 35
    for refused, code, lines, again, unlike in told:
        assert (code, len(lines)) in _ends(refused), (refused, lines)
        assert all("Input/output error" in line and str(tmp_path / "out") in line for line in lines), (refused, lines)
        assert (again, unlike) == (0, []), refused
