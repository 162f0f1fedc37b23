"""Kind of evidence: contract. What does not come from the desk's own pages, or cannot be said, writes nothing."""

import json
import threading

import polars as pl
import pytest
from filelock import FileLock

from flows.cli import main
from pipeline.contract.dictionary import ALL_TABLES, polars_schema
from pipeline.said.record import newest, read
from pipeline.stages import Run, publish
from pipeline.store import SNAPSHOT, open_store
from tests.desk.conftest import DAYS
from tests.support.desks import visitor
from tests.support.published import publish_frames
from tests.support.runs import tankdrift_here


@pytest.fixture(scope="module")
def case_id(frames):
    return frames["cases"].filter(cause="tank_leak")["case_id"][0]


@pytest.fixture
def kept(out):
    """Nothing may be written."""
    before = newest(out)
    yield
    assert newest(out) == before


def note(case_id, text="seen"):
    return {"kind": "note", "case": case_id, "note": text}


@pytest.mark.parametrize(
    ("headers", "changes"),
    [
        ({"Origin": "http://evil.example"}, {}),
        ({"Origin": "null"}, {}),
        ({"Origin": ""}, {}),
        ({"Sec-Fetch-Site": "cross-site"}, {}),
        ({"Sec-Fetch-Site": "same-site"}, {}),
        ({"Cookie": "tankdrift_desk=another"}, {}),
        ({}, {"token": ""}),
        ({}, {"token": "é"}),
        ({"Content-Type": "text/plain"}, {}),
    ],
)
def test_what_no_page_of_the_desk_has_sent_is_refused(address, kept, case_id, headers, changes):
    with visitor(address) as (client, form):
        told = client.post("/say", data=form | note(case_id) | changes, headers=headers)
    assert told.status_code == (415 if "Content-Type" in headers else 403)
    assert told.text.startswith("That did not come from a page of this desk")
    assert "\n" not in told.text


def test_another_name_that_leads_here_gets_nothing(address, kept, case_id):
    port = address.rpartition(":")[2]
    with visitor(address) as (client, form):
        for host in (f"evil.example:{port}", "127.0.0.1", f"127.0.0.1:{int(port) + 1}"):
            told = client.get("/index.html", headers={"Host": host})
            assert (told.status_code, told.text) == (400, "This desk does not go by that name.")
            rebound = {"Host": host, "Origin": f"http://{host}"}
            assert client.post("/say", data=form | note(case_id), headers=rebound).status_code == 400
        assert client.get("/index.html", headers={"Host": f"localhost:{port}"}).status_code == 200


@pytest.mark.parametrize(
    ("changes", "status", "says"),
    [
        ({"case": "c-gone-000"}, 404, "There is no case c-gone-000 any more"),
        ({"case": "../../etc"}, 404, "There is no case ../../etc any more"),
        ({"note": "x" * 20_001}, 400, "the note has 20,001 bytes; it may have 20,000"),
        ({"note": "<script>alert(1)</script>" * 4_000}, 413, "more than the 20,000 bytes that a text may have here"),
        ({"note": " "}, 400, "the note is empty"),
        ({"kind": "shout"}, 400, "&#39;shout&#39; cannot be said of a case"),
        ({"kind": "taken", "owner": "Ines", "due": "soon"}, 400, "&#39;soon&#39; is not a day"),
        ({"kind": "closed", "verdict": "confirmed", "litres": "12,5"}, 400, "&#39;12,5&#39; is not a number"),
        ({"kind": "closed", "verdict": "confirmed", "litres": "nan"}, 400, "nan cannot be litres"),
        ({"kind": "closed"}, 400, "a case is closed with a verdict"),
        ({"page": "//evil.example", "note": " "}, 400, 'href="index.html"'),
    ],
)
def test_what_cannot_be_said_is_one_clear_answer(address, kept, case_id, changes, status, says):
    with visitor(address) as (client, form):
        told = client.post("/say", data=form | note(case_id) | changes)
    assert told.status_code == status
    assert says in told.text
    assert told.text.count('id="told"') == 1


def test_a_note_of_the_longest_in_letters_that_take_the_most_room_is_kept(address, out, case_id):
    long = "ü" * 10_000
    with visitor(address) as (client, form):
        assert client.post("/say", data=form | note(case_id, long)).status_code == 303
    assert read(out)["note"][-1] == long


def test_a_saying_leads_back_to_its_page_and_to_no_other_place(address, case_id):
    with visitor(address) as (client, form):
        places = [
            client.post("/say", data=form | note(case_id) | {"page": page}).headers["location"]
            for page in ("tanks/S02-T1.html", "//evil.example", "https://evil.example")
        ]
    assert places == [f"/tanks/S02-T1.html#case-{case_id}"] * 3


def test_two_closings_at_once_lose_nothing_while_a_night_has_the_store(address, out, case_id):
    before = newest(out)
    codes = []

    def close(verdict):
        with visitor(address) as (client, form):
            for number in range(5):
                said = {"kind": "closed", "case": case_id, "verdict": verdict, "note": f"{verdict} {number}"}
                codes.append(client.post("/say", data=form | said).status_code)

    with open_store(out), FileLock(out / ".tankdrift.lock"):
        both = [threading.Thread(target=close, args=(verdict,)) for verdict in ("confirmed", "ruled_out")]
        for one in both:
            one.start()
        for one in both:
            one.join()
    assert codes == [303] * 10
    said = read(out).tail(10)
    assert said["seq"].to_list() == list(range(before + 1, before + 11))
    for verdict in ("confirmed", "ruled_out"):
        assert said.filter(verdict=verdict)["note"].to_list() == [f"{verdict} {number}" for number in range(5)]
    with visitor(address) as (client, _):
        page = client.get("/tanks/S02-T1.html").text
    assert all(f"{verdict} {number}" in page for verdict in ("confirmed", "ruled_out") for number in range(5))


