"""Kind of evidence: contract. Whatever sites and tanks are called, a message is one message and says it in words.

Real receivers: a mail server and a web server on loopback.
"""

import json
import re
from datetime import timedelta

import pytest

from pipeline.sources.notice_config import NoticeConfig, Recipient
from tests.sources.test_notices import NOON, _case, _cases, _tell, inbox  # noqa: F401 - the fixture
from tests.support.lakes import rows
from tests.support.servers import receiver

HOSTILE = {
    "markup": "<script>alert(1)</script>",
    "a header of its own": "Ferrow\r\nBcc: other@example.org\r\n\r\nno body",
    "escapes of a terminal": "\x1b[31mFerrow\x1b[0m\x07",
    "marks that turn text round": "\u202eworreF\u2066",
    "a nought character": "Fer\0row",
    "9,000 characters": "F" * 9_000,
    "a template": "{{ 7 * 7 }}%s%n${HOME}",
}


def _told(name: str, url: str, tmp_path):
    sites = rows("sites", {"site_id": "S1", "name": name, "timezone": "UTC", "trading_day_start": "06:00"})
    case = _case("A", "act_now", tank_id=name, summary=f"Of {name}.")
    config = NoticeConfig(to=(Recipient(role="operations", url=url),))
    return _tell(config, _cases(case), tmp_path, NOON + timedelta(minutes=1), sites)


@pytest.mark.parametrize("name", HOSTILE.values(), ids=list(HOSTILE))
def test_a_mail_has_one_subject_one_receiver_and_says_it_all(inbox, tmp_path, name):  # noqa: F811
    (told,) = _told(name, "env:MAIL_OPS", tmp_path)
    assert told.error is None, told.error
    ((to, subject, body),) = inbox.taken()
    assert to == "ops@example.org"
    assert "\n" not in subject and "\r" not in subject
    assert subject.startswith("tankdrift: 1 case, first at ")
    assert "What to do: Treat as a suspected release" in body
    (page,) = inbox.pages
    assert "<script" not in page
    assert set(re.findall(r"<(\w+)", page)) <= {"p", "b", "br"}
    assert not set(subject + body) & set("\x1b\x07\0\u202e\u2066")


@pytest.mark.parametrize("name", HOSTILE.values(), ids=list(HOSTILE))
def test_a_web_hook_gets_one_message(tmp_path, name, monkeypatch):
    with receiver() as (address, taken):
        monkeypatch.setenv("HOOK", address)
        (told,) = _told(name, "env:HOOK", tmp_path)
    assert told.error is None, told.error
    (message,) = taken
    assert "\n" not in message["title"] and "\r" not in message["title"]
    assert not set(json.dumps(message, ensure_ascii=False)) & set("\x1b\x07\0\u202e\u2066")
