"""Kind of evidence: contract. The README's way from settings to a scheduled deployment, with a real Prefect server."""

import contextlib
import os
import re
import shlex
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tests.support.lakes import tiny_lake, write
from tests.support.runs import COMMAND, ROOT
from tests.support.servers import free_port, pinged

SECTION = (ROOT / "README.md").read_text().split("## Operations\n")[1].split("\n## ")[0]

OPERATIONS = (ROOT / "docs" / "operations.md").read_text()


def _block(language: str) -> str:
    (found,) = re.findall(f"```{language}\n(.*?)```", SECTION, re.DOTALL)
    return found


@pytest.fixture
def place(tmp_path):
    """A clean folder with the README's settings and the project's deployments."""
    lake = write(tmp_path / "yard", tiny_lake())
    folder = tmp_path / "operations"
    folder.mkdir()
    (folder / "tankdrift.toml").write_text(_block("toml").replace("/srv/yard", str(lake)))
    shutil.copy(ROOT / "prefect.yaml", folder)
    return folder


@pytest.fixture
def env(tmp_path):
    """What the README exports, with a port that is free, and a home for Prefect that is empty."""
    port = free_port()
    env = {name: value for name, value in os.environ.items() if not name.startswith(("PREFECT_", "TANKDRIFT_"))}
    told = dict(word.split("=") for word in re.findall(r"[A-Z_]+=\S+?(?=[\s`])", SECTION))
    assert told["PREFECT_API_URL"] == "http://127.0.0.1:4200/api"
    told |= {"PREFECT_API_URL": f"http://127.0.0.1:{port}/api", "PREFECT_SERVER_API_PORT": str(port)}
    return env | told | {"PREFECT_HOME": str(tmp_path / "prefect"), "PYTHONPATH": str(ROOT), "COLUMNS": "200"}


def _command(line: str) -> list[str]:
    words = shlex.split(line, comments=True)
    return (
        [*COMMAND, *words[1:]]
        if words[0] == "tankdrift"
        else [str(Path(sys.executable).with_name("prefect")), *words[1:]]
    )


def _wait_for_a_night(address, run):
    """Run the script of docs/operations.md, with another address and the shortest stretch that there is."""
    (script,) = re.findall(r"```python\n(.*?)```", OPERATIONS, re.DOTALL)
    assert '"prefect.resource.name": "every-night"' in script
    for shown, here in (("https://chat.example.org", address), ("hours=26", "seconds=10")):
        assert script.count(shown) == 1
        script = script.replace(shown, here)
    subprocess.run([sys.executable, "-c", script], check=True, **run)


def _until(is_so, *, within_s):
    end = time.monotonic() + within_s
    while not is_so() and time.monotonic() < end:
        time.sleep(0.1)
    assert is_so()


def test_from_settings_to_a_scheduled_deployment_in_five_commands(place, env):
    *lines, last = _block("sh").splitlines()
    assert len(lines) == 4
    run = {"cwd": place, "env": env, "text": True, "stdin": subprocess.DEVNULL}
    said = []
    try:
        with pinged() as (address, asked):
            for line in lines:
                done = subprocess.run(_command(line), capture_output=True, check=False, **run)
                assert done.returncode == 0, (line, done.stdout, done.stderr)
                said.append(done.stdout)
                if len(said) == 2:  # the server is up
                    _wait_for_a_night(address, run)
            _until(lambda: "/hook" in asked, within_s=60)
        worker = subprocess.Popen(_command(last), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, **run)
        stop = threading.Timer(60, worker.kill)
        stop.start()
        told: list[str] = []
        started = any("started!" in line for line in worker.stdout if not told.append(line))
        stop.cancel()
        worker.terminate()
        worker.communicate()
    finally:
        subprocess.run(_command("prefect server stop"), capture_output=True, check=False, **run)
    assert started, told
    assert "/api answers" in said[1]
    assert "BAD" not in said[1]
    with contextlib.closing(sqlite3.connect(Path(env["PREFECT_HOME"]) / "prefect.db")) as prefect:
        names = [name for (name,) in prefect.execute("select name from deployment order by name")]
        zones = prefect.execute("select schedule from deployment_schedule where active").fetchall()
    assert names == ["again", "by-day", "every-night", "hourly", "proof", "report"]
    assert ["Europe/Berlin" in schedule for (schedule,) in zones] == [True] * 4
