"""Kind of evidence: contract, on a desk that runs, with a clock that the test sets."""

import logging
from functools import partial

import httpx
import pytest

from pipeline.desk.asked import Desk
from pipeline.desk.book import Book
from pipeline.desk.guard import SignOn
from pipeline.desk.rates import MOST_KEYS, Rate, Rates
from pipeline.said.record import newest
from tests.support.desks import desk_here, visitor


class Clock:
    def __init__(self):
        self.now_s = 1_000.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture(scope="module")
def book(out):
    return Book(out)


@pytest.fixture
def kept_log(caplog, monkeypatch):
    monkeypatch.setattr(logging.getLogger("tankdrift.desk"), "propagate", True)
    caplog.set_level(logging.INFO, logger="tankdrift.desk")
    return caplog


def own_desk(book, rates, clock, sign_on, host):
    return Desk(book, {host}, "M. Orr", sign_on=sign_on, rates=rates, clock=clock)


def test_so_much_at_once_and_then_as_fast_as_it_comes_back():
    rate = Rate(60, 30.0)
    assert [rate.wait_s("a", 0.0) for _ in range(60)] == [0.0] * 60
    assert rate.wait_s("a", 0.0) == pytest.approx(0.5)
    assert rate.wait_s("b", 0.0) == 0.0
    assert rate.wait_s("a", 0.25) == pytest.approx(0.25)
    assert rate.wait_s("a", 0.75) == 0.0
    assert rate.wait_s("a", 0.75) > 0.0
    assert [rate.wait_s("a", 1e6) for _ in range(60)] == [0.0] * 60
    assert rate.wait_s("a", 1e6) > 0.0


def test_a_clock_that_goes_back_neither_gives_nor_shuts_out_for_good():
    rate = Rate(2, 10.0)
    assert [rate.wait_s("a", 100.0), rate.wait_s("a", 100.0)] == [0.0, 0.0]
    assert rate.wait_s("a", 0.0) == pytest.approx(5.0)
    assert rate.wait_s("a", 5.0) == 0.0


def test_who_has_not_asked_for_long_is_forgotten_so_that_memory_stays_of_a_size():
    rate = Rate(1, 60.0)
    for number in range(2 * MOST_KEYS):
        if number % 1_000 == 0:
            assert (rate.wait_s("often", 0.0) > 0.0) == (number > 0)
        rate.wait_s(f"key {number}", 0.0)
    assert len(rate._left) == MOST_KEYS
    assert rate.wait_s(f"key {2 * MOST_KEYS - 1}", 0.0) > 0.0


def test_who_says_too_much_waits_and_then_says_on(book, out, frames, clock, kept_log):
    before = newest(out)
    note = {"kind": "note", "case": frames["cases"]["case_id"][0], "note": "seen"}
    rates = Rates(said=Rate(3, 60.0))
    desk = partial(own_desk, book, rates, clock, None)
    with desk_here(desk) as address, visitor(address) as (client, form):
        codes = [client.post("/say", data=form | note).status_code for _ in range(3)]
        told = client.post("/say", data=form | note)
        again = client.post("/sign-out", data=form)
        assert client.get("/index.html").status_code == 200
        clock.now_s += float(told.headers["Retry-After"])
        codes.append(client.post("/say", data=form | note).status_code)
    assert (codes, newest(out)) == ([303] * 4, before + 4)
    assert (told.status_code, told.headers["Retry-After"], again.status_code) == (429, "20", 429)
    assert told.text == "That is more than this desk answers at once; try again in 20 s. Nothing was written."
    said = [one.getMessage() for one in kept_log.records if '"status": 429' in one.getMessage()]
    assert len(said) == 1 and '"who": "M. Orr"' in said[0] and "asked too often" in said[0]


def test_an_address_that_reads_too_fast_waits_and_is_told_before_anything_is_made(book, clock, kept_log):
    rates = Rates(read_from=Rate(5, 60.0))
    with desk_here(partial(own_desk, book, rates, clock, None)) as address, httpx.Client(base_url=address) as client:
        assert [client.get("/index.html").status_code for _ in range(5)] == [200] * 5
        told = [client.get(path) for path in ("/index.html", "/assets/report.css", "/nothing", "/index.html")]
        assert {one.status_code for one in told} == {429}
        assert {one.headers["Retry-After"] for one in told} == {"12"}
        clock.now_s += 12.0
        assert client.get("/index.html").status_code == 200
    assert sum('"status": 429' in one.getMessage() for one in kept_log.records) == 1


def test_behind_a_proxy_each_person_is_counted_and_not_the_proxy(book, clock):
    rates = Rates(read_from=Rate(2, 60.0))
    sign_on = SignOn("X-Forwarded-User", frozenset({"127.0.0.1"}))
    desk = partial(own_desk, book, rates, clock, sign_on)
    with desk_here(desk) as address, httpx.Client(base_url=address) as client:
        codes = {
            who: [client.get("/index.html", headers={"X-Forwarded-User": who}).status_code for _ in range(3)]
            for who in ("Ines", "M. Orr")
        }
    assert codes == {"Ines": [200, 200, 429], "M. Orr": [200, 200, 429]}
