"""What a browser sends: a form that is short enough, and what of it is said of a case."""

import re
from collections.abc import AsyncGenerator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final
from urllib.parse import parse_qsl, unquote

from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import Request

from pipeline.errors import ArgumentError
from pipeline.report import said_text as words
from pipeline.said.files import MOST_FILE_BYTES
from pipeline.said.sayings import MOST_NOTE_BYTES, Saying

MOST_BYTES: Final = 4 * MOST_NOTE_BYTES
"""A form is not longer: what is no plain letter takes three bytes on the way for each of its own."""
_READ_ON_BYTES: Final = 2**21
"""What is too long is read so far and thrown away, so that a browser gets to see the answer. With a file: ten times."""
_MOST_FIELDS: Final = 20
_KIND: Final = "application/x-www-form-urlencoded"
_KIND_WITH_FILE: Final = "multipart/form-data"
MOST_WITH_FILE_BYTES: Final = MOST_FILE_BYTES + MOST_BYTES


@dataclass(frozen=True, slots=True)
class Brought:
    """A file that came with a form: what it is called where it came from, and its bytes."""

    name: str
    content: bytes


async def form_of(request: Request, most_text: int = MOST_NOTE_BYTES) -> dict[str, str]:
    """The form that a browser sent, by its fields' names, in one of which may be so many bytes of text.

    Raises
    ------
    HTTPException
        If it is too long, or no form.
    """
    body = await _body(request, 4 * most_text, _READ_ON_BYTES)
    if body is None:
        raise HTTPException(413, words.TOO_MUCH.format(most=f"{most_text:,}"))
    if _kind(request) != _KIND:
        raise HTTPException(415, words.STRANGER)
    try:
        return dict(parse_qsl(body.decode("ascii", "replace"), errors="replace", max_num_fields=_MOST_FIELDS))
    except ValueError as error:
        raise HTTPException(400, words.STRANGER) from error


def has_file(request: Request) -> bool:
    """Whether a form says that it brings a file along."""
    return _kind(request) == _KIND_WITH_FILE


async def form_with_file_of(request: Request) -> tuple[dict[str, str], Brought | None]:
    """The form that a browser sent, by its fields' names, and the file that came with it.

    Raises
    ------
    HTTPException
        If it is too long, or no form.
    """
    body = await _body(request, MOST_WITH_FILE_BYTES, 10 * MOST_WITH_FILE_BYTES)
    if body is None:
        raise HTTPException(413, words.TOO_LARGE.format(most=f"{MOST_FILE_BYTES:,}"))

    async def whole() -> AsyncGenerator[bytes, None]:
        yield bytes(body)

    parser = MultiPartParser(request.headers, whole(), max_files=1, max_fields=_MOST_FIELDS, max_part_size=MOST_BYTES)
    try:
        form = await parser.parse()
    except MultiPartException as error:
        raise HTTPException(400, words.STRANGER) from error
    fields = {name: value for name, value in form.multi_items() if isinstance(value, str)}
    brought = None
    for file in form.values():
        if isinstance(file, UploadFile) and (file.size or file.filename):
            brought = Brought(_plain(file.filename or ""), await file.read())
    await form.close()
    return fields, brought


def _plain(called: str) -> str:
    """A file's name without folders; browsers write quotes and ends of lines in it as per cents."""
    return re.split(r"[/\\]", unquote(called))[-1]


async def _body(request: Request, most: int, read_on: int) -> bytearray | None:
    """What was sent; None where it is too long. So much of that is read and thrown away, for the answer to be seen."""
    body, size = bytearray(), 0
    async for chunk in request.stream():
        size += len(chunk)
        if size <= most:
            body += chunk
        elif size > read_on:
            break
    return None if size > most else body


def _kind(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().casefold()


def saying_of(form: Mapping[str, str], who: str) -> Saying:
    """What somebody says of a case by a form.

    Raises
    ------
    ArgumentError
        If a day or a number is none.
    """
    return Saying(
        kind=form.get("kind", ""),
        who=who,
        case_id=form.get("case", ""),
        owner=form.get("owner"),
        due_on=_day(form.get("due", "")),
        note=form.get("note"),
        verdict=form.get("verdict") or None,
        cause=form.get("cause") or None,
        litres=_number(form.get("litres", "")),
        recovered=_number(form.get("recovered", "")),
    )


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise ArgumentError(words.NOT_A_DAY.format(value=text[:40])) from error


def _number(text: str) -> float | None:
    """The number, with a minus as pages write it or as keyboards do; a comma could be either and is refused."""
    plain = text.strip().replace("\u2212", "-").replace("\u202f", "").replace(" ", "")
    try:
        return float(plain) if plain else None
    except ValueError as error:
        raise ArgumentError(words.NOT_A_NUMBER.format(value=text[:40])) from error
