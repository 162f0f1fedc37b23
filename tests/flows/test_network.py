"""No connection leaves the machine. Evidence: contract; each address that a run's processes turn to is written down.

A hook in each Python process sees connections and look-ups before they are made (`tests/support/guard`).
"""

import os
import subprocess
import sys

import pytest

from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT, tankdrift
from tests.support.shared import prefect_begun

GUARD = ROOT / "tests" / "support" / "guard"


@pytest.fixture
def watched(tmp_path):
    """An environment in which addresses are written down, without what a user may have set for Prefect."""
    env = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    log = tmp_path / "addresses.txt"
    log.touch()
    return {**env, "PYTHONPATH": str(GUARD), "WATCHED": str(log)}, log


def test_the_guard_sees_what_would_leave(watched):
    """The check of the check: a process that wants out is seen and held, also when another one started it."""
    env, log = watched
    ask = "import socket; socket.create_connection(('198.51.100.7', 80), 1)"
    code = f"import subprocess, sys; sys.exit(subprocess.run([sys.executable, '-c', {ask!r}]).returncode)"
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "is refused" in done.stderr
    assert any(line.startswith("away") for line in log.read_text().splitlines())


def test_a_run_through_prefect_turns_to_this_machine_alone(watched, tmp_path, tmp_path_factory):
    env, log = watched
    out = prefect_begun(tmp_path_factory, tmp_path / "out")
    lake = write(tmp_path / "lake", tiny_lake())
    done = tankdrift("run", lake, "--out", out, env=env)
    assert done.returncode == 0, done.stderr
    lines = log.read_text().splitlines()
    assert any(line.startswith("here socket.connect") for line in lines), "Prefect's own server is spoken to"
    assert [line for line in lines if not line.startswith("here ")] == []


def test_a_direct_run_turns_to_nobody(watched, tmp_path):
    env, log = watched
    lake = write(tmp_path / "lake", tiny_lake())
    done = tankdrift("run", lake, "--out", tmp_path / "out", "--direct", env=env)
    assert done.returncode == 0, done.stderr
    assert log.read_text() == ""
