"""What the desk answers, once it is known who asks for what: pages, files, what was said, signed in or set."""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Final
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

from pipeline.desk.asked import Asked
from pipeline.desk.forms import Brought, saying_of
from pipeline.desk.readings import PATH as READINGS
from pipeline.desk.readings import readings_of, span_of
from pipeline.desk.settings_file import SettingsFile
from pipeline.desk.settings_rows import settings_in_force
from pipeline.desk.shifts import SHIFTS, shifts_page
from pipeline.desk.users import is_password
from pipeline.errors import ArgumentError, StoreError
from pipeline.report import format as fmt
from pipeline.report import said_text as words
from pipeline.report.fleet import Fleet
from pipeline.report.pages import LOOKED, Pages
from pipeline.report.parts import page_of_rows, rows_script
from pipeline.report.search import PLACE
from pipeline.said.files import MOST_FILE_BYTES, TYPES
from pipeline.said.looked import Look
from pipeline.said.since import shown_then

FILES: Final = "files/"
SETTINGS: Final = "settings"
_LOOKED: Final = LOOKED.removesuffix(".html")
_SHUT: Final = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
"""Content policy of what somebody has brought: whatever is in it, it runs nothing and asks nobody. The style is that of
the page in which a browser shows a picture alone."""
_TYPES: Final = {"css": "text/css", "js": "text/javascript"}


def read(asked: Asked) -> Response:
    """What is at a place, for who may see it."""
    if asked.path == PLACE:
        return Response(asked.desk.book.pages().search(), media_type=_TYPES["js"])
    if asked.path == SETTINGS and asked.desk.settings is not None:
        return settings(asked, asked.desk.settings)
    if asked.path == READINGS and asked.desk.lake is not None:
        return readings(asked, asked.desk.lake)
    if asked.path.startswith(FILES):
        return brought_file(asked)
    if (rows := page_of_rows(asked.path)) is not None:
        return rows_of(asked, rows)
    if asked.path.startswith(SHIFTS):
        return shifts(asked)
    return page(asked)


def page(asked: Asked) -> Response:
    """A page of the report or a paper, with the forms of the desk."""
    pages, now = asked.desk.book.pages(), asked.desk.today()
    before = asked.desk.book.visits.asked(str(asked.who), now)
    if asked.path.startswith(("index", _LOOKED)):
        return _worklist(asked, pages, before, now)
    if asked.path not in pages:
        raise HTTPException(404, words.NO_PAGE)
    return _html(pages.render(asked.path, **_of_desk(asked)), 200)


def rows_of(asked: Asked, path: str) -> Response:
    """The script of a part's rows, for who filters another part of the list."""
    pages, now = asked.desk.book.pages(), asked.desk.today()
    if path.startswith(_LOOKED):
        pages = _since(asked, pages, asked.desk.book.visits.asked(str(asked.who), now), path)
    if path not in pages.parted:
        raise HTTPException(404, words.NO_PAGE)
    script = rows_script(path, pages.render(path, **_of_desk(asked)))
    return Response(script, media_type=_TYPES["js"])


def readings(asked: Asked, lake: Path) -> Response:
    """A tank's readings of a span of time, for its chart."""
    tanks = {tank["tank_id"]: tank for tank in asked.desk.book.pages().fleet.tanks}
    try:
        return JSONResponse(readings_of(lake, span_of(asked.request.query_params, tanks)))
    except ArgumentError as error:
        asked.done = f"refused: {error}"
        return PlainTextResponse(str(error), 400)


def shifts(asked: Asked) -> Response:
    """A site's tanks and hoses between two instants."""
    pages = asked.desk.book.pages()
    site = pages.site_of(f"sites/{asked.path.removeprefix(SHIFTS)}")
    if site is None:
        raise HTTPException(404, words.NO_PAGE)
    content, is_answered = shifts_page(pages.fleet, site, asked.request.query_params, asked.desk.lake)
    if not is_answered:
        asked.done = f"refused: {content['mistake']}"
    return _html(pages.fill("shifts.html", asked.path, **content, **_of_desk(asked)), 200 if is_answered else 400)


def _worklist(asked: Asked, pages: Pages, before: Look | None, now: datetime) -> Response:
    """A part of the worklist, and beside it the same by what is new since somebody last looked; that he now has."""
    pages, said = _since(asked, pages, before, asked.path), pages.fleet.tables["sayings"]
    if asked.path not in pages:
        raise HTTPException(404, words.NO_PAGE)
    html = pages.render(asked.path, **_of_desk(asked))
    try:
        asked.desk.book.visits.looked(
            Look(str(asked.who), now, pages.fleet.as_of, -1 if said.is_empty() else int(said["seq"][-1]))
        )
    except (OSError, StoreError) as error:  # who reads is not kept from it by a disk that is full
        asked.done = f"could not keep that he looked: {error}"
    return _html(html, 200)


def _since(asked: Asked, pages: Pages, before: Look | None, path: str) -> Pages:
    """The pages, with the worklist by what is new since somebody looked where `path` is of it and it can be told."""
    fleet = pages.fleet
    believed, said = fleet.tables["believed"], fleet.tables["sayings"]
    last = None if before is None else shown_then([c.row for c in fleet.cases], believed, said, before)
    if before is None or last is None:
        return pages
    asked.looked = _moment(fleet, before.at)
    line = words.LOOKED_LINE.format(at=asked.looked, day=fmt.day(last.day))
    return pages.since(last, line) if path.startswith(_LOOKED) else pages


def _moment(fleet: Fleet, at: datetime) -> str:
    """An instant on the clock that all sites have, or else in UTC."""
    zones = {row["timezone"] for row in fleet.tables.rows("sites")}
    return fmt.moment(at, fmt.zone(zones.pop())) if len(zones) == 1 else f"{fmt.moment(at, fmt.zone(None))} UTC"


