"""The desk as a web application: every request is let in or refused, answered, and written into the log."""

import json
import logging
import math
import time
from asyncio import Semaphore
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from pipeline.desk.book import Book
from pipeline.desk.forms import Brought, form_of, form_with_file_of, has_file, saying_of
from pipeline.desk.guard import Sessions, SignOn, Tries, is_known_host, is_own_origin, new_word
from pipeline.desk.rates import Rates
from pipeline.desk.readings import PATH as READINGS
from pipeline.desk.readings import readings_of, span_of
from pipeline.desk.users import User, is_password
from pipeline.errors import ArgumentError, TankdriftError
from pipeline.report import said_text as words
from pipeline.report.search import PLACE
from pipeline.said.files import MOST_FILE_BYTES, TYPES

LOG: Final = logging.getLogger("tankdrift.desk")
"""Who asked for what, a line of JSON each."""
COOKIE: Final = "tankdrift_desk"
MOST_BRINGING: Final = 4
"""So many bring a file at once, each of which is in memory; no source."""
FILES: Final = "files/"
_SHUT: Final = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
"""Content policy of what somebody has brought: whatever is in it, it runs nothing and asks nobody. The style is that of
the page in which a browser shows a picture alone."""
_TYPES: Final = {"css": "text/css", "js": "text/javascript"}
_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


@dataclass(slots=True)
class Desk:
    """What a desk goes by: its pages, the hosts that it is known as, and who may sign in, or else who sits at it.

    With a `sign_on` a company's proxy says who asks; with a `lake` a tank's page shows every reading.
    """

    book: Book
    hosts: Collection[str]
    name: str
    users: Mapping[str, User] = field(default_factory=dict)
    sign_on: SignOn | None = None
    sessions: Sessions = field(default_factory=Sessions)
    bringing: Semaphore = field(default_factory=lambda: Semaphore(MOST_BRINGING))
    tries: Tries = field(default_factory=Tries)
    lake: Path | None = None
    rates: Rates = field(default_factory=Rates)
    clock: Callable[[], float] = time.monotonic

    def who(self, request: Request) -> str | None:
        """Who asks; None where he has yet to sign in."""
        if self.sign_on is not None:
            return self.sign_on.who(request.headers, request.client.host if request.client else None)
        if self.users:
            return self.sessions.who(request.cookies.get(COOKIE), self.clock())
        return self.name

    def may_say(self, who: str | None) -> bool:
        """Whether somebody may say something of cases, or only read."""
        return who is not None and (who not in self.users or self.users[who].may_say)


@dataclass(slots=True)
class _Asked:
    """A request, the secret word of its browser, and who sits there, None where he has yet to sign in.

    `done` is what came of it, for the log, and `back` a page to go back to.
    """

    desk: Desk
    request: Request
    word: str
    who: str | None
    done: str = ""
    back: str = "index.html"

    @property
    def address(self) -> str | None:
        """Where it is asked from; None where a proxy asks for everybody."""
        found = self.request.client.host if self.request.client else None
        return None if self.desk.sign_on is not None and found in self.desk.sign_on.proxies else found

    @property
    def path(self) -> str:
        return self.request.url.path.removeprefix("/")

    @property
    def is_asset(self) -> bool:
        return self.path.startswith("assets/")


def desk_app(desk: Desk) -> Starlette:
    """The application."""

    async def endpoint(request: Request) -> Response:
        return await _answered(desk, request)

    return Starlette(routes=[Route("/{path:path}", endpoint, methods=["GET", "POST"])])


async def _answered(desk: Desk, request: Request) -> Response:
    cookie = request.cookies.get(COOKIE)
    asked = _Asked(desk, request, cookie or new_word(), desk.who(request))
    wait_s, is_first = desk.rates.asked(
        is_said=request.method == "POST", who=asked.who, address=asked.address, now_s=desk.clock()
    )
    if wait_s:
        return _too_often(asked, wait_s, is_first=is_first)
    try:
        response = await _routed(asked)
    except HTTPException as error:
        asked.done = f"refused: {asked.done or error.detail}"
        response = await run_in_threadpool(_told, asked, error)
    except TankdriftError as error:
        response = PlainTextResponse(words.NOT_NOW.format(why=error), 503)
    except Exception:  # a mistake of ours: a line for who asks, all of it where the log is
        LOG.exception("broke")
        response = PlainTextResponse(words.BROKEN, 500)
    response.headers.update(_HEADERS)
    response.headers.setdefault("Content-Security-Policy", f"{desk.book.policy}; frame-ancestors 'none'")
    response.headers.setdefault("Cache-Control", "no-store")
    if asked.word != cookie and not asked.is_asset and response.status_code < 400:
        is_secure = request.url.scheme == "https" or request.headers.get("x-forwarded-proto") == "https"
        response.set_cookie(COOKIE, asked.word, httponly=True, samesite="lax", secure=is_secure)
    if not asked.is_asset:
        _log(asked, response.status_code)
    return response


