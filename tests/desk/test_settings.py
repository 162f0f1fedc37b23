"""Settings at the desk. Kind of evidence: contract, on a desk that runs, and what a night reads afterwards."""

import io
import json
import re
import shlex
import threading
from functools import partial
from html import unescape

import pytest

from flows.cli import main
from pipeline.desk.asked import Desk
from pipeline.desk.book import Book
from pipeline.desk.settings_file import CHANGEABLE, SettingsFile, is_changeable
from pipeline.desk.users import read_users
from pipeline.desk.veil import unveiled, veiled
from pipeline.errors import ArgumentError
from pipeline.settings_reference import run_words
from pipeline.sources.config import Operations, read_operations
from tests.desk.test_morning import at_the_desk
from tests.support.browser import follow
from tests.support.desks import desk, desk_here, visitor
from tests.support.runs import ROOT

PAGE = (ROOT / "docs" / "operations.md").read_text(encoding="utf-8").split("\n## The desk\n")[1].split("\n## ")[0]
TEXT = """\
# Nights of the north; ask Ines.
lake = "lake"
out = "{out}"
stale_after_hours = 26           # a tank that says nothing for longer

[run]
max_quarantine_pct = 5.0

[[sources]]
name = "tills"
kind = "files"
place = "/srv/tills"
[sources.tables.sales]
pattern = "sales-*.csv"
timezone = "Europe/Berlin"

[[sources]]
name = "historian"
kind = "sql"
driver = "postgresql"
address = "env:HISTORIAN"
[sources.tables.readings]
table = "plant.values"
layout = "narrow"
time_column = "at"

[[notices.to]]
role = "operations"
url = "env:MAIL_OPERATIONS"
"""


@pytest.fixture(scope="module")
def place(out, tmp_path_factory):
    path = tmp_path_factory.mktemp("settings") / "tankdrift.toml"
    path.write_text(TEXT.format(out=out), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def desk_of_it(out, place):
    """By the command of the docs."""
    (line,) = [one for one in re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL) if "--config" in one]
    command, name, folder, *options = shlex.split(line)
    assert (command, name, folder) == ("tankdrift", "desk", "out")
    with desk(out, *(place if word == "tankdrift.toml" else word for word in options)) as address:
        yield address


@pytest.fixture
def file(out, place):
    """The settings as they were at first."""
    place.write_text(TEXT.format(out=out), encoding="utf-8")
    place.chmod(0o640)
    return place


@pytest.fixture
def set_desk(desk_of_it, file):
    return desk_of_it


def own_desk(book, host, **more):
    return Desk(book, {host}, "M. Orr", **more)


def page_of(client):
    html = client.get("/settings").text
    base = html.split('name="base" value="')[1].split('"')[0]
    text = unescape(html.split("<textarea")[1].split(">\n", 1)[1].split("</textarea>")[0])
    return html, {"base": base}, text


def row_of(html, key):
    row = re.search(rf'<tr data-key="{re.escape(key)}">(.*?)</tr>', html).group(1)
    return [
        unescape(re.sub("<[^>]+>", "", cell)).replace("\u202f", " ") for cell in re.findall("<t[hd].*?</t[hd]>", row)
    ]


def test_every_setting_is_shown_with_its_value_its_default_its_words_and_where_it_is_from(set_desk, file):
    with visitor(set_desk) as (client, _):
        html, _, text = page_of(client)
    assert text == file.read_text()
    assert row_of(html, "stale_after_hours") == [
        "stale_after_hours ✎", "26 h", "26", "the file",
        "A tank or a site's till that says nothing for longer is stale.",
    ]  # fmt: skip
    assert row_of(html, "run.max_quarantine_pct")[1:4] == ["5 %", "100", "the file"]
    assert row_of(html, "run.max_ahead_hours")[1:4] == ["24 h", "24", "default"]
    assert row_of(html, "sources.historian.address")[:2] == ["address", '"env:HISTORIAN"']
    assert row_of(html, "sources.tills.tables.sales.timezone")[1:4] == ['"Europe/Berlin"', '"UTC"', "the file"]
    assert row_of(html, "notices.to.operations.loud")[1:4] == ['["act_now"]', '["act_now"]', "default"]
    shown = set(re.findall(r'<tr data-key="([^"]+)"', html))
    head = {name for name in Operations.model_fields if name not in ("run", "sources", "watch", "notices")}
    assert head | {f"run.{name}" for name in run_words()} <= shown


