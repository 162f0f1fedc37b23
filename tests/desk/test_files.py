"""Kind of evidence: contract, with a real browser. Pictures and papers on a case: kept, shown, never run."""

import hashlib
import json
import threading

import pytest

from pipeline.desk.users import add_user
from pipeline.said.files import FOLDER, MOST_FILE_BYTES
from pipeline.said.record import newest, read
from tests.desk.test_morning import at_the_desk, card_of, row_of
from tests.support.browser import follow, until
from tests.support.desks import desk, visitor

SHUT = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
MARKUP = b"<script>document.title='owned'</script>"


@pytest.fixture(scope="module")
def case_id(frames):
    return frames["cases"].filter(cause="tank_leak")["case_id"][0]


@pytest.fixture(scope="module")
def made(browser):
    """A picture of each kind and a paper, as a browser makes them."""
    with browser.new_context(viewport={"width": 60, "height": 40}) as own:
        page = own.new_page()
        return {"png": page.screenshot(), "jpg": page.screenshot(type="jpeg"), "pdf": page.pdf()}


def bring(client, form, case_id, content, name="seen.png", **changes):
    fields = form | {"kind": "file", "case": case_id, "note": ""} | changes
    return client.post("/say", data=fields, files={"file": (name, content)})


def test_a_picture_is_added_from_a_case_and_seen_there(browser, address, out, case_id, made):
    with at_the_desk(browser, address) as page:
        follow(row_of(page, case_id).locator("th a"))
        form = card_of(page, case_id).locator("details.say").filter(has_text="Add a picture or paper")
        form.locator("summary").click()
        photo = {"name": 'pump 3 "seal".png', "mimeType": "image/png", "buffer": made["png"]}
        form.locator("input[type=file]").set_input_files(photo)
        form.locator("textarea").fill("wet underneath")
        follow(form.locator("button"))
        said = card_of(page, case_id).locator(".history li").last
        assert said.inner_text().split("\n")[1::2] == ['added a file: pump 3 "seal".png', "wet underneath"]
        said.locator("img").scroll_into_view_if_needed()
        until(page, "[...document.querySelectorAll('.history img')].every(one => one.naturalWidth === 60)")
        with page.expect_navigation():
            said.locator("a.file").click()
        assert page.url.endswith(f"/files/{hashlib.sha256(made['png']).hexdigest()}.png")
    last = read(out).row(-1, named=True)
    assert (last["who"], last["kind"], last["file_name"]) == ("M. Orr", "file", 'pump 3 "seal".png')
    assert (out / FOLDER / last["file"]).read_bytes() == made["png"]
    log = [json.loads(line) for line in (out / "desk.log").read_text(encoding="utf-8").splitlines()]
    assert [one["did"] for one in log if one["asked"] == "POST /say"] == [f'file {case_id} pump 3 "seal".png']
    assert log[-1]["asked"] == f"GET /files/{last['file']}"


@pytest.mark.parametrize(("kind", "media", "shown"), [
    ("png", "image/png", "inline"), ("jpg", "image/jpeg", "inline"), ("pdf", "application/pdf", "attachment"),
])  # fmt: skip
def test_a_file_is_what_its_bytes_say_and_is_served_so_that_it_runs_nothing(address, case_id, made, kind, media, shown):
    with visitor(address) as (client, form):
        assert bring(client, form, case_id, made[kind] + MARKUP, "page.html").status_code == 303
        name = f"{hashlib.sha256(made[kind] + MARKUP).hexdigest()}.{kind}"
        found = client.get(f"/files/{name}")
    assert (found.status_code, found.content) == (200, made[kind] + MARKUP)
    assert found.headers["content-type"] == media
    assert found.headers["content-disposition"] == f'{shown}; filename="{name}"'
    assert found.headers["x-content-type-options"] == "nosniff"
    assert found.headers["content-security-policy"] == SHUT
    assert found.headers["cache-control"] == "no-store"


@pytest.mark.parametrize(("content", "says"), [
    (MARKUP, "the file is no picture (PNG or JPEG) and no PDF, whatever it is called"),
    (b'<svg xmlns="http://www.w3.org/2000/svg"/>', "no picture (PNG or JPEG) and no PDF"),
    (b"GIF89a", "no picture (PNG or JPEG) and no PDF"), (b"MZ\x90\x00", "no picture (PNG or JPEG) and no PDF"),
    (b"\n%PDF-1.7", "no picture (PNG or JPEG) and no PDF"), (b"", "no file was chosen, or it is empty"),
    (b"\x89PNG\r\n\x1a\n" + bytes(MOST_FILE_BYTES), "the file has 10,000,008 bytes; it may have 10,000,000"),
    (bytes(11_000_000), "The file has more than the 10,000,000 bytes that it may have"),
])  # fmt: skip
def test_what_is_no_picture_and_no_paper_is_one_clear_answer(address, out, case_id, content, says):
    before, kept = newest(out), sorted((out / FOLDER).iterdir())
    with visitor(address) as (client, form):
        told = bring(client, form, case_id, content, "photo.png")
    assert told.status_code == (413 if len(content) > 10_500_000 else 400)
    assert says in told.text and told.text.count('id="told"') == 1
    assert (newest(out), sorted((out / FOLDER).iterdir())) == (before, kept)


