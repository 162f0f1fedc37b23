"""Names and hashed passwords, one a line: name, tab, scrypt's N, r, p, salt and hash, with colons between.

Behind another tab stands his role, where he has one: `reads` may read and say nothing, `sets` may change settings, too.
"""

import hashlib
import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipeline.errors import ArgumentError
from pipeline.rights import open_private

SHORTEST: Final = 12
"""Characters of a password, at the least. NIST SP 800-63B asks for 8, and for 15 where there is no second factor."""
_N, _R, _P = 2**15, 8, 3
"""Cost of scrypt: OWASP's password storage cheat sheet has N = 2^15, r = 8, p = 3 among its minima."""
_MOST_MEMORY: Final = 2**27
READS: Final = "reads"
SETS: Final = "sets"
ROLES: Final = ("", READS, SETS)


@dataclass(frozen=True, slots=True)
class User:
    """What is kept of somebody's password, and what he may do, one of `ROLES`: without a role, read and work cases."""

    kept: str
    role: str = ""

    @property
    def may_say(self) -> bool:
        """Whether he may say something of cases."""
        return self.role != READS

    @property
    def may_set(self) -> bool:
        """Whether he may change settings."""
        return self.role == SETS


def hashed(password: str, *, salt: bytes | None = None, cost: tuple[int, int, int] = (_N, _R, _P)) -> str:
    """What is kept of a password."""
    salt = secrets.token_bytes(16) if salt is None else salt
    n, r, p = cost
    found = hashlib.scrypt(password.encode(), salt=salt, n=n, r=r, p=p, maxmem=_MOST_MEMORY, dklen=32)
    return f"{n}:{r}:{p}:{salt.hex()}:{found.hex()}"


_NOBODY: Final = f"{_N}:{_R}:{_P}:{'00' * 16}:{'00' * 32}"
"""Hashed against where there is no such name, so that the time taken does not tell which names there are."""


def is_password(users: Mapping[str, User], name: str, password: str) -> bool:
    """Whether name and password go together."""
    kept = users.get(name, User(_NOBODY)).kept
    n, r, p, salt, _ = kept.split(":")
    again = hashed(password, salt=bytes.fromhex(salt), cost=(int(n), int(r), int(p)))
    return hmac.compare_digest(again, kept) and name in users


def read_users(path: Path) -> dict[str, User]:
    """Who may sign in, by name.

    Raises
    ------
    ArgumentError
        If the file has no names or is not as `add_user` writes it.
    """
    found = {}
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        name, _, rest = line.partition("\t")
        kept, _, role = rest.partition("\t")
        try:
            *cost, salt, digest = kept.split(":")
            _require(role in ROLES)
            _require(len(cost) == 3 and all(int(one) > 0 for one in cost) and len(bytes.fromhex(digest)) == 32)
            _require(bool(name.strip()) and bytes.fromhex(salt) != b"")
        except ValueError as error:
            raise ArgumentError(f"{path}, line {number}: no name and hash as desk-user writes them") from error
        found[name] = User(kept, role)
    if not found:
        raise ArgumentError(f"{path}: there is nobody in it; add somebody with: tankdrift desk-user {path} NAME")
    return found


def add_user(path: Path, name: str, password: str, role: str = "") -> None:
    """Put a name, a password and a role, one of `ROLES`, into the file, in the place of that name's old one.

    Raises
    ------
    ArgumentError
        If the name cannot be written, or the password is too short.
    """
    if not name.strip() or not name.isprintable() or len(name) > 200:
        raise ArgumentError(f"{name!r} is no name: up to 200 letters on one line")
    if len(password) < SHORTEST:
        raise ArgumentError(f"the password has {len(password)} characters; it needs {SHORTEST}")
    users = read_users(path) if path.is_file() and path.stat().st_size else {}
    users[name] = User(hashed(password), role)
    beside = path.with_name(f".{path.name}.new")
    with open_private(beside, "w", "utf-8") as file:
        for one, user in users.items():
            file.write("\t".join([one, user.kept, *([user.role] if user.role else [])]) + "\n")
    beside.replace(path)


def _require(holds: bool) -> None:
    if not holds:
        raise ValueError
