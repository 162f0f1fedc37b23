"""Kind of evidence: contract. Who may read what is written: what the umask says, and some things their owner alone."""

import os
import shutil
import stat
import subprocess

import pytest

from pipeline.said.record import say
from tests.desk.conftest import DAYS
from tests.support.desks import desk, visitor
from tests.support.lakes import tiny_lake, write
from tests.support.published import publish_frames
from tests.support.runs import COMMAND, ROOT, tankdrift_here
from tests.support.shared import made_once


@pytest.fixture
def under():
    """Sets the umask of this process, and of those that it starts, until the test ends."""
    before = os.umask(0o022)
    yield os.umask
    os.umask(before)


def _modes(folder):
    """Rights of all that lies in a folder, by name."""
    found = {}
    for path in folder.rglob("*"):
        found[path.relative_to(folder).as_posix()] = stat.S_IMODE(path.stat().st_mode)
    return found


OWNERS = ("said", "desk.log", "users.txt", "backup.zip")


def _is_for_its_owner_alone(name):
    return any(step.startswith(OWNERS) for step in name.split("/"))


def test_what_a_run_and_a_backup_leave_is_as_the_umask_says_but_for_what_people_said(tmp_path, under):
    """Restored to another place it is so again. A folder that an earlier version left open to all is closed.

    With the umask of a service, a whole night: `tests/flows/test_service.py`.
    """
    under(0o000)
    lake, out, users = write(tmp_path / "lake", tiny_lake(days=2)), tmp_path / "out", tmp_path / "users.txt"
    assert tankdrift_here("run", lake, "--out", out, "--direct").returncode == 0
    (out / "said").mkdir(mode=0o777)
    row = {"case_id": "c", "kind": "closed", "cause": "tank_leak", "verdict": "confirmed", "who": "Ines",
           "learned_on": None, "tank_id": "T1", "site_id": "S1"}  # fmt: skip
    say(out, row, now=tiny_lake()["sales"]["ts_end"][0])
    (out / "desk.log").touch(mode=0o600)
    (tmp_path / ".users.txt.new").touch(mode=0o666)  # as a command leaves it that was killed
    command = [*COMMAND, "desk-user", str(users), "Ines"]
    subprocess.run(command, cwd=ROOT, input="twelve dry dips\n", text=True, check=True, capture_output=True)
    assert tankdrift_here("backup", out, tmp_path / "backup.zip", "--users", users).returncode == 0
    assert tankdrift_here("restore", tmp_path / "backup.zip", tmp_path / "again").returncode == 0
    modes = _modes(tmp_path)
    assert {"out/said/00000000.json", "again/said/00000000.json", "again/users.txt", "again/desk.log", "backup.zip",
            "out/report/index.html", "out/snapshot.duckdb", "again/tankdrift.duckdb"} <= modes.keys()  # fmt: skip
    for name, mode in modes.items():
        is_private = _is_for_its_owner_alone(name) and not name.endswith(".lock")
        assert mode in ((0o600, 0o700) if is_private else (0o666, 0o777)), (name, oct(mode))


def test_what_a_desk_writes_is_for_its_owner_alone_whatever_the_umask(tmp_path, tmp_path_factory, frames, under):
    made = made_once(tmp_path_factory, "published", lambda place: publish_frames(place, frames, days=DAYS))
    under(0o000)
    shutil.copytree(made, tmp_path / "out", copy_function=shutil.copyfile)
    case = frames["cases"].filter(cause="tank_leak")["case_id"][0]
    with desk(tmp_path / "out") as address, visitor(address) as (client, form):
        told = client.post("/say", data=form | {"kind": "note", "case": case, "note": "seen"})
        assert told.status_code == 303
    modes = _modes(tmp_path / "out")
    assert {name: oct(mode) for name, mode in modes.items() if name.startswith(("said", "desk.log"))} == {
        "said": "0o700", "said/.lock": "0o666", "said/00000000.json": "0o600", "desk.log": "0o600",
    }  # fmt: skip
