"""Kind of evidence: contract, on a desk that runs over several nights, with a clock that the test sets."""

import re
from datetime import UTC, datetime, timedelta
from functools import partial
from html import unescape

import httpx
import polars as pl
import pytest

from pipeline.backup import back_up, restore
from pipeline.desk.asked import Desk
from pipeline.desk.book import Book
from pipeline.desk.guard import SignOn
from pipeline.said.looked import FILE, looks
from tests.desk.conftest import DAYS
from tests.desk.test_morning import grown
from tests.support.desks import desk_here
from tests.support.published import publish_frames
from tests.support.report_frames import last_day

HEADER = "X-Forwarded-User"
NEW = "bulk_theft.new.2026-02-13"


class Clock:
    def __init__(self):
        self.now = datetime(2026, 2, 14, 8, tzinfo=UTC)

    def __call__(self):
        return self.now


def by_sign_on(out, clock, host):
    return Desk(Book(out), {host}, "", sign_on=SignOn(HEADER, {"127.0.0.1"}), today=clock)


def seen(client, who, page="index.html"):
    """What is said to be new, the links between the two, and what is new of each case."""
    told = client.get(f"/{page}", headers={HEADER: who})
    assert told.status_code == 200, told.text
    html = unescape(told.text).replace("\u202f", " ")
    links = re.search(r'<nav[^>]*id="since".*?</nav>', html)
    rows = re.findall(r'<tr class="is-[^>]*data-key="([^"]*)".*?</tr>', html, re.DOTALL)
    news = dict.fromkeys(rows, "")
    for row in re.findall(r'<tr class="is-.*?</tr>', html, re.DOTALL):
        found = re.search(r'<small class="news">(.*?)</small>', row)
        news[re.search('data-key="([^"]*)"', row).group(1)] = found.group(1) if found else ""
    line = re.search(r'<p class="news">(.*?)</p>', html)
    return line.group(1) if line else "", links.group(0) if links else "", {k: v for k, v in news.items() if v}


@pytest.fixture(scope="module")
def nights(frames):
    """Three nights: in the second a case doubles and one is new, in the third nothing more has happened."""
    cases = frames["cases"]
    double = cases.filter(cause="meter_drift")["case_id"][0]
    new = cases.filter(cause="bulk_theft").head(1).with_columns(case_id=pl.lit(NEW))
    later = {**frames, "cases": grown(cases, double, 2.0).vstack(new)}
    return double, [frames, later, later]


def test_since_i_last_looked_is_each_persons_own_and_across_nights(out, nights):
    double, (first, second, third) = nights
    publish_frames(out, first, days=DAYS - 2, night=11)
    clock = Clock()
    desk = partial(by_sign_on, out, clock)
    with desk_here(desk) as address, httpx.Client(base_url=address, headers={"Origin": address}) as client:
        assert seen(client, "Ines")[1] == ""
        clock.now += timedelta(days=1)
        publish_frames(out, second, days=DAYS - 1, night=12)
        assert seen(client, "M. Orr")[1:] == ("", {double: "worse", NEW: "new"})
        clock.now += timedelta(days=1)
        publish_frames(out, third, days=DAYS, night=13)
        token = {
            "token": client.get("/reading.html", headers={HEADER: "M. Orr"}).text.split('value="')[1].split('"')[0]
        }
        leak = first["cases"].filter(cause="tank_leak")["case_id"][0]
        said = token | {"kind": "closed", "verdict": "confirmed", "case": leak}
        assert client.post("/say", data=said, headers={HEADER: "M. Orr"}).status_code == 303

        line, links, news = seen(client, "Ines")
        assert (line, news) == (
            f"Since the run over data to {last_day(DAYS - 1):%-d %b %Y}: 1 closed.",
            {leak: "closed"},
        )
        assert 'href="looked.html">since I last looked (14 Feb 2026, 08:00 UTC)' in links
        assert 'href="index.html" aria-current="page">since the last run' in links
        for minutes in (0, 29, 29):  # all of it is one visit, however long
            clock.now += timedelta(minutes=minutes)
            line, links, news = seen(client, "Ines", "looked.html")
            assert line == (
                f"Since you last looked, on 14 Feb 2026, 08:00 UTC, at data to {last_day(DAYS - 2):%-d %b %Y}: "
                "1 new, 1 worse, 1 closed."
            )
            assert news == {double: "worse", NEW: "new", leak: "closed"}
            assert 'href="looked.html" aria-current="page"' in links
        assert seen(client, "M. Orr", "looked.html")[2] == {leak: "closed"}
        assert client.get("/looked-2.html", headers={HEADER: "Ines"}).status_code == 404
        assert client.get("/looked.html", headers={HEADER: "Piet"}).status_code == 404
    # Another desk over the same folder goes on where this one ended: it is still the same visit.
    with desk_here(desk) as address, httpx.Client(base_url=address) as client:
        assert seen(client, "Ines", "looked.html")[2] == {double: "worse", NEW: "new", leak: "closed"}
        clock.now += timedelta(minutes=31)
        line, _, news = seen(client, "Ines", "looked.html")
        assert (news, line.endswith(": nothing new.")) == ({}, True)
    told = [(f"{one.at:%d %H:%M}", one.day, one.seq) for one in looks(out, "Ines")]
    assert told == [
        ("14 08:00", last_day(DAYS - 2), -1), ("16 08:00", last_day(DAYS), 0), ("16 08:29", last_day(DAYS), 0),
        ("16 08:58", last_day(DAYS), 0), ("16 09:29", last_day(DAYS), 0),
    ]  # fmt: skip
    assert 'id="since"' not in (out / "report" / "index.html").read_text()


def test_who_looked_is_in_the_backup_for_its_owner_alone(out, tmp_path):
    before = looks(out, "Ines")
    back_up(out, tmp_path / "b.zip", now=datetime.now(UTC))
    restore(tmp_path / "b.zip", tmp_path / "again")
    assert looks(tmp_path / "again", "Ines") == before != []
    assert (tmp_path / "again" / FILE).stat().st_mode & 0o077 == 0


def test_a_clock_that_goes_back_and_a_file_that_cannot_be_written_keep_nobody_from_the_worklist(out, nights):
    clock = Clock()
    clock.now += timedelta(days=9)
    with desk_here(partial(by_sign_on, out, clock)) as address, httpx.Client(base_url=address) as client:
        assert "since I last looked" in seen(client, "Ines")[1]
        clock.now -= timedelta(days=400)
        assert "since I last looked" in seen(client, "Ines")[1]
        (out / FILE).rename(out / "said" / "away")
        (out / FILE).mkdir()
        try:
            assert seen(client, "Ines")[0].startswith("Since the run")
            publish_frames(out, nights[1][0], days=DAYS - 1, night=14)
            assert seen(client, "Ines")[0].startswith("Since the run")
        finally:
            (out / FILE).rmdir()
            (out / "said" / "away").rename(out / FILE)
