"""Kind of evidence: contract. As a service: what stands in docs/service/ is there, and nothing is written elsewhere.

Units and Containerfile are read here; what was tried beyond that is told in docs/operations.md, 'As a service'.
"""

import os
import re
import shlex
import subprocess
import sys
from importlib.metadata import entry_points

import pytest
import yaml

from flows.cli import _parser
from tests.support.lakes import tiny_lake, write
from tests.support.runs import ROOT
from tests.support.shared import prefect_begun

PLACE = ROOT / "docs" / "service"
GUARD = ROOT / "tests" / "support" / "guard"
UNITS = sorted(path.name for path in PLACE.glob("*.service"))
TIMERS = sorted(path.name for path in PLACE.glob("*.timer"))
HELD = ("NoNewPrivileges=yes", "CapabilityBoundingSet=", "ProtectSystem=strict", "PrivateTmp=yes", "ProtectHome=yes",
        "User=tankdrift", "UMask=0027", "RestrictSUIDSGID=yes", "SystemCallFilter=@system-service")  # fmt: skip


def _instructions():
    """Each of the Containerfile with its words, stage by stage."""
    text = (PLACE / "Containerfile").read_text()
    lines = re.sub(r"^#.*\n", "", text, flags=re.MULTILINE).replace("\\\n", " ").splitlines()
    stages = [[]]
    for line in filter(str.strip, lines):
        name, _, rest = line.partition(" ")
        if name == "FROM":
            stages.append([])
        stages[-1].append((name, rest.strip()))
    return stages


def _of(stage, name):
    return [rest for one, rest in stage if one == name]


def _assert_a_command(words):
    """The command line takes the words, as a shell would hand them over."""
    command, *arguments = words
    assert command in {script.name for script in entry_points(group="console_scripts")}, words
    if command == "tankdrift":
        assert callable(_parser().parse_args(arguments).command), words


def test_the_containerfile_names_what_there_is_and_no_place_of_packages():
    (head, built, last) = _instructions()
    base = _of(head, "ARG")[0].removeprefix("BASE=")
    assert "." not in base.partition(":")[0]  # an image's name, without a registry's host
    assert [one[0][1] for one in (built, last)] == ["${BASE} AS built", "${BASE}"]
    for rest in [*_of(built, "COPY"), *_of(last, "COPY")]:
        *sources, _ = rest.split()
        if sources[0] == "--from=built":
            assert f"python -m venv --without-pip {sources[1]}" in _of(built, "RUN")
        else:
            assert [source for source in sources if not (ROOT / source).exists()] == []
    assert "://" not in str([built, last])
    assert "index-url" not in str([built, last])


def test_packages_come_by_their_hash_and_the_rest_of_them_alone():
    _, built, last = _instructions()
    pip = [rest for rest in _of(built, "RUN") if re.search(r"\bpip (?!/)", rest) and "venv" not in rest]
    assert len(pip) == 3
    assert "--require-hashes" in pip[0]
    assert "--requirement requirements.lock" in pip[0]
    assert all("--no-index --find-links /wheels" in rest for rest in pip[1:])
    assert not any("pip" in rest for rest in _of(last, "RUN"))


def test_the_container_runs_for_a_user_that_is_not_root_and_can_be_read_only():
    _, _, last = _instructions()
    (user,), (env,) = _of(last, "USER"), _of(last, "ENV")
    assert f"--uid {user.split(':')[0]} " in _of(last, "RUN")[0]
    assert int(user.split(":")[0]) >= 1000
    assert last.index(("USER", user)) > max(last.index(("COPY", rest)) for rest in _of(last, "COPY"))
    words = dict(word.split("=", 1) for word in env.split())
    written = {words[name] for name in ("HOME", "TMPDIR", "NUMBA_CACHE_DIR", "PREFECT_HOME")}
    assert all(place.startswith(("/tmp", words["TANKDRIFT_OUT"])) for place in written)
    (health,), (entry,), (command,) = _of(last, "HEALTHCHECK"), _of(last, "ENTRYPOINT"), _of(last, "CMD")
    _assert_a_command(yaml.safe_load(health.split("CMD ")[1]))
    _assert_a_command([*yaml.safe_load(entry), *yaml.safe_load(command)])


@pytest.mark.parametrize("name", UNITS)
def test_a_unit_is_hardened_and_its_command_is_there(name):
    lines = (PLACE / name).read_text().splitlines()
    assert set(HELD) <= set(lines)
    (start,) = [line.removeprefix("ExecStart=/opt/tankdrift/bin/") for line in lines if line.startswith("ExecStart=")]
    _assert_a_command(shlex.split(start))
    (written,) = [line.partition("=")[2].split() for line in lines if line.startswith("ReadWritePaths=")]
    assert set(written) <= {"/srv/tankdrift/lake", "/srv/tankdrift/out"}
    pool = yaml.safe_load((ROOT / "prefect.yaml").read_text())["deployments"][0]["work_pool"]["name"]
    assert "prefect" not in start or shlex.split(start)[-1] == pool


