"""Imports run downward only. Evidence: contract, by the linter that reads the floors from pyproject.toml."""

import subprocess
import sys
import tomllib

from tests.support.runs import ROOT

LINT = [sys.executable, "-c", "from importlinter.cli import lint_imports_command; lint_imports_command()", "--no-cache"]


def test_a_floor_imports_only_lower_ones():
    done = subprocess.run(LINT, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


def test_every_module_stands_on_a_floor():
    """A package that no layer names would be held by none."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    floors = next(one for one in settings if one["type"] == "layers")["layers"]
    named = {part.strip(" ()") for floor in floors for part in floor.split(":")}
    beside = {"pipeline.simulate"}
    there = {
        f"pipeline.{path.stem}"
        for path in (ROOT / "pipeline").iterdir()
        if (path.is_dir() and (path / "__init__.py").exists()) or (path.suffix == ".py" and path.stem != "__init__")
    }
    assert there - named - beside == set()
    assert named - there - {"flows"} == set()


def test_no_module_outgrows_a_reader_s_patience():
    """The project's own rule: 400 lines at most."""
    long = {
        str(path.relative_to(ROOT)): count
        for top in ("pipeline", "flows")
        for path in (ROOT / top).rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert long == {}
