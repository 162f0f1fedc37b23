"""The page of constants. Evidence: by hand, and the page as it stands in the docs."""

from tests.support.constants import Constant, constants_of, page, rooms
from tests.support.runs import ROOT

MODULE = '''
"""A module."""
from typing import Final

ONE: Final = 1.0
TWO, THREE = 2.0, 3 * 60.0
"""Two numbers and
one."""
NAMED = {"a": 1.0}
MADE = float("1")
_OWN = 4.0
later = 5.0
WORDLESS = 6


def function():
    INSIDE = 7.0
'''


def test_numbers_in_capitals_are_told_with_their_words():
    assert constants_of(MODULE) == [
        Constant("ONE", "1.0", "Two numbers and one."),
        Constant("TWO, THREE", "2.0, 3 * 60.0", "Two numbers and one."),
        Constant("WORDLESS", "6", ""),
    ]


def test_every_number_that_judges_has_words():
    held = [(module, one.name) for _, here in rooms() for module, one in here if not one.words]
    assert held == []


def test_the_page_is_what_the_code_says():
    assert (ROOT / "docs" / "constants.md").read_text(encoding="utf-8") == page() + "\n"
