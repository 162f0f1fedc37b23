"""The desk as a web application: every request is let in or refused, answered, and written into the log."""

import json
import logging
import math
from datetime import UTC, datetime
from typing import Final

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from pipeline.desk import answers
from pipeline.desk.answers import SETTINGS
from pipeline.desk.asked import COOKIE, Asked, Desk
from pipeline.desk.forms import Brought, form_of, form_with_file_of, has_file
from pipeline.desk.guard import is_known_host, is_own_origin, new_word
from pipeline.desk.settings_file import MOST_SETTINGS_BYTES
from pipeline.errors import TankdriftError
from pipeline.report import said_text as words
from pipeline.said.sayings import MOST_NOTE_BYTES

LOG: Final = logging.getLogger("tankdrift.desk")
"""Who asked for what, a line of JSON each."""
_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def desk_app(desk: Desk) -> Starlette:
    """The application."""

    async def endpoint(request: Request) -> Response:
        return await _answered(desk, request)

    return Starlette(routes=[Route("/{path:path}", endpoint, methods=["GET", "POST"])])


async def _answered(desk: Desk, request: Request) -> Response:
    cookie = request.cookies.get(COOKIE)
    asked = Asked(desk, request, cookie or new_word(), desk.who(request))
    wait_s, is_first = desk.rates.asked(
        is_said=request.method == "POST", who=asked.who, address=asked.address, now_s=desk.clock()
    )
    if wait_s:
        return _too_often(asked, wait_s, is_first=is_first)
    try:
        response = await _routed(asked)
    except HTTPException as error:
        asked.done = f"refused: {asked.done or error.detail}"
        response = await run_in_threadpool(answers.told, asked, error)
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


def _too_often(asked: Asked, wait_s: float, *, is_first: bool) -> Response:
    """A line that costs next to nothing. The log has the first of a row: the others would push out what it is for."""
    if is_first:
        asked.done = f"asked too often: to wait {wait_s:.2f} s"
        _log(asked, 429)
    wait = str(math.ceil(wait_s))
    headers = _HEADERS | {"Retry-After": wait, "Cache-Control": "no-store", "Connection": "close"}
    return PlainTextResponse(words.TOO_FAST.format(wait=wait), 429, headers=headers)


async def _routed(asked: Asked) -> Response:
    request, desk = asked.request, asked.desk
    if not is_known_host(request.headers.get("host"), desk.hosts):
        raise HTTPException(400, words.BAD_HOST)
    if request.method == "POST":
        return await _posted(asked)
    if asked.is_asset:
        return answers.asset(asked)
    if asked.path == "sign-in" and desk.users:
        return await run_in_threadpool(answers.filled, asked, "sign_in.html", line="")
    if asked.who is None and desk.sign_on is not None:
        raise HTTPException(403, words.NOT_SIGNED_ON)
    if asked.who is None:
        return RedirectResponse("/sign-in", 303)
    if not asked.path:
        return RedirectResponse("/index.html", 303)
    return await run_in_threadpool(answers.read, asked)


async def _posted(asked: Asked) -> Response:
    desk, request = asked.desk, asked.request
    form, brought = await _form(asked)
    is_of_page = desk.sessions.is_token(request.cookies.get(COOKIE), form.get("token", ""))
    if not (is_of_page and is_own_origin(request.headers)):
        raise HTTPException(403, words.STRANGER)
    if asked.path == "sign-in" and desk.users:
        return await run_in_threadpool(answers.signed_in, asked, form)
    if asked.who is None:
        raise HTTPException(403, words.STRANGER)
    if asked.path == "sign-out":
        desk.sessions.end(asked.word)
        asked.word, asked.done = new_word(), "signed out"
        return RedirectResponse("/", 303)
    if asked.path == "say":
        return await run_in_threadpool(answers.said, asked, form, brought)
    if asked.path == SETTINGS and desk.settings is not None:
        return await run_in_threadpool(answers.settings_put, asked, desk.settings, form)
    raise HTTPException(404, words.NO_PAGE)


async def _form(asked: Asked) -> tuple[dict[str, str], Brought | None]:
    """What was sent. Who may say nothing brings no file: it would be read before anybody looks at the form."""
    desk, request = asked.desk, asked.request
    if not (has_file(request) and asked.path == "say" and desk.may_say(asked.who)):
        return await form_of(request, MOST_SETTINGS_BYTES if asked.path == SETTINGS else MOST_NOTE_BYTES), None
    if desk.bringing.locked():
        raise HTTPException(503, words.TOO_MANY)
    async with desk.bringing:
        return await form_with_file_of(request)


def _log(asked: Asked, status: int) -> None:
    request = asked.request
    line = {
        "at": datetime.now(UTC).isoformat(timespec="seconds"), "from": request.client.host if request.client else None,
        "who": asked.who, "asked": f"{request.method} {request.url.path}", "status": status, "did": asked.done or None,
    }  # fmt: skip
    LOG.info(json.dumps(line, ensure_ascii=True))