def test_a_change_is_kept_with_its_remarks_and_the_night_goes_by_it(set_desk, file, out):
    before = file.read_text()
    after = before.replace("stale_after_hours = 26 ", "stale_after_hours = 4 ").replace("ask Ines", "ask Piet")
    with visitor(set_desk) as (client, form):
        _, base, _ = page_of(client)
        told = client.post("/settings", data=form | base | {"text": after.replace("\n", "\r\n")})
        assert (told.status_code, told.headers["location"]) == (303, "/settings")
        assert row_of(client.get("/settings").text, "stale_after_hours")[1:4] == ["4 h", "26", "the file"]
    assert file.read_text() == after
    assert read_operations(file).stale_after_hours == 4.0
    assert file.stat().st_mode & 0o777 == 0o640
    assert sorted(p.name for p in file.parent.iterdir() if p.suffix == ".new") == []
    line = json.loads((out / "desk.log").read_text().splitlines()[-2])
    assert (line["who"], line["asked"], line["did"]) == (
        "M. Orr", "POST /settings", "settings: stale_after_hours: 26 -> 4"
    )  # fmt: skip


def test_a_setting_is_changed_in_a_browser(browser, set_desk, file):
    with at_the_desk(browser, set_desk) as page:
        follow(page.get_by_role("link", name="Settings"))
        text = page.locator("textarea")
        text.fill(text.input_value().replace("max_quarantine_pct = 5.0", "max_quarantine_pct = 7.5 # ü <b>"))
        follow(page.get_by_role("button", name="Keep"))
        assert page.url == f"{set_desk}/settings"
        row = page.locator('tr[data-key="run.max_quarantine_pct"]')
        assert "7.5" in row.inner_text() and "the file" in row.inner_text()
    assert "max_quarantine_pct = 7.5 # ü <b>\n" in file.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("stale_after_hours = 26", "stale_after_hours = -1", "stale_after_hours: Input should be greater than 0"),
        ("stale_after_hours", "stale_after_hour", "there is no such setting; did you mean stale_after_hours?"),
        ("max_quarantine_pct", "max_quarantine", "there is no setting 'max_quarantine'; did you mean"),
        ("[run]", "[run", "Expected ']'"),
        ("Europe/Berlin", "Europe/Berlyn", "there is no time zone 'Europe/Berlyn'"),
        ('out = "', 'out = "/etc', "out cannot be changed at the desk"),
        ('lake = "lake"', 'lake = "/"', "lake cannot be changed at the desk"),
        ("/srv/tills", "/etc", "sources.tills.place cannot be changed at the desk"),
        ("sales-*.csv", "../*", "sources.tills.tables.sales.pattern cannot be changed at the desk"),
        ("env:HISTORIAN", "env:HOME", "sources.historian.address cannot be changed at the desk"),
        ("env:HISTORIAN", "postgresql://a:b@c/d", "the address has a password in it"),
        ("env:MAIL_OPERATIONS", "env:PATH", "notices.to.operations.url cannot be changed at the desk"),
        ('[[notices.to]]\nrole = "operations"', '[[notices.to]]\nrole = "others"\nurl = "env:X"\n[[notices.to]]\n'
         'role = "operations"', "notices.to.others.role cannot be changed at the desk"),
        ("[run]", '[watch]\nmetrics_file = "/etc/cron.d/x"\n[run]', "watch.metrics_file cannot be changed"),
        ("[run]", '[watch]\nheartbeat_url = "env:X"\n[run]', "watch.heartbeat_url cannot be changed at the desk"),
        ("[run]", '[notices]\ndesk_url = "https://evil.example/"\n[run]', "notices.desk_url cannot be changed"),
    ],
)  # fmt: skip
def test_what_cannot_be_or_may_not_be_changed_from_a_browser_is_one_line_and_nothing_is_written(
    set_desk, file, old, new, says
):
    before = file.read_bytes()
    with visitor(set_desk) as (client, form):
        _, base, text = page_of(client)
        assert old in text
        written = text.replace(old, new, 1)
        told = client.post("/settings", data=form | base | {"text": written})
    assert (told.status_code, file.read_bytes()) == (400, before)
    line = unescape(re.search(r'id="told">(.*?)</p>', told.text).group(1))
    assert line.startswith("Nothing was written: ") and says in line and "\n" not in line
    assert written in unescape(told.text)


