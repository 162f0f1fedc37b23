"""Kind of evidence: contract. The Prefect flow does what its plain twin does, and a run that is cut off goes on."""

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
import time

import pytest

from flows.prefect_env import prefect_env
from tests.support.lakes import digest
from tests.support.runs import COMMAND, ROOT, left, tankdrift, tankdrift_here, unlike
from tests.support.shared import prefect_begun


@pytest.fixture(scope="module")
def lake(tmp_path_factory):
    """Four invented tanks over two weeks, with what can go wrong with them."""
    lake = tmp_path_factory.mktemp("nightly") / "lake"
    done = tankdrift_here("simulate", "--out", lake, "--tanks", 4, "--days", 14, "--seed", 11)
    assert done.returncode == 0, done.stderr
    return lake


@pytest.fixture(scope="module")
def direct(lake):
    done = tankdrift("run", lake, "--out", lake.parent / "direct", "--direct")
    assert done.returncode == 0, done.stderr
    return lake.parent / "direct"


def test_through_prefect_as_without(lake, direct, tmp_path_factory):
    before = digest(lake)
    out = prefect_begun(tmp_path_factory, lake.parent / "prefect")
    done = tankdrift("run", lake, "--out", out, env=_env_without_prefect())
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0].startswith("data to 2026-03-14")
    assert "prefect" not in done.stderr.replace("starting Prefect", "").lower()
    assert unlike(out, direct) == []
    with contextlib.closing(sqlite3.connect(out / ".prefect" / "prefect.db")) as prefect:
        (page,) = prefect.execute("select data from artifact where key = 'tankdrift-run'").fetchone()
        states = prefect.execute("select name, state_name from task_run order by start_time").fetchall()
    assert "| readings |" in page
    assert [state for _, state in states] == ["Completed"] * 3
    assert digest(lake) == before


def _env_without_prefect():
    return {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}


def test_a_user_s_mistake_is_one_line_through_prefect_too(lake, tmp_path, tmp_path_factory):
    out = prefect_begun(tmp_path_factory, tmp_path / "out")
    done = tankdrift("run", lake, "--out", out, "--until", "2020-01-01", env=_env_without_prefect())
    last = done.stderr.splitlines()[-1]
    assert done.returncode == 2
    assert last == "tankdrift: the lake's table readings holds no row, or none so early"
    assert "Traceback" not in done.stderr


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


def test_killed_again_and_again_and_then_run_as_run_at_once(lake, direct):
    """The kills fall between the first file read and the last file written."""
    out = lake.parent / "killed"
    for wait_s in (0.4, 0.8, 1.2, 1.6):
        with subprocess.Popen(
            [*COMMAND, "run", str(lake), "--out", str(out), "--direct"], cwd=ROOT, stderr=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        ) as process:  # fmt: skip
            time.sleep(wait_s)
            process.send_signal(signal.SIGKILL)
    done = tankdrift_here("run", lake, "--out", out, "--direct")
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


def test_only_trouble_with_the_disk_is_tried_again(tmp_path):
    code = (
        "import asyncio\n"
        "from prefect.states import exception_to_failed_state\n"
        "from flows.run import TASKS, _is_disk_trouble\n"
        "for error in (OSError('disk'), ValueError('ours')):\n"
        "    state = asyncio.run(exception_to_failed_state(error))\n"
        "    print(asyncio.run(_is_disk_trouble(None, None, state)), {task.retries for task in TASKS.values()})\n"
    )
    env = {**_env_without_prefect(), **prefect_env({}, tmp_path, verbose=False)}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=env, capture_output=True, text=True, check=False
    )  # fmt: skip
    assert done.stdout == "True {2}\nFalse {2}\n", done.stderr
