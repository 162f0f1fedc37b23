"""Kind of evidence: contract, against a real mail server and a real web server on loopback. What a notice says."""

import tomllib
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.contract.causes import CAUSE
from pipeline.doctor import examine
from pipeline.messages.words import english, read_words
from pipeline.report.text import PRODUCTS
from pipeline.resources import shared_dir
from pipeline.said.sayings import SCHEMA as SAYINGS
from pipeline.said.sayings import Saying, row_of
from pipeline.sources.config import read_operations
from pipeline.sources.notice_config import NoticeConfig, Recipient
from tests.sources.test_notices import NOON, _case, _cases, _tell, inbox  # noqa: F401 - the fixture
from tests.support.lakes import rows
from tests.support.servers import receiver

SITE = rows(
    "sites",
    {"site_id": "S1", "name": "Ferrow", "timezone": "Europe/Berlin", "trading_day_start": "06:00", "currency": "EUR"},
)
TANK = rows("tanks", {"tank_id": "T1", "site_id": "S1", "product": "diesel_b7"})
PRICE = pl.DataFrame([{"tank_id": "T1", "product": "diesel_b7", "price": 1.5, "currency": "EUR"}])
SHORT = _case(
    "short_delivery.D7.2026-05-03", "today", cause="short_delivery", delivery_id="D7", ts_end=NOON, litres=-1480.0,
    litres_low=-1610.0, litres_high=-1350.0, probability=0.93, ts_start=datetime(2026, 5, 2, 22, 30, tzinfo=UTC),
    action="Put the figures to the haulier within the time for claims.",
)  # fmt: skip
"""Half past midnight on the third of May, at the site."""


def _of_short(recipient, out, *, now=NOON, sayings=None, **config):
    out.mkdir(exist_ok=True)
    frames = {"tanks": TANK, "prices": PRICE} | ({} if sayings is None else {"sayings": sayings})
    return _tell(NoticeConfig(to=(recipient,), **config), _cases(SHORT), out, now, SITE, **frames)


def test_a_mail_says_what_to_do_who_by_when_and_where_more_is(inbox, tmp_path):  # noqa: F811
    ops = Recipient(role="haulage desk", url="env:MAIL_OPS")
    _of_short(ops, tmp_path, desk_url="https://desk.example.org/")
    ((_, title, text),) = inbox.taken()
    assert title == "tankdrift: 1 case, first at Ferrow"
    assert [line.strip() for line in text.splitlines()] == [
        "[today] Ferrow T1: Story of short_delivery.D7.2026-05-03.",
        "Product: Diesel B7",
        "Ticket: D7",
        "Ticket's day: 2026-05-03",
        "Haulier: Larch & Way",
        "Since: 2026-05-03",
        "Litres: 1,480 l lost (1,350 to 1,610)",
        "Worth: EUR 2,220",  # 1480 l at 1.50
        "How sure: 93 %",
        "What to do: Put the figures to the haulier within the time for claims.",
        "For: haulage desk",
        "By: 2026-05-04",
        "Case: short_delivery.D7.2026-05-03",
        "See: https://desk.example.org/tanks/T1.html#case-short_delivery-D7-2026-05-03-da2197b3",
    ]
    (page,) = inbox.pages
    assert "Haulier: Larch &amp; Way<br/>" in page
    assert '<a href="https://desk.example.org/tanks/T1.html#case-short_delivery-D7-' in page


def test_who_took_it_in_hand_and_by_when_goes_before_role_and_urgency(inbox, tmp_path):  # noqa: F811
    case = _cases(SHORT).row(0, named=True)
    taken = row_of(
        Saying(kind="taken", case_id=SHORT["case_id"], owner="M. Orr", due_on=NOON.date() + timedelta(days=2)), case, {}
    )
    said = pl.DataFrame([taken | {"seq": 1, "at": NOON}], schema=SAYINGS)
    _of_short(Recipient(role="haulage desk", url="env:MAIL_OPS"), tmp_path, sayings=said)
    ((_, _, text),) = inbox.taken()
    assert [line for line in text.splitlines() if line.startswith(("For", "By"))] == ["For: M. Orr", "By: 2026-05-06"]


@pytest.mark.parametrize(
    ("report_url", "link"),
    [
        ("https://x.example/", "https://x.example/tanks/T1.html#case-"),
        ("https://x.example/r", "https://x.example/r/tanks/T1.html#case-"),
        ("https://x.example/r/index.html", "https://x.example/r/tanks/T1.html#case-"),
    ],
)
def test_a_case_is_linked_in_the_report_whichever_way_its_address_ends(tmp_path, monkeypatch, report_url, link):
    with receiver() as (address, taken):
        monkeypatch.setenv("HOOK", address)
        _of_short(Recipient(role="hook", url="env:HOOK"), tmp_path, report_url=report_url)
    assert taken[0]["cases"][0]["url"].startswith(link)
    assert taken[0]["message"].endswith(report_url)


