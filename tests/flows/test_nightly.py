"""Kind of evidence: contract. The Prefect flow does what its plain twin does, and a run that is cut off goes on.

No connection of either leaves the machine: a hook in each Python process writes down each address that it turns to, and
each name that it looks up, before it does (`tests/support/guard`).
"""

import contextlib
import os
import sqlite3
import subprocess
import sys

import pytest

from flows.prefect_env import prefect_env
from tests.support.lakes import digest
from tests.support.runs import ROOT, left, tankdrift, tankdrift_here, unlike
from tests.support.shared import prefect_begun

GUARD = ROOT / "tests" / "support" / "guard"
THROUGH_PREFECT = """
import asyncio, sys
from flows.cli import main
lake, out, other = sys.argv[1:]
print("left with", main(["run", lake, "--out", out]), flush=True)
from prefect.states import exception_to_failed_state
from flows.run import TASKS, _is_disk_trouble
for error in (OSError("disk"), ValueError("ours")):
    state = asyncio.run(exception_to_failed_state(error))
    print(asyncio.run(_is_disk_trouble(None, None, state)), {task.retries for task in TASKS.values()}, flush=True)
sys.exit(main(["run", lake, "--out", other, "--until", "2020-01-01"]))
"""
"""A run, what is done about trouble with the disk, and a user's mistake: one process, as Prefect starts slowly."""


@pytest.fixture(scope="module")
def lake(tmp_path_factory):
    """Four invented tanks over two weeks, with what can go wrong with them."""
    lake = tmp_path_factory.mktemp("nightly") / "lake"
    done = tankdrift_here("simulate", "--out", lake, "--tanks", 4, "--days", 14, "--seed", 11)
    assert done.returncode == 0, done.stderr
    return lake


def watched(log):
    """An environment in which addresses are written down, without what a user may have set for Prefect."""
    log.touch()
    env = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    return {**env, "PYTHONPATH": str(GUARD), "WATCHED": str(log)}


@pytest.fixture(scope="module")
def direct(lake):
    done = tankdrift("run", lake, "--out", lake.parent / "direct", "--direct", env=watched(lake.parent / "direct.txt"))
    assert done.returncode == 0, done.stderr
    return lake.parent / "direct"


@pytest.fixture(scope="module")
def through_prefect(lake, tmp_path_factory):
    before = digest(lake)
    out = prefect_begun(tmp_path_factory, lake.parent / "prefect")
    command = [sys.executable, "-c", THROUGH_PREFECT, lake, out, lake.parent / "mistaken"]
    run = {"cwd": ROOT, "env": watched(lake.parent / "prefect.txt"), "capture_output": True, "text": True}
    done = subprocess.run(command, check=False, **run)
    assert digest(lake) == before
    return out, done


def test_through_prefect_as_without(direct, through_prefect):
    out, done = through_prefect
    said = done.stdout.splitlines()
    assert said[0].startswith("data to 2026-03-14")
    assert "left with 0" in said, done.stderr
    assert "prefect" not in done.stderr.replace("starting Prefect", "").lower()
    assert unlike(out, direct) == []
    with contextlib.closing(sqlite3.connect(out / ".prefect" / "prefect.db")) as prefect:
        key = "artifact where key = 'tankdrift-run'"
        (page,) = prefect.execute(f"select data from {key}").fetchone()
        its = f"flow_run_id in (select flow_run_id from {key})"
        states = prefect.execute(f"select name, state_name from task_run where {its} order by start_time").fetchall()
    assert "| readings |" in page
    assert [state for _, state in states] == ["Completed"] * 3


def test_a_user_s_mistake_is_one_line_through_prefect_too(through_prefect):
    _, done = through_prefect
    last = done.stderr.splitlines()[-1]
    assert done.returncode == 2
    assert last == "tankdrift: the lake's table readings holds no row, or none so early"
    assert "Traceback" not in done.stderr


def test_a_server_that_is_not_there_is_one_line_that_says_how_to_go_on(lake, tmp_path):
    """Nobody listens on port 1. It is asked a few times first."""
    environment = watched(tmp_path / "asked.txt") | {"PREFECT_API_URL": "http://127.0.0.1:1/api"}
    done = tankdrift("run", lake, "--out", tmp_path / "out", env=environment)
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1] == (
        "tankdrift: Prefect could not keep track of the run (RuntimeError); what is done stands: run it again, or with "
        "--direct, without Prefect"
    )


def test_only_trouble_with_the_disk_is_tried_again(through_prefect):
    _, done = through_prefect
    assert done.stdout.endswith("left with 0\nTrue {2}\nFalse {2}\n"), done.stderr


def test_the_guard_sees_what_would_leave(tmp_path):
    """The check of the check: a process that wants out is seen and held, also when another one started it."""
    log = tmp_path / "addresses.txt"
    ask = "import socket; socket.create_connection(('198.51.100.7', 80), 1)"
    code = f"import subprocess, sys; sys.exit(subprocess.run([sys.executable, '-c', {ask!r}]).returncode)"
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, env=watched(log), capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "is refused" in done.stderr
    assert any(line.startswith("away") for line in log.read_text().splitlines())


def test_a_run_through_prefect_turns_to_this_machine_alone(lake, through_prefect):
    lines = (lake.parent / "prefect.txt").read_text().splitlines()
    assert any(line.startswith("here socket.connect") for line in lines), "Prefect's own server is spoken to"
    assert [line for line in lines if not line.startswith("here ")] == []


def test_a_direct_run_turns_to_nobody(lake, direct):
    assert (lake.parent / "direct.txt").read_text() == ""


def test_a_second_run_changes_nothing(direct, lake):
    """Not a byte and not a time of change of what was left, the store's own file included."""
    before, content = _files(direct), left(direct)
    done = tankdrift_here("run", lake, "--out", direct, "--direct")
    assert done.returncode == 0, done.stderr
    assert _files(direct) == before
    assert left(direct) == content


def _files(out):
    """Bytes and time of change of every file but the lock."""
    paths = [path for path in out.rglob("*") if path.is_file() and path.name != ".tankdrift.lock"]
    return {str(path): (path.read_bytes(), path.stat().st_mtime_ns) for path in paths}


def test_run_day_by_day_as_run_at_once(lake, direct):
    out = lake.parent / "days"
    for until in ("2026-03-08", "2026-03-11", "2026-03-14"):
        done = tankdrift_here("run", lake, "--out", out, "--direct", "--until", until)
        assert done.returncode == 0, done.stderr
    assert unlike(out, direct) == []


def test_what_prefect_is_told(tmp_path):
    told = prefect_env({"PREFECT_HOME": "/mine", "DO_NOT_TRACK": "0"}, tmp_path, verbose=False)
    assert "PREFECT_HOME" not in told
    assert told["DO_NOT_TRACK"] == "1"
    assert told["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert told["PREFECT_LOGGING_LEVEL"] == "CRITICAL"
    loud = prefect_env({}, tmp_path, verbose=True)
    assert "PREFECT_LOGGING_LEVEL" not in loud
    assert loud["PREFECT_HOME"] == str(tmp_path / ".prefect")
