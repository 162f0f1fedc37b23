"""A run's folder in one file, and back. Evidence: contract, known truth by construction."""

import hashlib
import json
import resource
import shutil
import stat
import threading
import zipfile
from datetime import UTC, date, datetime

import duckdb
import pytest
from filelock import FileLock

from flows.cli_desk import LOG_FILE
from pipeline.said.files import FOLDER as FILES
from pipeline.said.files import keep_file
from pipeline.said.record import read, say
from pipeline.said.sayings import SCHEMA
from pipeline.store import FILE
from pipeline.store_layout import LAYOUT
from tests.support.lakes import tiny_lake, write
from tests.support.runs import tankdrift_here, unlike

NOTE = dict.fromkeys(SCHEMA) | {"kind": "note", "case_id": "C", "who": "M. Orr", "note": "Überlauf?"}
CLOSED = dict.fromkeys(SCHEMA) | {
    "kind": "closed", "cause": "tank_leak", "verdict": "confirmed", "site_id": "S1", "tank_id": "T1", "who": "Ines",
    "ts_start": datetime(2024, 3, 29, tzinfo=UTC), "learned_on": date(2024, 3, 30), "litres": -9.0,
}  # fmt: skip
PAPER = b"%PDF-1.7\n% a paper"
BESIDE = {"notices.json": "{}", "night.json": '{"at": "2024-03-31T03:30:00+00:00"}', LOG_FILE: "{}\n{}\n"}
REMADE = {"report", "snapshot.duckdb", "cases.parquet", "kept_days", ".tankdrift.lock", "tankdrift-mistake-1.json"}
"""What lies in the folder, and is made again, or is none of what is to be kept."""


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A lake, a run over it, what people said, and what nights leave beside; `users.txt` lies elsewhere."""
    place = tmp_path_factory.mktemp("backup")
    out = place / "out"
    assert tankdrift_here("run", write(place / "lake", tiny_lake(days=2)), "--out", out, "--direct").returncode == 0
    for row in (NOTE, CLOSED):
        say(out, row, now=datetime(2024, 4, 1, tzinfo=UTC))
    seen = {"kind": "file", "case_id": "C", "file": keep_file(out, PAPER), "file_name": "tested tight.pdf"}
    say(out, NOTE | seen, now=datetime(2024, 4, 2, tzinfo=UTC))
    (out / FILES / "notes.txt").write_text("not ours")
    for name, text in BESIDE.items():
        (out / name).write_text(text)
    (out / "kept_days").mkdir()
    (out / "kept_days" / "1.parquet").write_text("made again")
    (out / "tankdrift-mistake-1.json").write_text("{}")
    (place / "users.txt").write_text("Ines\tas desk-user writes it\n")
    done = tankdrift_here("backup", out, place / "b.zip", "--users", place / "users.txt")
    assert done.returncode == 0, done.stderr
    assert "3 sayings of people among them" in done.stdout
    return place


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A backup of a folder in which people spoke and no store is left."""
    place = tmp_path_factory.mktemp("small")
    (place / "out").mkdir()
    for row in (NOTE, CLOSED):
        say(place / "out", row, now=datetime(2024, 4, 1, tzinfo=UTC))
    (place / "out" / LOG_FILE).write_text('{"path": "/index.html"}\n' * 40)
    assert tankdrift_here("backup", place / "out", place / "b.zip").returncode == 0
    return place / "b.zip"


def _files(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _refused(*arguments, says, code=2):
    done = tankdrift_here(*arguments)
    assert (done.returncode, done.stdout) == (code, ""), done.stderr
    assert done.stderr.count("\n") == 1 and done.stderr.startswith("tankdrift: "), done.stderr
    assert says in done.stderr


def test_what_is_restored_is_what_was_kept_and_the_next_run_gives_the_rest(place):
    out, again = place / "out", place / "again"
    done = tankdrift_here("restore", place / "b.zip", again)
    assert done.returncode == 0, done.stderr
    before, found = _files(out), _files(again)
    assert {path.name for path in out.iterdir()} - {path.name for path in again.iterdir()} > REMADE
    assert stat.S_IMODE((place / "b.zip").stat().st_mode) == 0o600
    users = found.pop("users.txt")
    assert users == (place / "users.txt").read_bytes()
    assert stat.S_IMODE((again / "users.txt").stat().st_mode) == 0o600
    paper = f"{FILES}/{hashlib.sha256(PAPER).hexdigest()}.pdf"
    assert {FILE, "labels.parquet", "since.json", *BESIDE, paper} < found.keys()
    assert f"{FILES}/notes.txt" not in found and stat.S_IMODE((again / paper).stat().st_mode) == 0o600
    assert {stat.S_IMODE(one.stat().st_mode) for one in (again / FILES).parents if one.name == "said"} == {0o700}
    assert found == {name: before[name] for name in found}
    assert len(read(again)) == 3 and read(again).equals(read(out))
    for folder in (out, again):
        assert tankdrift_here("run", place / "lake", "--out", folder, "--direct").returncode == 0
    assert unlike(out, again) == []
    assert "keeps the contract" in tankdrift_here("check", again).stdout


def test_what_a_killed_run_had_yet_to_write_is_kept(tmp_path):
    out, again = tmp_path / "out", tmp_path / "again"
    out.mkdir()
    with duckdb.connect(out / FILE) as store:
        store.execute("create table _state (name varchar not null, value varchar not null)")
    with duckdb.connect(out / FILE) as store:
        store.execute("pragma disable_checkpoint_on_shutdown")
        store.execute("insert into _state values ('lake', '/srv/yard')")
    assert (out / f"{FILE}.wal").is_file()
    assert tankdrift_here("backup", out, tmp_path / "b.zip").returncode == 0
    assert tankdrift_here("restore", tmp_path / "b.zip", again).returncode == 0
    with duckdb.connect(again / FILE) as store:
        assert store.table("_state").fetchall() == [("lake", "/srv/yard")]


def test_nothing_is_written_over_and_nothing_is_no_backup(place, tmp_path):
    out, file = place / "out", place / "b.zip"
    before = file.read_bytes()
    _refused("backup", out, file, says="no backup is written over")
    _refused("backup", tmp_path, tmp_path / "n.zip", says="nothing of a run here")
    _refused("backup", tmp_path / "nowhere", tmp_path / "n.zip", says="nothing of a run here")
    _refused("backup", out, tmp_path / "n.zip", "--users", tmp_path / "nobody.txt", says="nobody.txt: No such file")
    _refused("restore", file, out, says="nothing is restored over it")
    _refused("restore", file, place / "users.txt", says="nothing is restored over it")
    _refused("restore", tmp_path / "none.zip", tmp_path / "o", says="none.zip: No such file")
    assert file.read_bytes() == before
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "empty").mkdir()
    assert tankdrift_here("restore", file, tmp_path / "empty").returncode == 0