def test_a_file_for_a_case_that_is_gone_or_from_no_page_of_the_desk_is_not_kept(address, out, case_id, made):
    before, kept = newest(out), sorted((out / FOLDER).iterdir())
    other = made["png"] + b"other"
    with visitor(address) as (client, form):
        assert bring(client, form, "c-gone", other).status_code == 404
        assert bring(client, form, case_id, other, token="").status_code == 403
        assert client.post("/say", content=other, headers={"Content-Type": "multipart/form-data"}).status_code == 400
        assert client.post("/say", data=form | {"kind": "file", "case": case_id}).status_code == 400
    assert (newest(out), sorted((out / FOLDER).iterdir())) == (before, kept)


def test_nothing_else_is_served_from_there(address, out):
    (out / FOLDER / "a.html").write_bytes(MARKUP)
    (out / FOLDER / f"{'0' * 64}.html").write_bytes(MARKUP)
    with visitor(address) as (client, _):
        for name in ("a.html", f"{'0' * 64}.html", f"{'0' * 64}.png", "../00000000.json", "..%2F00000000.json", ""):
            assert client.get(f"/files/{name}").status_code == 404, name


def test_the_same_file_from_many_at_once_is_kept_once_and_every_saying_of_it(address, out, case_id, made):
    before, content, codes = newest(out), made["jpg"] + b"at once", []

    def one_brings():
        with visitor(address) as (client, form):
            codes.append(bring(client, form, case_id, content, "a.jpg").status_code)

    threads = [threading.Thread(target=one_brings) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert (codes, newest(out)) == ([303] * 4, before + 4)
    assert len([path for path in (out / FOLDER).iterdir() if path.read_bytes() == content]) == 1


def test_who_may_only_read_sees_a_file_and_brings_none_and_a_stranger_sees_none(out, case_id, made, tmp_path):
    users = tmp_path / "users.txt"
    add_user(users, "Ines", "twelve dry dips", "reads")
    before, name = newest(out), read(out)["file"].drop_nulls()[0]
    with desk(out, "--users", users) as own, visitor(own, "sign-in") as (client, form):
        assert client.get(f"/files/{name}").headers["location"] == "/sign-in"
        assert bring(client, form, case_id, made["png"]).status_code in (413, 415)
        assert client.post("/sign-in", data=form | {"name": "Ines", "password": "twelve dry dips"}).status_code == 303
        form["token"] = client.get("/reading.html").text.split('name="token" value="')[1].split('"')[0]
        assert client.get(f"/files/{name}").status_code == 200
        assert bring(client, form, case_id, made["png"]).status_code in (403, 415)
    assert newest(out) == before


def test_a_file_is_called_as_it_was_without_its_folders(address, out, case_id, made):
    with visitor(address) as (client, form):
        assert bring(client, form, case_id, made["png"] + b"named", 'C:\\é"a\\b/c "2".png').status_code == 303
    assert read(out).row(-1, named=True)["file_name"] == 'c "2".png'


HEAD = b'--b\r\nContent-Disposition: form-data; name="case"\r\n\r\n'


@pytest.mark.parametrize(
    "body",
    [b"", b"--b\r\n", b"--b\r\nno head\r\n--b--", b"x--b\r\n\r\n\r\n--b--", HEAD * 40 + b"--b--",
     b"--b\r\nContent-Disposition: form-data\r\n\r\nx\r\n--b--", HEAD + b"x" * 2_000_000 + b"\r\n--b--"],
)  # fmt: skip
def test_what_is_no_such_form_is_refused_and_nothing_of_it_kept(address, out, body):
    before, kept = newest(out), sorted((out / FOLDER).iterdir())
    with visitor(address) as (client, _):
        told = client.post("/say", content=body, headers={"Content-Type": "multipart/form-data; boundary=b"})
    assert told.status_code in (400, 403)
    assert (newest(out), sorted((out / FOLDER).iterdir())) == (before, kept)