def test_a_timer_is_of_a_unit_that_is_there():
    assert [name.replace(".timer", ".service") for name in TIMERS] == [
        "tankdrift-nightly.service",
        "tankdrift-notify.service",
    ]
    assert {"tankdrift-desk.service", "tankdrift-nightly.service", "tankdrift-notify.service"} < set(UNITS)
    for name in TIMERS:
        text = (PLACE / name).read_text()
        assert name.replace(".timer", ".service") in UNITS
        assert "\nOnCalendar=" in text
        assert "WantedBy=timers.target" in text


def test_the_docs_commands_are_of_what_there_is():
    section = (ROOT / "docs" / "operations.md").read_text().split("## As a service\n")[1].split("\n## ")[0]
    build, run = re.search(r"```sh\n(.*?)```", section, re.DOTALL)[1].replace("\\\n", " ").splitlines()
    words = shlex.split(build)
    assert (ROOT / words[words.index("--file") + 1]).samefile(PLACE / "Containerfile")
    words = shlex.split(run)
    _, _, last = _instructions()
    mounted = [words[n + 1].split(":")[1] for n, word in enumerate(words) if word == "--volume"]
    env = dict(word.split("=", 1) for word in _of(last, "ENV")[0].split())
    assert {env["TANKDRIFT_LAKE"], env["TANKDRIFT_OUT"], f"{_of(last, 'WORKDIR')[0]}/tankdrift.toml"} == set(mounted)
    assert words[words.index("--tmpfs") + 1] == env["HOME"] == env["TMPDIR"]
    _assert_a_command(words[-2:])
    assert set(re.findall(r"`(tankdrift-\w+\.\w+)`", section)) <= {*UNITS, *TIMERS}


SETTINGS = """
min_free_gb = 0.0
stale_after_hours = 1e6
[[sources]]
name = "yard"
kind = "lake"
place = "yard"
"""

SERVED = """
from flows.cli import main
print(main(["nightly"]), main(["run", "lake", "--out", "out"]), main(["backup", "out", "out/b.zip"]), main(["watch"]))
"""


def test_nothing_is_written_but_to_the_lake_the_results_and_the_tmpfs(tmp_path, tmp_path_factory):
    """With the Containerfile's environment, its places moved, and the units' umask: nobody else reads what is made.

    A night, a run through Prefect, a backup, a look.
    """
    _, _, last = _instructions()
    words = dict(word.split("=", 1) for word in _of(last, "ENV")[0].split())
    place, tmp = tmp_path / "srv", tmp_path / "tmp"
    tmp.mkdir()
    write(place / "yard", tiny_lake(days=2))
    (place / "tankdrift.toml").write_text(SETTINGS)
    prefect_begun(tmp_path_factory, place / "out")
    places = {"/srv/tankdrift": str(place), "/tmp": str(tmp)}
    moved = {
        name: re.sub("^(/srv/tankdrift|/tmp)", lambda found: places[found[0]], word)
        for name, word in words.items()
        if name != "PATH"
    }
    log = tmp_path / "written.txt"
    env = {"PATH": os.environ["PATH"], "PYTHONPATH": f"{GUARD}:{ROOT}", "WRITTEN": str(log), **moved}
    for path in ((place / "out"), *(place / "out").rglob("*")):  # what the test made, as the service would have
        path.chmod(0o750 if path.is_dir() else 0o640)
    run = {"cwd": place, "env": env, "umask": 0o027, "capture_output": True, "text": True, "check": True}
    done = subprocess.run([sys.executable, "-c", SERVED], **run)
    assert done.stdout.splitlines()[-1] == "1 0 0 1", (done.stdout, done.stderr)  # the lake's last day is long past
    written = set(log.read_text().splitlines())
    may = tuple(f"{folder}/" for folder in (place / "lake", place / "out", tmp))
    elsewhere = {path for path in written if not f"{path}/".startswith(may)}
    assert elsewhere <= {"/dev/null"}
    for folder in (*may, moved["NUMBA_CACHE_DIR"], moved["PREFECT_HOME"]):
        assert any(path.startswith(folder) for path in written), folder
    assert sorted(path.name for path in place.iterdir()) == ["lake", "out", "tankdrift.toml", "yard"]
    made = [path for folder in ("lake", "out") for path in (place / folder).rglob("*")]
    assert len(made) > 50
    assert [path for path in made if path.stat().st_mode & 0o027] == []
