"""Kind of evidence: contract. Where the disk is full the run says so in a line, and the next one ends as any other."""

import resource
import subprocess

from tests.support.lakes import tiny_lake, write
from tests.support.runs import COMMAND, ROOT, tankdrift_here, unlike


def _run_with_room(lake, out, room: int) -> subprocess.CompletedProcess[str]:
    """A real limit of the operating system on the size of files stands for the full disk."""

    def narrow():
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))

    command = [*COMMAND, "run", str(lake), "--out", str(out), "--direct"]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, preexec_fn=narrow)


def test_full_in_the_load_the_analysis_and_the_report_and_then_run_as_one_that_had_room(tmp_path):
    """The store is the largest file: so much of it fits, and the run stops later and later."""
    lake = write(tmp_path / "lake", tiny_lake(days=4))
    whole, out = tmp_path / "whole", tmp_path / "out"
    assert tankdrift_here("run", lake, "--out", whole, "--direct").returncode == 0
    size = (whole / "tankdrift.duckdb").stat().st_size
    reached = []
    for share in (0.005, 0.02, 0.6):
        done = _run_with_room(lake, out, int(size * share))
        *said, last = done.stderr.splitlines()
        assert (done.returncode, "Traceback" in done.stderr) == (2, False), done.stderr
        assert "File too large" in last
        assert str(out) in last
        reached.append([word for word in ("analysing", "writing the report") if any(word in line for line in said)])
    assert reached == [[], ["analysing"], ["analysing", "writing the report"]]
    again = tankdrift_here("run", lake, "--out", out, "--direct")
    assert again.returncode == 0, again.stderr
    assert unlike(out, whole) == []
