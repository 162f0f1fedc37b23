"""Kind of evidence: contract, with processes of their own. Who is in keeps others out, elsewhere, too."""

import json
import os
import re
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.lock import locked
from pipeline.run_folder import held
from pipeline.said.record import say
from pipeline.sources.landing import Landing
from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT, tankdrift_here

NOW = datetime(2026, 3, 1, tzinfo=UTC)

HOLDER = """
import sys
from pathlib import Path
from pipeline.lock import locked
with locked(Path(sys.argv[1]), "not free"):
    print("in", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def begun():
    """Begins a process on a machine of some name that is in, and comes back when it is."""
    processes = []

    def begin(lock, machine):
        lock.parent.mkdir(parents=True, exist_ok=True)
        env = os.environ | {"TANKDRIFT_MACHINE": machine, "PYTHONPATH": str(ROOT)}
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
        process = subprocess.Popen([sys.executable, "-c", HOLDER, str(lock)], env=env, **pipes)
        processes.append(process)
        assert process.stdout.readline() == "in\n"
        return process

    yield begin
    for process in processes:
        process.kill()
        process.communicate()


def _places(tmp_path):
    """Lock of a run's folder and of a source's load, and what is done under it."""
    folder, lake = tmp_path / "out", tmp_path / "lake"
    return [
        (folder / ".tankdrift.lock", lambda: held(folder)),
        (lake / "_tankdrift" / "yard.lock", lambda: Landing(lake).held("yard", 0.0)),
    ]


@pytest.mark.parametrize("which", [0, 1])
def test_who_is_in_is_named_and_another_machine_comes_after_it(tmp_path, begun, monkeypatch, which):
    lock, entered = _places(tmp_path)[which]
    process = begun(lock, "depot-1")
    monkeypatch.setenv("TANKDRIFT_MACHINE", "depot-2")
    with pytest.raises(StoreError) as refused, entered():
        raise AssertionError("not reached")
    who = rf"\(machine depot-1, process {process.pid}, since \d{{4}}-\d\d-\d\d \d\d:\d\d UTC\)"
    assert re.search(rf"; wait until it is done {who}; if that machine is at work no more, remove ", str(refused.value))
    process.communicate("done\n")
    with entered():
        (note,) = lock.parent.glob(f"{lock.name}.holder")
        told = json.loads(note.read_text())
        assert (told["machine"], told["process"]) == ("depot-2", os.getpid())
    assert not note.exists()


def test_a_run_is_refused_in_one_line_that_says_who_is_at_work(tmp_path, begun, monkeypatch):
    """The line is as in the docs; on the same machine there is nothing to remove: what it left is gone with it."""
    lake, out = write(tmp_path / "lake", tiny_lake()), tmp_path / "out"
    process = begun(out / ".tankdrift.lock", "depot-1")
    monkeypatch.setenv("TANKDRIFT_MACHINE", "depot-2")
    done = tankdrift_here("run", lake, "--out", out, "--direct")
    said = done.stderr.replace(str(out), "out").replace(f"process {process.pid}", "process 4711")
    shown = (ROOT / "docs" / "operations.md").read_text(encoding="utf-8")
    assert f"```text\n{re.sub('since .* UTC', 'since 2026-11-29 03:30 UTC', said)}```" in shown
    monkeypatch.setenv("TANKDRIFT_MACHINE", "depot-1")
    done = tankdrift_here("run", lake, "--out", out, "--direct")
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"tankdrift: {out}: another run is at work here; wait until it is done (machine ")
    assert f", process {process.pid}, since " in line
    assert line.endswith(" UTC)")


def test_where_a_lock_does_not_reach_the_other_machine_the_note_does(tmp_path, begun, monkeypatch):
    """As on a share that is mounted without locks: the second locks another file than the first."""
    lock = tmp_path / "lock"
    process = begun(lock, "depot-1")
    lock.unlink()
    monkeypatch.setenv("TANKDRIFT_MACHINE", "depot-2")
    with pytest.raises(StoreError, match=r"not free.*machine depot-1"), locked(lock, "not free"):
        raise AssertionError("not reached")
    process.stdin.write("done\n")
    process.stdin.flush()
    with locked(lock, "not free", wait_s=30.0):
        process.communicate()


def test_what_a_killed_process_left_stops_another_machine_and_not_its_own(tmp_path, begun, monkeypatch):
    lock = tmp_path / "lock"
    for machine in ("depot-1", "depot-2"):
        process = begun(lock, "depot-1")
        process.send_signal(signal.SIGKILL)
        process.wait()
        monkeypatch.setenv("TANKDRIFT_MACHINE", machine)
        if machine == "depot-1":
            with locked(lock, "not free"):
                pass
    with pytest.raises(StoreError) as refused, locked(lock, "not free"):
        raise AssertionError("not reached")
    (note,) = re.findall(r"at work no more, remove (.*)$", str(refused.value))
    Path(note).unlink()
    with locked(lock, "not free"):
        pass


def test_a_note_that_was_broken_off_is_nobodys(tmp_path):
    for torn in ("", '{"machine": "dep', "[]"):
        (tmp_path / "lock.holder").write_text(torn)
        with locked(tmp_path / "lock", "not free"):
            assert json.loads((tmp_path / "lock.holder").read_text())["process"] == os.getpid()


def test_where_no_note_can_be_made_the_lock_is_free_again(tmp_path):
    (tmp_path / "lock.holder").mkdir()
    with pytest.raises(IsADirectoryError), locked(tmp_path / "lock", "not free"):
        raise AssertionError("not reached")
    (tmp_path / "lock.holder").rmdir()
    with locked(tmp_path / "lock", "not free"):
        pass


def test_a_saying_waits_for_one_of_another_machine(tmp_path, begun, monkeypatch):
    process = begun(tmp_path / "said" / ".lock", "depot-1")
    monkeypatch.setenv("TANKDRIFT_MACHINE", "depot-2")
    monkeypatch.setattr("pipeline.said.record._WAIT_S", 0.1)
    row = {"case_id": "c", "kind": "note", "who": "Ines", "note": "dry dips taken", "learned_on": None}
    with pytest.raises(StoreError, match="machine depot-1"):
        say(tmp_path, row, now=NOW)
    process.communicate("done\n")
    assert say(tmp_path, row, now=NOW) == 0
