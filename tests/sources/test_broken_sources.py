"""Kind of evidence: contract, against real servers. Each row of docs/broken-sources.md is what happens today."""

import pytest

from tests.support.broken_page import PAGE, head, stage, told_of
from tests.support.broken_things import BROKEN

SILENT = {
    "nothing",
    "nobody is told when a night fails",  # this night does not
    "before the first night, no ticket yet",
    "a clock is a year behind",
    "a tag that the historian has not",
    "a Modbus device does not answer",
}
"""What a night is done with; of all but the tickets the doctor says that something is amiss."""

UNTOLD = {
    "nothing",
    "before the first night, no ticket yet",
    "a mailbox that there is not",
    "a mail server that is down",
}
"""What the doctor cannot see: it sends nobody a mail."""


@pytest.fixture(scope="module")
def staged():
    with stage() as (fleet, kept):
        yield fleet, kept


@pytest.mark.parametrize("broken", BROKEN, ids=[broken.what for broken in BROKEN])
def test_what_is_broken_is_said_as_the_page_says(staged, broken):
    told = told_of(broken, *staged)
    assert told.line() in PAGE.read_text().splitlines()
    assert (told.night_code == 0) is (broken.what in SILENT)
    assert (told.doctor_code == 0) is (broken.what in UNTOLD)
    assert "fen-orchard-12" not in told.line()
    assert "wren-ladder" not in told.line()


def test_the_page_has_a_row_each_and_no_other():
    page = PAGE.read_text()
    assert page.startswith(head())
    rows = page[len(head()) :].splitlines()
    assert [row.split(" | ")[0] for row in rows] == [f"| {broken.what}" for broken in BROKEN]
    assert len(rows) > 40
