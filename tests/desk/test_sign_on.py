"""A company's own sign-on, and who may read alone. Kind of evidence: contract, on a desk that runs."""

import io

import httpx
import pytest

from flows.cli import main
from pipeline.desk.guard import LONGEST_NAME, SignOn
from pipeline.report.said_text import NOT_SIGNED_ON, READS_ONLY
from pipeline.said.record import read
from tests.support.desks import desk

HEADER = "X-Forwarded-User"
INES = {HEADER: "Ines"}


@pytest.fixture(scope="module")
def case(frames):
    return frames["cases"].row(0, named=True)


def token_of(html: str) -> dict[str, str]:
    return {"token": html.split('name="token" value="')[1].split('"')[0]}


@pytest.fixture(scope="module")
def behind_a_proxy(out):
    with desk(out, "--sign-on", HEADER) as address:
        yield address


def test_who_the_proxy_names_reads_and_says_under_that_name(behind_a_proxy, out, case):
    with httpx.Client(base_url=behind_a_proxy, headers={"Origin": behind_a_proxy} | INES) as client:
        page = client.get("/index.html")
        assert page.status_code == 200 and "Ines" in page.text and "Sign out" not in page.text
        note = {"kind": "note", "case": case["case_id"], "note": "seen", "who": "M. Orr"}
        assert client.post("/say", data=token_of(page.text) | note).status_code == 303
    assert read(out)["who"].to_list()[-1:] == ["Ines"]


@pytest.mark.parametrize("named", [{}, {HEADER: ""}, {HEADER: "x" * (LONGEST_NAME + 1)}, {HEADER: "a\tb"}])
def test_who_is_not_named_sees_and_says_nothing(behind_a_proxy, case, named):
    with httpx.Client(base_url=behind_a_proxy, headers={"Origin": behind_a_proxy}) as client:
        for path in ("/", "/index.html", "/sign-in"):
            told = client.get(path, headers=named)
            assert (told.status_code, told.text) == (403, NOT_SIGNED_ON)
        page = client.get("/index.html", headers=INES).text
        note = token_of(page) | {"kind": "note", "case": case["case_id"], "note": "x"}
        assert client.post("/say", data=note, headers=named).status_code == 403


def test_another_than_the_proxy_names_nobody(out):
    """The desk asks who sent the header, not what else it says of itself."""
    with desk(out, "--sign-on", HEADER, "--proxy", "192.0.2.7") as address, httpx.Client(base_url=address) as client:
        told = client.get("/index.html", headers=INES | {"X-Forwarded-For": "192.0.2.7"})
    assert (told.status_code, told.text) == (403, NOT_SIGNED_ON)
    sign_on = SignOn(HEADER, frozenset({"192.0.2.7"}))
    assert sign_on.who(INES, "192.0.2.7") == "Ines"
    assert sign_on.who(INES, None) is None


def test_who_may_read_has_no_forms_and_says_nothing(out, case, tmp_path, monkeypatch, capsys):
    users = tmp_path / "users.txt"
    for name, more in (("Piet", ["--reads"]), ("Ines", [])):
        monkeypatch.setattr("sys.stdin", io.StringIO(f"twelve dry dips {name}\n"))
        assert main(["desk-user", str(users), name, *more]) == 0
    assert capsys.readouterr().out.splitlines() == [
        f"{users}: Piet may sign in, read, and say nothing",
        f"{users}: Ines may sign in",
    ]
    before = read(out).height
    with desk(out, "--users", users) as address:
        for name, forms, code in (("Piet", 0, 403), ("Ines", 1, 303)):
            with httpx.Client(base_url=address, headers={"Origin": address}) as client:
                form = token_of(client.get("/sign-in").text)
                told = client.post("/sign-in", data=form | {"name": name, "password": f"twelve dry dips {name}"})
                assert told.status_code == 303
                page = client.get(f"/tanks/{case['tank_id']}.html").text
                assert ('action="../say"' in page) == bool(forms)
                note = {"kind": "note", "case": case["case_id"], "note": "x"}
                told = client.post("/say", data=token_of(page) | note)
                assert told.status_code == code
                assert (READS_ONLY in told.text) == (name == "Piet")
    assert read(out).height == before + 1