def test_of_two_at_once_the_second_is_told_and_nothing_is_lost(file):
    """Many at once, each of whom has read the same: one is written whole, and every other is told."""
    settings = SettingsFile(file)
    base, text = settings.read().digest, file.read_text()
    found = {}

    def put(hours):
        found[hours] = settings.put(text.replace("= 26", f"= {hours}"), base)

    many = [threading.Thread(target=put, args=(hours,)) for hours in range(1, 9)]
    for one in many:
        one.start()
    for one in many:
        one.join()
    (first,) = [hours for hours, changes in found.items() if changes is not None]
    assert found[first] == [f"stale_after_hours: 26 -> {first}"]
    assert file.read_text() == text.replace("= 26", f"= {first}")


def test_who_has_an_old_page_keeps_what_he_wrote_and_writes_nothing(set_desk, file):
    with visitor(set_desk) as (client, form):
        _, base, text = page_of(client)
        file.write_text(text.replace("ask Ines", "ask Piet"))
        told = client.post("/settings", data=form | base | {"text": text.replace("= 26", "= 4")})
    assert told.status_code == 409 and "somebody else has changed the settings" in told.text
    assert "stale_after_hours = 4 " in unescape(told.text)
    assert file.read_text() == text.replace("ask Ines", "ask Piet")


def test_no_secret_is_shown_and_each_is_still_there_after_a_change(set_desk, file, out):
    """What the settings would refuse, a remark may hold, or who has just changed the file by hand."""
    secrets = ("hunter2hunter2", "s3cretkey", "tok3n-in-a-link")
    more = (
        f'# old: postgresql://reader:{secrets[0]}@db/plant, api_key = "{secrets[1]}"\n'
        f'[notices]\nreport_url = "https://reports.example.org/?token={secrets[2]}"\n'
    )
    text = file.read_text() + more
    file.write_text(text.replace("[[notices.to]]", "[[notices.to]]", 1))
    with visitor(set_desk) as (client, form):
        html, base, shown = page_of(client)
        assert [one for one in secrets if one in unescape(html)] == []
        assert "reports.example.org/?token=" in unescape(html)
        told = client.post("/settings", data=form | base | {"text": shown.replace("= 26", "= 4")})
        assert told.status_code == 303
        kept = file.read_text()
        assert kept == text.replace("= 26", "= 4")
        # Whoever moves a mark to where it would be read is refused.
        _, base, shown = page_of(client)
        mark = re.search(r"\*+1\*+", shown).group()
        told = client.post("/settings", data=form | base | {"text": f"# it is {mark}\n{shown}"})
        assert told.status_code == 400 and "a hidden secret was moved" in told.text
        file.write_text(kept.replace('address = "env:HISTORIAN"', f'address = "postgresql://a:{secrets[0]}@c/d"'))
        broken = client.get("/settings").text
        assert "No night can begin with these settings" in broken and secrets[0] not in broken
    assert [one for one in secrets if one in (out / "desk.log").read_text()] == []


def test_what_is_no_secret_comes_back_as_it_was():
    text = 'certificate = "opcua/tankdrift.der"\nprivate_key = "keys/key.pem"\npassword = "env:PLANT"\n# ***1*** \n'
    shown, secrets = veiled(text)
    assert (shown, secrets) == (text, [])
    base = '# ***1***\npassword = "ab"\ntable = "abc"\n'
    shown, secrets = veiled(base)
    assert secrets == ["ab"] and '"ab"' not in shown
    assert unveiled(shown + "lock_wait_s = 3\n", base) == base + "lock_wait_s = 3\n"
    with pytest.raises(ArgumentError):
        unveiled(shown + "# **1**\n# " + re.search(r"\*{4,}1\*{4,}", shown).group(), base)


