"""Secrets by reference: a settings file says where a secret is, never what it is.

``env:NAME`` is a variable of the environment, ``block:NAME`` a Secret block of Prefect. What is looked up is kept for
`hidden`, which takes it out of whatever is about to be logged or written.
"""

import os
import re
from typing import Annotated, Final
from urllib.parse import quote, unquote, urlsplit

from pydantic import AfterValidator

from pipeline.errors import SourceError

_REFERENCE: Final = re.compile(r"^(env|block):([A-Za-z0-9_.\-]+)$")
_LOOKED_UP: Final[set[str]] = set()
_IN_URL: Final = re.compile(r"://[^:@/]*:(.*)@", re.DOTALL)
_IN_WORDS: Final = re.compile(r"(?:password|passwd|pwd|token|secret)\s*=\s*('(?:[^'\\]|\\.)*'|[^\s&;]+)", re.IGNORECASE)
_SECRET_OPTION: Final = re.compile(r"secret|token|password|credential|access_key|account_key", re.IGNORECASE)
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


def _only_references(options: dict[str, str]) -> dict[str, str]:
    for name, value in options.items():
        if _SECRET_OPTION.search(name) and not _REFERENCE.match(value):
            raise ValueError(f"option {name} is a secret; it stands here by reference alone: env:NAME or block:NAME")
    return options


Reference = Annotated[str, AfterValidator(_only_reference)]
"""A setting that is a secret."""

Options = Annotated[dict[str, str], AfterValidator(_only_references)]
"""Settings of an object store; those that are secrets by reference."""

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
        raise SourceError(f"{text}: there is no {name} in {where}", mend="set it there")
    _LOOKED_UP.update(secret for secret in _parts(value) if len(secret) >= _SHORTEST)
    return value


def _from_block(name: str) -> str | None:
    # Before Prefect is imported: no word to the outside, whatever else is set.
    os.environ.update({"DO_NOT_TRACK": "1", "PREFECT_SERVER_ANALYTICS_ENABLED": "false"})
    from prefect.blocks.system import Secret

    try:
        return str(Secret.load(name).get())  # type: ignore[union-attr]
    except ValueError:
        return None
    except Exception as error:  # its client's own, of many kinds
        raise SourceError(
            f"block:{name}: Prefect cannot be asked for it ({type(error).__name__})", mend="see PREFECT_API_URL"
        ) from error


def _parts(value: str) -> set[str]:
    """The secret, and what of it may turn up alone: a password, as it stands, quoted, and torn at what parts URLs."""
    found = {value}
    for password in [match[1] for match in _IN_URL.finditer(value)] + _IN_WORDS.findall(value):
        plain = unquote(password.strip("'"))
        found |= {password, plain, quote(plain, safe=""), *re.split(r"[/:@?#]", password)}
    return found


def hidden(text: str) -> str:
    """The text with every secret that was looked up taken out of it."""
    for secret in sorted(_LOOKED_UP, key=len, reverse=True):
        text = text.replace(secret, "***")
    return text


def in_short(error: BaseException) -> str:
    """What an error says, in one line without a secret, cut where it is long; its kind where it says nothing."""
    # Hidden before it is cut: half a secret would not be known for one.
    return hidden(" ".join(hidden(str(error)).split()))[:300] or type(error).__name__