def test_a_backup_waits_for_a_run_or_says_that_one_is_at_work(place, tmp_path):
    lock = FileLock(place / "out" / ".tankdrift.lock", thread_local=False)
    lock.acquire()
    try:
        _refused("backup", place / "out", tmp_path / "b.zip", says="another run is at work here")
        threading.Timer(0.3, lock.release).start()
        done = tankdrift_here("backup", place / "out", tmp_path / "b.zip", "--wait", "60")
    finally:
        lock.release()
    assert done.returncode == 0
    assert "waiting up to 60 s" in done.stderr


def test_what_could_not_be_read_again_is_not_kept(tmp_path):
    out = tmp_path / "out"
    (out / "said").mkdir(parents=True)
    (out / "said" / "00000000.json").write_text("{")
    _refused("backup", out, tmp_path / "b.zip", says="00000000.json: this is not a saying as it was written")
    (out / FILE).write_text("not a database " * 1000)
    _refused("backup", out, tmp_path / "b.zip", says="this is not a store of tankdrift, or it is damaged")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_file_that_is_cut_or_altered_is_one_line_and_leaves_nothing(small, tmp_path):
    """Cut at, or another bit in, each of many places; one that says nothing of what is kept may be another: a time."""
    whole = small.read_bytes()
    assert tankdrift_here("restore", small, tmp_path / "good").returncode == 0
    good = _files(tmp_path / "good")
    file, out = tmp_path / "b.zip", tmp_path / "o"
    for length in range(0, len(whole), 97):
        file.write_bytes(whole[:length])
        _refused("restore", file, out, says="b.zip: this is no backup of tankdrift, or it is torn or altered")
    places = range(0, len(whole), 7)
    refused = 0
    for at in places:
        file.write_bytes(whole[:at] + bytes([whole[at] ^ 0x5A]) + whole[at + 1 :])
        done = tankdrift_here("restore", file, out)
        if done.returncode == 0:
            assert _files(out) == good, at
            shutil.rmtree(out)
            continue
        refused += 1
        assert (done.returncode, done.stderr.count("\n")) == (2, 1), (at, done.stderr)
        assert "b.zip: this" in done.stderr and "altered" in done.stderr, (at, done.stderr)
        assert not out.exists()
    assert refused > 0.7 * len(places)
    assert {path.name for path in tmp_path.iterdir()} == {"good", "b.zip"}


def _made_of(file, small, change, **more):
    """The good backup with another table of contents, and with more files."""
    with zipfile.ZipFile(small) as good, zipfile.ZipFile(file, "w") as made:
        about = json.loads(good.read("backup.json"))
        for name in about["files"]:
            made.writestr(name, good.read(name))
        change(about)
        for name, text in more.items():
            made.writestr(name, text)
        made.writestr("backup.json", json.dumps(about))
    return file


def _changed(**values):
    return lambda about: about.update(values)


def test_a_file_of_a_later_version_or_with_others_files_is_one_line(small, tmp_path):
    file, out = tmp_path / "b.zip", tmp_path / "o"
    for later in ({"format": 2}, {"layout": LAYOUT + 1}):
        _made_of(file, small, _changed(**later, tankdrift="9.1"))
        _refused("restore", file, out, says="a later tankdrift made it, 9.1; restore it with that")
    stranger = {"sha256": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", "bytes": 0}
    for name in ("../evil", "/evil", "said/../evil.json", "evil"):
        _made_of(file, small, lambda about, name=name: about["files"].update({name: stranger}), **{name: ""})
        _refused("restore", file, out, says="it holds other files than were put into it")
    _made_of(file, small, lambda about: about["files"][LOG_FILE].update(bytes=1))
    _refused("restore", file, out, says=f"{LOG_FILE} is not as it was put into it")
    _made_of(file, small, lambda about: None)
    assert tankdrift_here("restore", file, out).returncode == 0
    assert not (tmp_path / "evil").exists()


def test_a_full_disk_is_one_line_and_leaves_nothing(place, tmp_path):
    """A real limit of the operating system on the size of files stands for the full disk, for as long as it is full."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        _refused("backup", place / "out", tmp_path / "n.zip", says=f"{tmp_path / 'n.zip'}: File too large")
        _refused("restore", place / "b.zip", tmp_path / "o", says=f"{tmp_path / 'o'}: File too large")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []
