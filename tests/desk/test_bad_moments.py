"""Kind of evidence: contract, on a desk that runs. What comes at the wrong moment, or a thousand times."""

import threading
from functools import partial

import httpx
import pytest

from pipeline.desk.asked import Desk
from pipeline.desk.book import Book
from pipeline.desk.guard import MOST_TRIES, TRIES_WITHIN_S
from pipeline.desk.rates import Rate, Rates
from pipeline.desk.users import User, hashed
from pipeline.store import SNAPSHOT
from tests.desk.conftest import DAYS
from tests.desk.test_users import sign_in
from tests.support.desks import desk_here, visitor
from tests.support.published import snapshot_frames

PASSWORD = "twelve dry dips"
KEPT = hashed(PASSWORD, cost=(2, 8, 1))
"""Cheap to work out: a thousand are asked for."""


class Clock:
    now_s = 1_000.0

    def __call__(self):
        return self.now_s


@pytest.fixture(scope="module")
def book(out):
    return Book(out)


def guarded(book, clock, host):
    often = Rate(100_000, 60.0)
    rates = Rates(said=often, said_from=often)
    return Desk(book, {host}, "", users={"Ines": User(KEPT)}, rates=rates, clock=clock)


def test_of_a_thousand_passwords_at_once_ten_are_looked_at(book):
    clock, codes = Clock(), []

    def guess(first):
        with visitor(address, "sign-in") as (client, form):
            tries = range(first, first + 250)
            codes.extend(sign_in(client, form, password=f"wrong {n}").status_code for n in tries)

    with desk_here(partial(guarded, book, clock)) as address:
        many = [threading.Thread(target=guess, args=(250 * k,)) for k in range(4)]
        for one in many:
            one.start()
        for one in many:
            one.join()
        assert (len(codes), codes.count(403), codes.count(429)) == (1_000, MOST_TRIES, 1_000 - MOST_TRIES)
        with visitor(address, "sign-in") as (client, form):
            assert sign_in(client, form, password=PASSWORD).status_code == 429
            clock.now_s += TRIES_WITHIN_S + 1.0
            assert sign_in(client, form, password=PASSWORD).status_code == 303


def test_who_reads_while_a_run_is_published_gets_the_one_or_the_other_and_never_a_mistake(book, out, frames):
    codes, is_over = set(), threading.Event()

    def read():
        with httpx.Client(base_url=address) as client:
            while not is_over.is_set():
                codes.add(client.get("/index.html").status_code)

    with desk_here(lambda host: Desk(book, {host}, "M. Orr")) as address:
        reader = threading.Thread(target=read)
        reader.start()
        try:
            for night in range(2):
                snapshot_frames(out, frames, days=DAYS, night=20 + night)
        finally:
            is_over.set()
            reader.join()
    assert codes == {200}


def test_a_run_that_is_away_or_spoilt_is_one_line_until_the_next_one_is_there(book, out, frames):
    whole = (out / SNAPSHOT).read_bytes()
    with desk_here(lambda host: Desk(book, {host}, "M. Orr")) as address, httpx.Client(base_url=address) as client:
        for left, says in ((None, "nothing was published here yet"), (b"torn", SNAPSHOT)):
            (out / SNAPSHOT).unlink(missing_ok=True)
            if left is not None:
                (out / SNAPSHOT).write_bytes(left)
            told = client.get("/index.html")
            assert told.status_code == 503 and told.text.startswith("The last run cannot be read: ")
            assert says in told.text and "\n" not in told.text
        (out / SNAPSHOT).write_bytes(whole)
        assert client.get("/index.html").status_code == 200