def test_pages_bring_their_policy_and_who_did_what_is_written_down(address, out, case_id):
    with visitor(address) as (client, form):
        page = client.get("/index.html")
        client.post("/say", data=form | note(case_id, "a secret remark"))
        assert client.get("/../tankdrift.duckdb").status_code == 404
        assert client.get("/tankdrift.duckdb").status_code == 404
        assert client.get("/assets/..%2Fsite.py").status_code == 404
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "form-action 'self'" in policy
    assert "unsafe-inline" not in policy and "unsafe-eval" not in policy
    assert page.headers["x-content-type-options"] == "nosniff"
    assert "httponly" in page.headers.get("set-cookie", "HttpOnly").casefold()
    log = (out / "desk.log").read_text(encoding="utf-8")
    lines = [json.loads(line) for line in log.splitlines()]
    (said,) = [one for one in lines[-6:] if one["asked"] == "POST /say"]
    assert (said["who"], said["status"], said["did"]) == ("M. Orr", 303, f"note {case_id}")
    assert "a secret remark" not in log


# -- Before it is up ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--host", "0.0.0.0"], "others could reach the desk there; say who may sign in with --users FILE"),
        (["--host", "elsewhere"], "--host elsewhere: expected an address, such as 127.0.0.1"),
        (["--sign-on", "X User"], "expected the name of a header, such as X-Forwarded-User"),
        (["--sign-on", "X-User", "--proxy", "there"], "--proxy there: expected an address"),
        (["--sign-on", "X-User", "--users", "users.txt"], "people sign in at the one or at the other"),
        (["--proxy", "10.0.0.9"], "say with --sign-on in which header it names who asks"),
        (["--port", "99999"], "a number from 0 to 65535"),
        (["--host", "::1", "--port", "-1"], "a number from 0 to 65535"),
        (["--users", "nosuch.txt"], "nosuch.txt: No such file"),
    ],
)
def test_a_desk_that_cannot_be_is_one_line(out, capsys, monkeypatch, arguments, says):
    monkeypatch.chdir(out)
    assert main(["desk", str(out), *arguments]) == 2
    err = capsys.readouterr().err
    assert says in err and err.count("\n") == 1


def test_a_user_without_a_name_is_asked_for_one(out, capsys, monkeypatch):
    """As in a container that is given a user by number."""
    for name in ("LOGNAME", "USER", "LNAME", "USERNAME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("os.getuid", lambda: 54_321)
    assert main(["desk", str(out), "--port", "0"]) == 2
    err = capsys.readouterr().err
    assert "this machine's user has no name; say who sits at the desk with --name" in err and err.count("\n") == 1


def test_a_folder_that_nothing_was_published_in_is_one_line(tmp_path, capsys):
    assert main(["desk", str(tmp_path)]) == 2
    assert "nothing was published here yet" in capsys.readouterr().err


def test_a_run_that_an_earlier_version_published_is_one_line_and_is_published_again(tmp_path, frames, capsys):
    with open_store(tmp_path) as store:
        store.replace("sites", polars_schema(ALL_TABLES["sites"]).to_frame())
        store.copy_to(tmp_path / SNAPSHOT, ["sites"], {})
    assert main(["desk", str(tmp_path)]) == 2
    assert "an earlier version published what is here" in capsys.readouterr().err
    publish_frames(tmp_path, frames, days=DAYS)
    with open_store(tmp_path) as store:
        kept = {name: value for name, value in store.remembered().items() if name != "said"}
        store.replace("_state", pl.DataFrame({"name": list(kept), "value": list(kept.values())}))
    before = (tmp_path / SNAPSHOT).stat().st_ino
    publish(Run(tmp_path / "lake", tmp_path))
    assert (tmp_path / SNAPSHOT).stat().st_ino != before


def test_verdicts_of_the_command_line_are_at_the_desk_and_the_other_way_round(address, out, case_id):
    """One record: `label` closes a case while the desk is up, which shows it; what the desk said is a label."""
    done = tankdrift_here(
        "label", out, case_id, "--verdict", "ruled_out", "--who", "Ines", "--note", "by the pump test"
    )
    assert (done.returncode, done.stdout) == (0, f"labels: {out / 'labels.parquet'}\n"), done.stderr
    with visitor(address) as (client, _):
        assert "by the pump test" in client.get("/tanks/S02-T1.html").text


def test_a_case_that_the_next_night_no_longer_raises_is_gone(address, out, frames, case_id):
    """The desk is open in a browser while a run is published. It stands last: the run has other cases from here on."""
    before = newest(out)
    with visitor(address, "tanks/S02-T1.html") as (client, form):
        without = frames["cases"].filter(cause="bulk_theft")
        publish_frames(out, {**frames, "cases": without}, days=DAYS, night=2)
        told = client.post("/say", data=form | note(case_id))
    assert (told.status_code, newest(out)) == (404, before)
    assert f"There is no case {case_id} any more: a later run does not raise it." in told.text
