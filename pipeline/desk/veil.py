"""Text of a settings file with what looks like a secret taken out, and put back when the text comes again. No I/O.

No secret may stand in the file, and the settings refuse most that do. A remark, a key in a link, or a file that
somebody has just changed by hand may have one all the same.
"""

import re
from typing import Final

from pipeline.errors import ArgumentError

_IN_URL: Final = re.compile(r"(?<=://)(?P<user>[^\s:@/?#\"']*):(?P<secret>[^\s/?#\"']*)(?=@)")
_NAMED: Final = re.compile(
    r"""(?P<name>(?:pass(?:word|wd|phrase)?|pwd|token|secret|credentials?|signature|sig|(?:api|access|account|private)[_-]?key
    |key)["']?\s*[=:]\s*)(?:"(?P<double>[^"\n]*)"|'(?P<single>[^'\n]*)'|(?P<plain>[^\s&;,"'#}\]]+))""",
    re.IGNORECASE | re.VERBOSE,
)
_REFERENCE: Final = re.compile(r"(env|block):[A-Za-z0-9_.\-]+")
_PLACE: Final = re.compile(r"[\w./\\-]+\.(pem|der|key|crt|cer|p12|pfx)", re.IGNORECASE)
"""A file of a key is no secret: where it is, is a setting."""


def veiled(text: str) -> tuple[str, list[str]]:
    """The text with a mark in the place of each secret, and the secrets in the order of their marks."""
    stars, secrets = _stars(text), list[str]()

    def mark(secret: str) -> str:
        secrets.append(secret)
        return f"{stars}{len(secrets)}{stars}"

    def in_url(found: re.Match[str]) -> str:
        return f"{found['user']}:{mark(found['secret'])}" if found["secret"] else found[0]

    def named(found: re.Match[str]) -> str:
        secret = next((found[name] for name in ("double", "single", "plain") if found[name]), "")
        if not secret or stars in secret or _REFERENCE.fullmatch(secret) or _PLACE.fullmatch(secret):
            return found[0]
        return found["name"] + found[0][len(found["name"]) :].replace(secret, mark(secret))

    return _NAMED.sub(named, _IN_URL.sub(in_url, text)), secrets


def unveiled(text: str, base: str) -> str:
    """A text that came back, with the secrets of the text that it was made of in their places again.

    Raises
    ------
    ArgumentError
        If a mark stands where what it stands for would be read: it is to stay where it is, or to go with its key.
    """
    stars, (_, secrets) = _stars(base), veiled(base)
    whole = text
    for number, secret in enumerate(secrets, start=1):
        whole = whole.replace(f"{stars}{number}{stars}", secret)
    # As often as before is as open as before: what is short stands in other words, too.
    shown, before = veiled(whole)[0], veiled(base)[0]
    if any(shown.count(secret) > before.count(secret) for secret in secrets):
        raise ArgumentError("a hidden secret was moved to where it would be read; leave its mark where it is")
    return whole


def _stars(text: str) -> str:
    """Stars that are not in the text, so that a mark is one of ours."""
    stars = "***"
    while stars in text:
        stars += "*"
    return stars