def _too_often(asked: _Asked, wait_s: float, *, is_first: bool) -> Response:
    """A line that costs next to nothing. The log has the first of a row: the others would push out what it is for."""
    if is_first:
        asked.done = f"asked too often: to wait {wait_s:.2f} s"
        _log(asked, 429)
    wait = str(math.ceil(wait_s))
    headers = _HEADERS | {"Retry-After": wait, "Cache-Control": "no-store", "Connection": "close"}
    return PlainTextResponse(words.TOO_FAST.format(wait=wait), 429, headers=headers)


async def _routed(asked: _Asked) -> Response:
    request, desk = asked.request, asked.desk
    if not is_known_host(request.headers.get("host"), desk.hosts):
        raise HTTPException(400, words.BAD_HOST)
    if request.method == "POST":
        return await _posted(asked)
    if asked.is_asset:
        return _asset(asked)
    if asked.path == "sign-in" and desk.users:
        return await run_in_threadpool(_filled, asked, "sign_in.html", line="")
    if asked.who is None and desk.sign_on is not None:
        raise HTTPException(403, words.NOT_SIGNED_ON)
    if asked.who is None:
        return RedirectResponse("/sign-in", 303)
    if not asked.path:
        return RedirectResponse("/index.html", 303)
    if asked.path == PLACE:
        return await run_in_threadpool(_search, asked)
    if asked.path.startswith(FILES):
        return await run_in_threadpool(_file, asked)
    return await run_in_threadpool(_page, asked)


async def _posted(asked: _Asked) -> Response:
    desk, request = asked.desk, asked.request
    # Who may say nothing brings no file: it would be read before anybody looks at the form.
    brought: Brought | None = None
    if has_file(request) and asked.path == "say" and desk.may_say(asked.who):
        if desk.bringing.locked():
            raise HTTPException(503, words.TOO_MANY)
        async with desk.bringing:
            form, brought = await form_with_file_of(request)
    else:
        form = await form_of(request)
    is_of_page = desk.sessions.is_token(request.cookies.get(COOKIE), form.get("token", ""))
    if not (is_of_page and is_own_origin(request.headers)):
        raise HTTPException(403, words.STRANGER)
    if asked.path == "sign-in" and desk.users:
        return await run_in_threadpool(_signed_in, asked, form)
    if asked.who is None:
        raise HTTPException(403, words.STRANGER)
    if asked.path == "sign-out":
        desk.sessions.end(asked.word)
        asked.word, asked.done = new_word(), "signed out"
        return RedirectResponse("/", 303)
    if asked.path == "say" and not desk.may_say(asked.who):
        asked.back = form.get("page", "")
        raise HTTPException(403, words.READS_ONLY)
    if asked.path == "say":
        return await run_in_threadpool(_said, asked, form, brought)
    raise HTTPException(404, words.NO_PAGE)


def _page(asked: _Asked) -> Response:
    pages = asked.desk.book.pages()
    if asked.path == READINGS and asked.desk.lake is not None:
        return _readings(asked, asked.desk.lake)
    if asked.path not in pages:
        raise HTTPException(404, words.NO_PAGE)
    return _html(pages.render(asked.path, **_of_desk(asked)), 200)


def _search(asked: _Asked) -> Response:
    return Response(asked.desk.book.pages().search(), media_type=_TYPES["js"])


def _readings(asked: _Asked, lake: Path) -> Response:
    tanks = {tank["tank_id"]: tank for tank in asked.desk.book.pages().fleet.tanks}
    try:
        return JSONResponse(readings_of(lake, span_of(asked.request.query_params, tanks)))
    except ArgumentError as error:
        asked.done = f"refused: {error}"
        return PlainTextResponse(str(error), 400)


