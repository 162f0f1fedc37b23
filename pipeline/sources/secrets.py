"""Secrets by reference: a settings file says where a secret is, never what it is.

``env:NAME`` is a variable of the environment, ``block:NAME`` a Secret block of Prefect. What is looked up is kept for
`hidden`, which takes it out of whatever is about to be logged or written.
"""

import os
import re
from typing import Annotated, Final
from urllib.parse import quote, urlsplit

from pydantic import AfterValidator

from pipeline.errors import SourceError

_REFERENCE: Final = re.compile(r"^(env|block):([A-Za-z0-9_.\-]+)$")
_LOOKED_UP: Final[set[str]] = set()
_SHORTEST: Final = 4
"""Shorter than this nothing is taken out of a text: it would tear words apart."""


def _only_reference(text: str) -> str:
    if not _REFERENCE.match(text):
        # The text itself is not repeated: it may be the secret.
        raise ValueError("a secret stands here by reference alone: env:NAME or block:NAME")
    return text


def _no_password(text: str) -> str:
    if not _REFERENCE.match(text) and (urlsplit(text).password or re.search(r"password=", text, re.IGNORECASE)):
        raise ValueError("the address has a password in it; put the address into the environment and write env:NAME")
    return text


Reference = Annotated[str, AfterValidator(_only_reference)]
"""A setting that is a secret."""

Address = Annotated[str, AfterValidator(_no_password)]
"""A setting that is an address, or a reference to one where it has a password in it."""


def looked_up(text: str) -> str:
    """What a reference refers to; any other text as it is.

    Raises
    ------
    SourceError
        If the environment, or Prefect, has no such secret.
    """
    match = _REFERENCE.match(text)
    if match is None:
        return text
    kind, name = match.groups()
    value = os.environ.get(name) if kind == "env" else _from_block(name)
    if not value:
        where = "the environment" if kind == "env" else "Prefect's Secret blocks"
        raise SourceError(f"{text}: there is no {name} in {where}; set it there")
    _LOOKED_UP.update(secret for secret in _parts(value) if len(secret) >= _SHORTEST)
    return value


def _from_block(name: str) -> str | None:
    from prefect.blocks.system import Secret

    try:
        return str(Secret.load(name).get())  # type: ignore[union-attr]
    except ValueError:
        return None


def _parts(value: str) -> set[str]:
    """The secret, and what of it may turn up on its own: the password of an address, also as it is quoted there."""
    found = {value}
    try:
        password = urlsplit(value).password
    except ValueError:
        password = None
    if password:
        found |= {password, quote(password, safe=""), _unquoted(password)}
    return found


def _unquoted(text: str) -> str:
    from urllib.parse import unquote

    return unquote(text)


def hidden(text: str) -> str:
    """The text with every secret that was looked up taken out of it."""
    for secret in sorted(_LOOKED_UP, key=len, reverse=True):
        text = text.replace(secret, "***")
    return text
