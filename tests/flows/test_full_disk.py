"""Kind of evidence: contract. Where the disk is full the run says so in a line, and the next one ends as any other."""

import resource
import subprocess

import pytest

from tests.support.lakes import tiny_lake, write
from tests.support.runs import COMMAND, ROOT, tankdrift, unlike


@pytest.fixture(scope="module")
def lake(tmp_path_factory):
    return write(tmp_path_factory.mktemp("full") / "lake", tiny_lake(days=6))


@pytest.fixture(scope="module")
def whole(lake):
    out = lake.parent / "whole"
    assert tankdrift("run", lake, "--out", out, "--direct").returncode == 0
    return out


@pytest.mark.parametrize("share", [0.005, 0.02, 0.6])
def test_the_next_run_ends_as_one_that_had_room(lake, whole, share):
    """A real limit of the operating system on the size of files stands for the full disk.

    The store is the largest file: so much of it fits, and the run stops in the load, the analysis or at its end.
    """
    out = lake.parent / f"full-{share}"
    room = int((whole / "tankdrift.duckdb").stat().st_size * share)

    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    command = [*COMMAND, "run", str(lake), "--out", str(out), "--direct"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, preexec_fn=narrow)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "File too large" in done.stderr.splitlines()[-1]
    assert str(out) in done.stderr.splitlines()[-1]
    again = tankdrift("run", lake, "--out", out, "--direct")
    assert again.returncode == 0, again.stderr
    assert unlike(out, whole) == []
