"""What costs much and is made once for all of pytest's workers."""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock

from flows.prefect_env import prefect_env


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder that the first worker to need it makes, while others wait; from then on its files are read-only."""
    base = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent
    place, done = base / name, base / f"{name}.done"
    with FileLock(base / f"{name}.lock"):
        if not done.exists():
            # What a make that broke off has left.
            shutil.rmtree(place, ignore_errors=True)
            place.mkdir()
            make(place)
            for path in place.rglob("*"):
                if path.is_file():
                    path.chmod(0o444)
            done.touch()
    return place


def prefect_begun(factory: pytest.TempPathFactory, out: Path) -> Path:
    """Put a database of Prefect's, empty but for its tables, where a run into `out` has its own; `out` comes back.

    Making those tables is the longest part of a run through Prefect. `tests/scenarios/test_sample.py` and
    `tests/flows/test_five_commands.py` begin without.
    """
    (out / ".prefect").mkdir(parents=True)
    shutil.copyfile(made_once(factory, "prefect", _prefect_database) / "prefect.db", out / ".prefect" / "prefect.db")
    return out


def _prefect_database(home: Path) -> None:
    env = {name: value for name, value in os.environ.items() if not name.startswith("PREFECT_")}
    env |= prefect_env({}, home, verbose=False) | {"PREFECT_HOME": str(home)}
    command = [sys.executable, "-m", "prefect", "server", "database", "upgrade", "--yes"]
    subprocess.run(command, env=env, check=True, capture_output=True)