def asset(asked: Asked) -> Response:
    """A style or a script that pages lean on."""
    name = asked.path.removeprefix("assets/")
    content = asked.desk.book.assets.get(name)
    if content is None:
        raise HTTPException(404, words.NO_PAGE)
    kind = _TYPES[name.rpartition(".")[2]]
    return Response(content, media_type=kind, headers={"Cache-Control": "max-age=300"})


def brought_file(asked: Asked) -> Response:
    """A picture to be seen, or a paper to be kept: it is not opened within the desk."""
    name = asked.path.removeprefix(FILES)
    content = asked.desk.book.file(name)
    if content is None:
        raise HTTPException(404, words.NO_FILE)
    kind = TYPES[name.rpartition(".")[2]]
    shown = "inline" if kind.startswith("image/") else "attachment"
    headers = {"Content-Security-Policy": _SHUT, "Content-Disposition": f'{shown}; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def said(asked: Asked, form: Mapping[str, str], brought: Brought | None) -> Response:
    """The way back to the case of which something was said by a form, and perhaps with a file."""
    asked.back = form.get("page", "")
    if not asked.desk.may_say(asked.who):
        raise HTTPException(403, words.READS_ONLY)
    asked.done = " ".join(filter(None, [form.get("kind"), form.get("case"), brought.name if brought else None]))
    try:
        place = asked.desk.book.say(saying_of(form, str(asked.who)), asked.back, brought)
    except ArgumentError as error:
        raise HTTPException(400, words.REFUSED.format(why=error)) from error
    if place is None:
        raise HTTPException(404, words.NO_CASE.format(case=form.get("case", "")))
    return RedirectResponse(f"/{quote(place, safe='/#')}", 303)


def settings(asked: Asked, file: SettingsFile, line: str = "", status: int = 200, **written: str) -> Response:
    """The settings in force, and for who may change them the file's text, or what he has written in its place."""
    try:
        found = file.read()
    except ArgumentError as error:
        asked.back = "index.html"
        raise HTTPException(503, words.SETTINGS_UNREAD.format(why=error)) from error
    in_force = [] if found.operations is None else settings_in_force(found.operations, found.given, found.environment)
    return filled(
        asked, "settings.html", status, sections=in_force, error=found.error, line=line, file=file.path.name,
        **{"text": found.text, "base": found.digest} | written,
    )  # fmt: skip


def settings_put(asked: Asked, file: SettingsFile, form: Mapping[str, str]) -> Response:
    """The settings after a change by a form, or the page again with why there was none."""
    if not asked.desk.may_set(asked.who):
        raise HTTPException(403, words.SETS_NOTHING)
    written = {"text": form.get("text", ""), "base": form.get("base", "")}
    asked.done = "settings"
    try:
        changes = file.put(**written)
    except ArgumentError as error:
        asked.done = f"refused: settings: {error}"
        return settings(asked, file, words.REFUSED.format(why=error), 400, **written)
    if changes is None:
        asked.done = "refused: settings: changed by somebody else meanwhile"
        return settings(asked, file, words.SETTINGS_CHANGED, 409, **written)
    asked.done = f"settings: {'; '.join(changes) or 'remarks alone'}"
    return RedirectResponse(f"/{SETTINGS}", 303)


def signed_in(asked: Asked, form: Mapping[str, str]) -> Response:
    """The way to the worklist with a new session, or the form again."""
    desk, request, now_s = asked.desk, asked.request, asked.desk.clock()
    name = form.get("name", "")
    keys = (f"name {name}", f"from {request.client.host if request.client else ''}")
    # Counted before it is known whether it is right: a thousand tries at once are a thousand tries.
    if not desk.tries.may_try(keys, now_s):
        asked.done = f"too many tries to sign in as {name}"
        return filled(asked, "sign_in.html", 429, line=words.TOO_OFTEN)
    if not is_password(desk.users, name, form.get("password", "")):
        asked.done = f"no such name and password: {name}"
        return filled(asked, "sign_in.html", 403, line=words.WRONG_PASSWORD)
    desk.tries.forget(keys)
    asked.word, asked.who, asked.done = desk.sessions.begin(name, now_s), name, "signed in"
    return RedirectResponse("/index.html", 303)


def told(asked: Asked, error: HTTPException) -> Response:
    """One line: on a page of the desk for who may see one, else as plain text."""
    if asked.who is None or error.detail in (words.BAD_HOST, words.STRANGER):
        return PlainTextResponse(error.detail, error.status_code)
    back = asked.back if asked.back in asked.desk.book.pages().made else "index.html"
    return filled(asked, "told.html", error.status_code, line=error.detail, back=back)


def filled(asked: Asked, template: str, status: int = 200, **context: object) -> Response:
    """A page of the desk's own, made of a template."""
    pages = asked.desk.book.pages()
    return _html(pages.fill(template, "", **context, **_of_desk(asked), other_charts=[]), status)


def _of_desk(asked: Asked) -> dict[str, object]:
    desk = asked.desk
    token = desk.sessions.token(asked.word)
    return {
        "desk": {
            "token": token, "who": asked.who, "has_users": bool(desk.users), "may_say": desk.may_say(asked.who),
            "settings": SETTINGS if desk.settings else None, "may_set": desk.may_set(asked.who),
            "looked": {"at": asked.looked, "href": LOOKED} if asked.looked else None,
            "most_mb": MOST_FILE_BYTES // 1_000_000, "has_lake": desk.lake is not None,
        },
        "policy": desk.book.policy,
    }  # fmt: skip


def _html(text: str, status: int) -> Response:
    return Response(text.encode("utf-8", "replace"), status, media_type="text/html; charset=utf-8")