def _asset(asked: _Asked) -> Response:
    name = asked.path.removeprefix("assets/")
    content = asked.desk.book.assets.get(name)
    if content is None:
        raise HTTPException(404, words.NO_PAGE)
    kind = _TYPES[name.rpartition(".")[2]]
    return Response(content, media_type=kind, headers={"Cache-Control": "max-age=300"})


def _file(asked: _Asked) -> Response:
    """A picture to be seen, or a paper to be kept: it is not opened within the desk."""
    name = asked.path.removeprefix(FILES)
    content = asked.desk.book.file(name)
    if content is None:
        raise HTTPException(404, words.NO_FILE)
    kind = TYPES[name.rpartition(".")[2]]
    shown = "inline" if kind.startswith("image/") else "attachment"
    headers = {"Content-Security-Policy": _SHUT, "Content-Disposition": f'{shown}; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def _said(asked: _Asked, form: Mapping[str, str], brought: Brought | None) -> Response:
    asked.back = form.get("page", "")
    asked.done = " ".join(filter(None, [form.get("kind"), form.get("case"), brought.name if brought else None]))
    try:
        place = asked.desk.book.say(saying_of(form, str(asked.who)), asked.back, brought)
    except ArgumentError as error:
        raise HTTPException(400, words.REFUSED.format(why=error)) from error
    if place is None:
        raise HTTPException(404, words.NO_CASE.format(case=form.get("case", "")))
    return RedirectResponse(f"/{quote(place, safe='/#')}", 303)


def _signed_in(asked: _Asked, form: Mapping[str, str]) -> Response:
    desk, request, now_s = asked.desk, asked.request, asked.desk.clock()
    name = form.get("name", "")
    keys = (f"name {name}", f"from {request.client.host if request.client else ''}")
    if desk.tries.is_over(keys, now_s):
        asked.done = f"too many tries to sign in as {name}"
        return _filled(asked, "sign_in.html", 429, line=words.TOO_OFTEN)
    # Counted before it is known: a thousand tries at once are a thousand tries.
    desk.tries.add(keys, now_s)
    if not is_password(desk.users, name, form.get("password", "")):
        asked.done = f"no such name and password: {name}"
        return _filled(asked, "sign_in.html", 403, line=words.WRONG_PASSWORD)
    desk.tries.forget(keys)
    asked.word, asked.who, asked.done = desk.sessions.begin(name, now_s), name, "signed in"
    return RedirectResponse("/index.html", 303)


def _told(asked: _Asked, error: HTTPException) -> Response:
    """One line: on a page of the desk for who may see one, else as plain text."""
    if asked.who is None or error.detail in (words.BAD_HOST, words.STRANGER):
        return PlainTextResponse(error.detail, error.status_code)
    back = asked.back if asked.back in asked.desk.book.pages().made else "index.html"
    return _filled(asked, "told.html", error.status_code, line=error.detail, back=back)


def _filled(asked: _Asked, template: str, status: int = 200, **context: object) -> Response:
    pages = asked.desk.book.pages()
    return _html(pages.fill(template, "", **context, **_of_desk(asked), other_charts=[]), status)


def _of_desk(asked: _Asked) -> dict[str, object]:
    desk = asked.desk
    token = desk.sessions.token(asked.word)
    return {
        "desk": {
            "token": token, "who": asked.who, "has_users": bool(desk.users), "may_say": desk.may_say(asked.who),
            "most_mb": MOST_FILE_BYTES // 1_000_000, "has_lake": desk.lake is not None,
        },
        "policy": desk.book.policy,
    }  # fmt: skip


def _html(text: str, status: int) -> Response:
    return Response(text.encode("utf-8", "replace"), status, media_type="text/html; charset=utf-8")


def _log(asked: _Asked, status: int) -> None:
    request = asked.request
    line = {
        "at": datetime.now(UTC).isoformat(timespec="seconds"), "from": request.client.host if request.client else None,
        "who": asked.who, "asked": f"{request.method} {request.url.path}", "status": status, "did": asked.done or None,
    }  # fmt: skip
    LOG.info(json.dumps(line, ensure_ascii=True))
