"""A desk, and a request to it: what both are known by."""

import time
from asyncio import Semaphore
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from starlette.requests import Request

from pipeline.desk.book import Book
from pipeline.desk.guard import Sessions, SignOn, Tries
from pipeline.desk.rates import Rates
from pipeline.desk.settings_file import SettingsFile
from pipeline.desk.users import User

COOKIE: Final = "tankdrift_desk"
MOST_BRINGING: Final = 4
"""So many bring a file at once, each of which is in memory; no source."""


@dataclass(slots=True)
class Desk:
    """What a desk goes by: its pages, the hosts that it is known as, and who may sign in, or else who sits at it.

    With a `sign_on` a company's proxy says who asks; with a `lake` a tank's page shows every reading. `settings` is the
    file of settings that it shows, and `setters` may change them, beside those of `users` who have that role. `clock`
    is of seconds, and `today` of instants.
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
    settings: SettingsFile | None = None
    setters: Collection[str] = ()
    today: Callable[[], datetime] = lambda: datetime.now(UTC)

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

    def may_set(self, who: str | None) -> bool:
        """Whether somebody may change settings, or only read them."""
        if self.settings is None or who is None:
            return False
        return who in self.setters or (who in self.users and self.users[who].may_set)


@dataclass(slots=True)
class Asked:
    """A request, the secret word of its browser, and who sits there, None where he has yet to sign in.

    `done` is what came of it, for the log, `back` a page to go back to, and `looked` when he saw the worklist before
    this visit, in words, where it can be told what is new since.
    """

    desk: Desk
    request: Request
    word: str
    who: str | None
    done: str = ""
    back: str = "index.html"
    looked: str = ""

    @property
    def address(self) -> str | None:
        """Where it is asked from; None where a proxy asks for everybody."""
        found = self.request.client.host if self.request.client else None
        return None if self.desk.sign_on is not None and found in self.desk.sign_on.proxies else found

    @property
    def path(self) -> str:
        """What is asked for."""
        return self.request.url.path.removeprefix("/")

    @property
    def is_asset(self) -> bool:
        """Whether it is a style or a script, which say nothing of anybody."""
        return self.path.startswith("assets/")