def test_a_webhook_gets_fields_and_severities_that_the_settings_may_rename(tmp_path, monkeypatch):
    with receiver() as (address, taken):
        monkeypatch.setenv("HOOK", address)
        hook = Recipient(role="hook", url="env:HOOK")
        _of_short(hook, tmp_path / "a")
        _of_short(hook, tmp_path / "b", severities={"today": "P2"})
    first, second = taken
    assert (first["type"], first["kind"], first["severity"], second["severity"]) == (
        "warning", "at_once", "error", "P2",
    )  # fmt: skip
    (case,) = first["cases"]
    assert case == {
        "case_id": "short_delivery.D7.2026-05-03", "cause": "short_delivery", "urgency": "today", "severity": "error",
        "site_id": "S1", "site": "Ferrow", "tank_id": "T1", "meter_id": None, "delivery_id": "D7",
        "product": "diesel_b7", "haulier": "Larch & Way", "ticket_at": "2026-05-03T12:00:00+00:00",
        "since": "2026-05-02T22:30:00+00:00", "until": "2026-05-04T12:00:00+00:00", "raised_on": "2026-05-03",
        "litres": -1480.0, "litres_low": -1610.0, "litres_high": -1350.0, "rate_l_per_h": None,
        "meter_error_pct": None, "probability": 0.93, "money": 2220.0, "currency": "EUR",
        "do": "Put the figures to the haulier within the time for claims.",
        "summary": "Story of short_delivery.D7.2026-05-03.", "who": "hook", "due_on": "2026-05-04", "is_back": False,
        "url": None,
    }  # fmt: skip


@pytest.mark.parametrize(("urgency", "due"), [("act_now", "2026-05-05"), ("this_week", "2026-05-12"), ("watch", None)])
def test_by_when_hangs_on_the_urgency_and_the_sites_clock(tmp_path, monkeypatch, urgency, due):
    """Half past ten in the evening of the fourth by UTC is the fifth at the site."""
    every = ("act_now", "this_week", "watch")
    with receiver() as (address, taken):
        monkeypatch.setenv("HOOK", address)
        config = NoticeConfig(to=(Recipient(role="hook", url="env:HOOK", at_once=every, digest=()),))
        _tell(config, _cases(_case("A", urgency)), tmp_path, NOON + timedelta(hours=10.5), SITE)
    assert taken[0]["cases"][0]["due_on"] == due
    assert ("By: at once" in taken[0]["message"]) == (urgency == "act_now")


def test_a_site_is_told_in_its_own_language(inbox, tmp_path):  # noqa: F811
    (tmp_path / "tankdrift.toml").write_text(
        '[[notices.to]]\nrole = "Tankstelle"\nurl = "env:MAIL_SITE"\nwords = "notices.de.toml"\n'
    )
    (recipient,) = read_operations(tmp_path / "tankdrift.toml").notices.to
    _of_short(recipient, tmp_path / "out")
    ((_, title, text),) = inbox.taken()
    assert title == "tankdrift: 1 Fall, Ferrow"
    assert [line.strip() for line in text.splitlines()] == [
        "[heute] Ferrow T1: Weniger geliefert als auf dem Lieferschein",
        "Produkt: Diesel B7",
        "Lieferschein: D7",
        "Lieferschein vom: 03.05.2026",
        "Spedition: Larch & Way",
        "Seit: 03.05.2026",
        "Liter: 1.480 l fehlen (1.350 bis 1.610)",
        "Wert: EUR 2.220",
        "Wie sicher: 93 %",
        "Was zu tun ist: Die Zahlen der Spedition innerhalb der Reklamationsfrist vorlegen.",
        "Für: Tankstelle",
        "Bis: 04.05.2026",
        "Fall: short_delivery.D7.2026-05-03",
    ]


def test_english_says_what_the_contract_and_the_report_say():
    told = tomllib.loads((shared_dir() / "notices.en.toml").read_text(encoding="utf-8"))
    assert told["cause"] == {name: cause.title for name, cause in CAUSE.items()}
    assert told["do"] == {name: cause.action for name, cause in CAUSE.items()}
    assert told["product"] == PRODUCTS


@pytest.mark.parametrize("name", ["notices.en.toml", "notices.de.toml"])
def test_the_languages_that_ship_have_every_word(name):
    words, troubles = read_words(shared_dir() / name)
    assert troubles == []
    assert set(words.texts) == set(english().texts)


GERMAN = (shared_dir() / "notices.de.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        (("by = ", "bye = "), "there is no key label.bye; did you mean label.by? (and 1 more)"),
        (('who = "Für"\n', ""), "label.who is missing"),
        (('"Für"', "3"), "label.who is no text"),
        (("{litres} l fehlen", "{liter} l fehlen"), "case.lost has {liter}, which is not told there"),
        (("{litres} l fehlen", "{litres.__class__} l"), "case.lost has {litres.__class__}, which is not told there"),
        (("{litres} l fehlen", "{litres l"), "case.lost has a brace that is not closed, or not opened"),
        (("[label]", "[label"), "Expected ']'"),
    ],
)
def test_what_is_wrong_with_a_file_of_words_is_one_line_and_english_until_it_is_mended(
    inbox,  # noqa: F811
    tmp_path,
    changed,
    said,
):
    (tmp_path / "words.toml").write_text(GERMAN.replace(*changed), encoding="utf-8")
    (tmp_path / "tankdrift.toml").write_text(
        '[[notices.to]]\nrole = "site"\nurl = "env:MAIL_SITE"\nnight = ["failed"]\nwords = "words.toml"\n'
    )
    found = [one for one in examine(tmp_path / "tankdrift.toml", now=NOON) if one.what == "notices to site"]
    bad = [one.said for one in found if not one.is_well]
    assert len(bad) == 1
    assert bad[0].startswith(f"{tmp_path / 'words.toml'}: {said}")
    (recipient,) = read_operations(tmp_path / "tankdrift.toml").notices.to
    _of_short(recipient, tmp_path / "out")
    assert len(inbox.taken()) == 1


def test_a_file_of_words_that_is_not_there_is_named(tmp_path):
    assert read_words(tmp_path / "no.toml")[1] == [f"{tmp_path / 'no.toml'}: No such file or directory"]
