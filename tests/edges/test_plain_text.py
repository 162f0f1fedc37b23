"""Kind of evidence: known truth by construction. Text that is shown does nothing."""

import pytest

from pipeline.errors import LakeError
from pipeline.plain_text import in_a_line, printable

SEEN = "\N{REPLACEMENT CHARACTER}"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Ferrow Cross, Straße 7", "Ferrow Cross, Straße 7"),
        ("\x1b[31mred\x1b[0m\x07", f"{SEEN}[31mred{SEEN}[0m{SEEN}"),
        ("\u202eworreF\u2066", f"{SEEN}worreF{SEEN}"),
        ("a\0b\rc\x85d\u2028e", f"a{SEEN}b{SEEN}c{SEEN}d{SEEN}e"),
        ("two\nlines\tand a tab", "two\nlines\tand a tab"),
        ("\ud800", SEEN),
    ],
)
def test_what_acts_is_replaced_and_all_else_stays(text, shown):
    assert printable(text) == shown


def test_a_name_in_a_line_is_one_line_and_not_too_long():
    assert in_a_line("Ferrow\r\nBcc: x@y\x1b[2J") == f"Ferrow Bcc: x@y{SEEN}[2J"
    assert in_a_line("F" * 120) == "F" * 120
    assert in_a_line("F" * 121) == "F" * 119 + "…"


def test_a_mistake_s_line_does_nothing_either():
    assert str(LakeError("tank \x1b[2J\nnot there")) == f"tank {SEEN}[2J not there"
