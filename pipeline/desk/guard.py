"""Who may ask the desk for what: names of hosts, tokens of forms, tries of passwords, sessions. No I/O, no clock."""

import hashlib
import hmac
import secrets
from collections import defaultdict, deque
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Final
from urllib.parse import urlsplit

MOST_TRIES: Final = 10
"""So many wrong passwords, for one name or from one address, in `TRIES_WITHIN_S`; common practice, no source."""
TRIES_WITHIN_S: Final = 900.0
IDLE_S: Final = 8 * 3600.0
"""A session that nobody uses ends after a working day; common practice, no source."""
MOST_SESSIONS: Final = 10_000
LONGEST_NAME: Final = 200
"""Characters of a name."""


def is_known_host(host: str | None, known: Collection[str]) -> bool:
    """Whether a request's Host is one by which the desk goes: another name that leads here is not its own."""
    return host is not None and host.casefold() in known


def is_own_origin(headers: Mapping[str, str]) -> bool:
    """Whether a browser says that a form was sent from a page of the very host that it is sent to."""
    origin = urlsplit(headers.get("origin", ""))
    is_same = origin.scheme in ("http", "https") and origin.netloc.casefold() == headers.get("host", "").casefold()
    return is_same and headers.get("sec-fetch-site", "same-origin") == "same-origin"


@dataclass(frozen=True, slots=True)
class SignOn:
    """A company's own sign-on: the header in which its proxy names who asks, and the addresses that it asks from."""

    header: str
    proxies: Collection[str]

    def who(self, headers: Mapping[str, str], address: str | None) -> str | None:
        """Who asks, as the proxy says; None where another than the proxy says so, or it names nobody."""
        name = headers.get(self.header, "").strip()
        is_name = bool(name) and name.isprintable() and len(name) <= LONGEST_NAME
        return name if is_name and address in self.proxies else None


@dataclass(slots=True)
class Tries:
    """Wrong passwords by name and by address, each with the times at which they were tried. Any thread may ask. [s]"""

    _at: dict[str, deque[float]] = field(default_factory=lambda: defaultdict(deque))
    _lock: Lock = field(default_factory=Lock)

    def may_try(self, keys: Collection[str], now_s: float) -> bool:
        """Whether a password may be tried, which then is counted: of many at once no more than are left."""
        with self._lock:
            is_over = self.is_over(keys, now_s)
            if not is_over:
                self.add(keys, now_s)
            return not is_over

    def is_over(self, keys: Collection[str], now_s: float) -> bool:
        """Whether one of the keys has had its tries."""
        return any(len(self._recent(key, now_s)) >= MOST_TRIES for key in keys)

    def add(self, keys: Collection[str], now_s: float) -> None:
        """One more wrong password for each of the keys."""
        for key in [key for key in self._at if not self._recent(key, now_s)]:
            del self._at[key]
        for key in keys:
            self._at[key].append(now_s)

    def forget(self, keys: Collection[str]) -> None:
        """Whoever has signed in is no guesser."""
        with self._lock:
            for key in keys:
                self._at.pop(key, None)

    def _recent(self, key: str, now_s: float) -> deque[float]:
        at = self._at.get(key, deque())
        while at and now_s - at[0] > TRIES_WITHIN_S:
            at.popleft()
        return at


@dataclass(slots=True)
class Sessions:
    """Browsers by the secret word in their cookie: who has signed in, and when he was last there. [s]"""

    _secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    _known: dict[str, tuple[str, float]] = field(default_factory=dict)

    def token(self, word: str) -> str:
        """What a form must bring with it from a browser whose cookie has that word."""
        return hmac.new(self._secret, word.encode(), hashlib.sha256).hexdigest()

    def is_token(self, word: str | None, token: str) -> bool:
        """Whether a form has brought it."""
        return word is not None and hmac.compare_digest(self.token(word).encode(), token.encode())

    def begin(self, who: str, now_s: float) -> str:
        """A new word for the cookie of somebody who has signed in."""
        self._known = {w: kept for w, kept in self._known.items() if now_s - kept[1] <= IDLE_S}
        while len(self._known) >= MOST_SESSIONS:
            self._known.pop(next(iter(self._known)))
        word = new_word()
        self._known[word] = (who, now_s)
        return word

    def who(self, word: str | None, now_s: float) -> str | None:
        """Who has signed in with that word; None where nobody has, or he was away too long."""
        who, last_s = self._known.get(word or "", ("", 0.0))
        if not who or now_s - last_s > IDLE_S:
            return None
        self._known[word or ""] = (who, now_s)
        return who

    def end(self, word: str | None) -> None:
        """Sign somebody out."""
        self._known.pop(word or "", None)


def new_word() -> str:
    """A secret word for a cookie."""
    return secrets.token_urlsafe(32)
