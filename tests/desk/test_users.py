"""Kind of evidence: contract, published value. Who may come in, and that a thousand tries do not help."""

import io
import re
import shlex

import httpx
import pytest

from flows.cli import main
from pipeline.desk.guard import IDLE_S, MOST_TRIES, TRIES_WITHIN_S, Sessions, Tries
from pipeline.desk.users import hashed, is_password, read_users
from pipeline.errors import ArgumentError
from pipeline.said.record import read
from tests.support.desks import desk, visitor
from tests.support.runs import ROOT

PASSWORD = "twelve dry dips"
PAGE = (ROOT / "docs" / "operations.md").read_text(encoding="utf-8").split("\n## The desk\n")[1].split("\n## ")[0]


@pytest.fixture(scope="module")
def told():
    """The two commands of docs/operations.md for a desk of several people, as words."""
    first, second = re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL)[0].splitlines()
    return shlex.split(first, comments=True), shlex.split(second)


@pytest.fixture(scope="module")
def users(told, tmp_path_factory):
    """By the first command, and the same for a second name."""
    place = tmp_path_factory.mktemp("users") / "users.txt"
    echo, password, pipe, command, name, file, who = told[0]
    assert (echo, password, pipe, command, name, file, who) == (
        "echo", PASSWORD, "|", "tankdrift", "desk-user", "users.txt", "M. Orr"
    )  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        for one, its in ((who, password), ("Ines", f"{PASSWORD} Ines")):
            patch.setattr("sys.stdin", io.StringIO(f"{its}\n"))
            assert main([name, str(place), one]) == 0
    return place


@pytest.fixture(scope="module")
def guarded(told, out, users):
    """By the second command."""
    command, name, _, *options = told[1]
    assert (command, name) == ("tankdrift", "desk")
    with desk(out, *(users if word == "users.txt" else word for word in options)) as address:
        yield address.replace("0.0.0.0", "127.0.0.1")


def test_it_goes_by_the_name_that_it_is_known_as_and_by_no_other(guarded):
    with httpx.Client(base_url=guarded) as client:
        for host, code in (("desk.example.org", 200), ("desk.example.net", 400)):
            assert client.get("/sign-in", headers={"Host": host}).status_code == code


def sign_in(client, form, name="Ines", password=f"{PASSWORD} Ines"):
    return client.post("/sign-in", data=form | {"name": name, "password": password})


def test_every_test_that_the_table_of_risks_names_is_there():
    named = re.findall(r"`(test_\w+)`", PAGE)
    code = "".join(
        path.read_text() for folder in ("desk", "said") for path in (ROOT / "tests" / folder).glob("test_*.py")
    )
    assert len(named) > 10
    assert [name for name in named if f"def {name}(" not in code] == []


def test_scrypt_gives_what_rfc_7914_gives():
    """RFC 7914, section 12, the vector of N = 16384, r = 8, p = 1; its first 32 bytes are those of a shorter key."""
    kept = hashed("pleaseletmein", salt=b"SodiumChloride", cost=(16384, 8, 1))
    assert kept.endswith(":7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")


def test_passwords_are_kept_hashed_and_for_their_owner_alone(users):
    text = users.read_text()
    assert PASSWORD not in text
    assert users.stat().st_mode & 0o077 == 0
    known = read_users(users)
    assert list(known) == ["M. Orr", "Ines"]
    assert is_password(known, "Ines", f"{PASSWORD} Ines")
    assert not is_password(known, "Ines", PASSWORD)
    assert not is_password(known, "nobody", f"{PASSWORD} Ines")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "there is nobody in it"),
        ("Ines\tsecret\n", "line 1: no name and hash"),
        ("Ines\n", "line 1"),
        ("\t1:1:1:00:00\n", "line 1"),
    ],
)
def test_a_file_of_names_that_cannot_be_used_is_one_line(tmp_path, text, says):
    place = tmp_path / "users.txt"
    place.write_text(text)
    with pytest.raises(ArgumentError, match=says):
        read_users(place)


