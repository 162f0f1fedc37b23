"""Kind of evidence: contract. What is built holds two packages and their data, and works away from the checkout."""

import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from pipeline.resources import queries_dir, shared_dir
from tests.support.runs import ROOT


def _python(*arguments: str, cwd: Path, path: Path | None = None) -> str:
    env = {"PATH": "/usr/bin:/bin", "PYTHONPATH": str(path or "")}
    done = subprocess.run([sys.executable, *arguments], cwd=cwd, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The wheel, built by way of the sdist: what is not in the one is not in the other."""
    folder = tmp_path_factory.mktemp("dist")
    _python("-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT), cwd=folder)
    (wheel,) = folder.glob("*.whl")
    return wheel


def test_top_level_is_two_packages_and_nothing_else(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    top = {name.split("/")[0] for name in names}
    assert top == {"pipeline", "flows", "tankdrift-0.1.0.dist-info"}
    assert {"pipeline/py.typed", "flows/py.typed"} <= set(names)
    assert any(name.endswith("licenses/LICENSE") for name in names)


def test_wheel_carries_the_queries_and_the_tables(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    for place, folder in (("queries", queries_dir()), ("shared", shared_dir())):
        files = [path for path in folder.rglob("*") if path.is_file()]
        assert files
        for path in files:
            assert f"pipeline/_bundled/{place}/{path.relative_to(folder).as_posix()}" in names


def test_wheel_carries_every_module_and_asset(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    for package in ("pipeline", "flows"):
        for path in (ROOT / package).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                assert path.relative_to(ROOT).as_posix() in names


def test_installed_elsewhere_it_finds_what_it_brings(wheel, tmp_path):
    place = tmp_path / "site"
    _python("-m", "pip", "install", "--quiet", "--no-deps", "--target", str(place), str(wheel), cwd=tmp_path)
    code = (
        "import pipeline, flows.cli, pipeline.resources as r\n"
        "print(pipeline.__file__, len(r.query_names('checks')), len(r.query_text('ingest/readings')) > 0)\n"
        "flows.cli.main(['--version'])\n"
    )
    said = _python("-c", code, cwd=tmp_path, path=place)
    checks = len(list((queries_dir() / "checks").glob("*.sql")))
    assert said == f"{place / 'pipeline' / '__init__.py'} {checks} True\ntankdrift 0.1.0\n"


def test_console_script_works_from_another_folder(tmp_path):
    script = Path(sys.executable).parent / "tankdrift"
    done = subprocess.run([script, "--version"], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout == "tankdrift 0.1.0\n"


def test_floors_hold():
    linter = Path(sys.executable).parent / "lint-imports"
    done = subprocess.run([linter, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_lock_pins_what_the_project_asks_for_with_hashes_and_names_no_host():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    every = project["dependencies"] + extras["sources"] + extras["dev"]
    asked = {re.split(r"[\[<>=]", name)[0] for name in every} - {"tankdrift"}
    lock = (ROOT / "requirements.lock").read_text()
    entries = re.findall(
        r"^([a-z0-9.-]+)==\S+ .*\\\n((?:    --hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)", lock, re.MULTILINE
    )
    assert asked <= {name for name, _ in entries}
    assert len(entries) == len(re.findall(r"^\S+==", lock, re.MULTILINE))
    assert "://" not in lock


def test_no_test_is_skipped_or_expected_to_fail():
    marks = re.compile(r"pytest\.(mark\.)?(skip|xfail)|importorskip")
    found = [str(path) for path in (ROOT / "tests").rglob("*.py") if marks.search(path.read_text())]
    assert [name for name in found if not name.endswith("test_packaging.py")] == []
