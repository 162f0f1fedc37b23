"""A form that brings a file along: its fields and the file, taken apart (RFC 7578). No I/O."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from urllib.parse import unquote

MOST_PARTS: Final = 20
_LONGEST_HEAD: Final = 2_000
_BOUNDARY: Final = re.compile(r'\bboundary="?([A-Za-z0-9\'()+_,./:=? -]{1,70})"?')
_NAME: Final = re.compile(r'(?<![a-z])name="([^"]*)"')
_FILE_NAME: Final = re.compile(r'\bfilename="([^"]*)"')


@dataclass(frozen=True, slots=True)
class Brought:
    """A file that came with a form: what it is called where it came from, and its bytes."""

    name: str
    content: bytes


def taken_apart(body: bytes, content_type: str) -> tuple[dict[str, str], Brought | None]:
    """The fields of a form by name, and the file that came with it, None where none was chosen.

    Raises
    ------
    ValueError
        If it is no such form.
    """
    fields: dict[str, str] = {}
    brought = None
    for head, content in _parts(body, content_type):
        name, called = _NAME.search(head), _FILE_NAME.search(head)
        if name is None:
            raise ValueError("a part without a name")
        if called is None:
            fields[name[1]] = content.decode("utf-8", "replace")
        elif content or called[1]:
            brought = Brought(_plain(called[1]), content)
    return fields, brought


def _parts(body: bytes, content_type: str) -> Iterator[tuple[str, bytes]]:
    """Head and content of each part."""
    found = _BOUNDARY.search(content_type)
    if found is None:
        raise ValueError("no boundary")
    first, *parts = (b"\r\n" + body).split(b"\r\n--" + found[1].encode())
    if first or not parts or not parts[-1].startswith(b"--") or len(parts) > MOST_PARTS + 1:
        raise ValueError("not in parts, or in too many")
    for part in parts[:-1]:
        head, ends, content = part.removeprefix(b"\r\n").partition(b"\r\n\r\n")
        if not ends or len(head) > _LONGEST_HEAD:
            raise ValueError("a part without a head")
        yield head.decode("utf-8", "replace"), content


def _plain(called: str) -> str:
    """A file's name without folders; browsers write quotes and ends of lines in it as per cents."""
    return re.split(r"[/\\]", unquote(called))[-1]