@pytest.mark.parametrize(
    ("name", "password", "says"), [("Ines", "short", "needs 12"), ("a\tb", PASSWORD, "is no name")]
)
def test_a_name_or_password_that_will_not_do_is_refused(tmp_path, monkeypatch, capsys, name, password, says):
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{password}\n"))
    assert main(["desk-user", str(tmp_path / "users.txt"), name]) == 2
    assert says in capsys.readouterr().err
    assert not (tmp_path / "users.txt").exists()


def test_nobody_sees_or_says_anything_before_he_has_signed_in(guarded, frames, out):
    case_id, tank_id = frames["cases"].row(0, named=True)["case_id"], frames["tanks"]["tank_id"][0]
    with visitor(guarded, "sign-in") as (client, form):
        for page in ("", "index.html", f"tanks/{tank_id}.html"):
            told = client.get(f"/{page}")
            assert (told.status_code, told.headers["location"], told.text) == (303, "/sign-in", "")
        told = client.post("/say", data=form | {"kind": "note", "case": case_id, "note": "x"})
        assert told.status_code == 403
        assert tank_id not in client.get("/sign-in").text
    assert read(out).is_empty()


def test_who_has_signed_in_says_it_under_his_own_name_until_he_signs_out(guarded, frames, out):
    case_id = frames["cases"].row(0, named=True)["case_id"]
    with visitor(guarded, "sign-in") as (client, form):
        before = client.cookies["tankdrift_desk"]
        assert sign_in(client, form).headers["location"] == "/index.html"
        assert client.cookies["tankdrift_desk"] != before
        page = client.get("/index.html").text
        token = {"token": page.split('name="token" value="')[1].split('"')[0]}
        assert client.post("/say", data=form | {"kind": "note", "case": case_id, "note": "x"}).status_code == 403
        said = token | {"kind": "note", "case": case_id, "note": "x", "who": "M. Orr"}
        assert client.post("/say", data=said).status_code == 303
        assert read(out)["who"].to_list() == ["Ines"]
        old = client.cookies["tankdrift_desk"]
        assert client.post("/sign-out", data=token).headers["location"] == "/"
        assert client.get("/index.html", headers={"Cookie": f"tankdrift_desk={old}"}).status_code == 303
    log = (out / "desk.log").read_text()
    assert '"did": "signed in"' in log and '"did": "signed out"' in log
    assert PASSWORD not in log


def test_a_password_is_not_tried_a_thousand_times(guarded):
    """After ten wrong ones the right one does not open either, and none costs the work of a hash."""
    with visitor(guarded, "sign-in") as (client, form):
        codes = [sign_in(client, form, password=f"wrong {number}").status_code for number in range(MOST_TRIES)]
        assert codes == [403] * MOST_TRIES
        told = sign_in(client, form)
        assert told.status_code == 429
        assert "Too many tries" in told.text
        assert {sign_in(client, form, password=f"wrong {n}").status_code for n in range(50)} == {429}


def test_a_form_for_signing_in_that_another_page_made_is_refused(guarded):
    with httpx.Client(base_url=guarded, headers={"Origin": "http://evil.example"}) as client:
        told = client.post("/sign-in", data={"name": "Ines", "password": f"{PASSWORD} Ines", "token": "x"})
    assert (told.status_code, "set-cookie" in told.headers) == (403, False)


def test_tries_are_forgotten_after_a_while_and_counted_by_name_and_by_address():
    tries = Tries()
    for number in range(MOST_TRIES):
        assert not tries.is_over(["name Ines"], float(number))
        tries.add(["name Ines", f"from {number}"], float(number))
    assert tries.is_over(["name Ines", "from elsewhere"], 10.0)
    assert not tries.is_over(["name M. Orr", "from 3"], 10.0)
    assert not tries.is_over(["name Ines"], TRIES_WITHIN_S + 0.5)


def test_a_session_ends_when_nobody_uses_it():
    sessions = Sessions()
    word = sessions.begin("Ines", 0.0)
    assert sessions.who(word, IDLE_S - 1.0) == "Ines"
    assert sessions.who(word, 2 * IDLE_S - 2.0) == "Ines"
    assert sessions.who(word, 3 * IDLE_S) is None
    assert sessions.who(None, 0.0) is None
    assert not Sessions().is_token(word, sessions.token(word))
    assert sessions.is_token(word, sessions.token(word))