def test_who_may_not_sees_the_settings_without_the_file_and_changes_nothing(out, file, tmp_path, monkeypatch, capsys):
    users = tmp_path / "users.txt"
    for name, more in (("Piet", ["--reads"]), ("Ines", []), ("M. Orr", ["--sets"])):
        monkeypatch.setattr("sys.stdin", io.StringIO(f"twelve dry dips {name}\n"))
        assert main(["desk-user", str(users), name, *more]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == f"{users}: M. Orr may sign in, and change settings"
    own = partial(own_desk, Book(out), users=read_users(users), settings=SettingsFile(file))
    with desk_here(own) as address:
        with visitor(address, "sign-in") as (client, form):
            assert client.get("/settings").headers["location"] == "/sign-in"
            assert client.post("/settings", data=form | {"text": "x", "base": "y"}).status_code == 403
        codes = {}
        for name in ("Piet", "Ines", "M. Orr"):
            with visitor(address, "sign-in") as (client, form):
                client.post("/sign-in", data=form | {"name": name, "password": f"twelve dry dips {name}"})
                html = client.get("/settings").text
                token = {"token": html.split('name="token" value="')[1].split('"')[0]}
                assert row_of(html, "lock_wait_s")[1] == "600 s"
                base = SettingsFile(file).read().digest
                said = token | {"text": file.read_text() + f"# {name}\n", "base": base}
                codes[name] = ("<textarea" in html, client.post("/settings", data=said).status_code)
    assert codes == {"Piet": (False, 403), "Ines": (False, 403), "M. Orr": (True, 303)}
    assert file.read_text().endswith("\n# M. Orr\n")


def test_without_a_file_or_a_role_there_is_nothing_to_set(out, file):
    book, given = Book(out), {"text": "x", "base": "y"}
    with desk_here(partial(own_desk, book, setters=["M. Orr"])) as address, visitor(address) as (client, form):
        assert client.get("/settings").status_code == 404
        assert client.post("/settings", data=form | given).status_code == 404
    with desk_here(partial(own_desk, book, settings=SettingsFile(file))) as other, visitor(other) as (client, form):
        assert "<textarea" not in client.get("/settings").text
        assert client.post("/settings", data=form | given).status_code == 403


def test_a_file_that_is_away_or_too_long_is_one_line(set_desk, file):
    with visitor(set_desk) as (client, form):
        _, base, text = page_of(client)
        told = client.post("/settings", data=form | base | {"text": text + "#" * 300_001})
        assert told.status_code == 400 and "they may have 300,000" in told.text
        file.unlink()
        for told in (client.get("/settings"), client.post("/settings", data=form | base | {"text": text})):
            assert told.status_code == 503 and "cannot be read: No such file or directory" in told.text
    assert not file.exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--config", "nosuch.toml"], "nosuch.toml: there is no such file"),
        (["--config", "other.toml"], "its results are in"),
        (["--sets", "Ines"], "--sets: say with --config which settings may be changed"),
        (["--config", "other.toml", "--sets", "Ines", "--users", "users.txt"], "tankdrift desk-user --sets"),
    ],
)
def test_a_desk_that_cannot_show_settings_is_one_line(out, tmp_path, monkeypatch, capsys, arguments, says):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "other.toml").write_text('out = "elsewhere"\n')
    monkeypatch.setattr("sys.stdin", io.StringIO("twelve dry dips\n"))
    assert main(["desk-user", "users.txt", "Ines"]) == 0
    assert main(["desk", str(out), *arguments]) == 2
    err = capsys.readouterr().err
    assert says in err and err.count("\n") == 1


def test_the_docs_name_what_a_browser_may_change_and_nothing_else():
    told = re.search(r"may be changed from a browser:(.*?)\n\n", PAGE, re.DOTALL).group(1)
    assert re.findall(r"`([^`]+)`", told) == list(CHANGEABLE)


@pytest.mark.parametrize("name", ["lake", "out", "sources", "watch", "notices"])
def test_no_section_may_be_exchanged_whole(name):
    assert not is_changeable((name,))
