"""Contract: the examples on the page 'From level to litres' are what the code gives."""

import doctest
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "from-level-to-litres.md"


def test_examples_of_the_page():
    flags = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS
    result = doctest.testfile(str(PAGE), module_relative=False, optionflags=flags, encoding="utf-8")
    assert result.attempted > 10
    assert result.failed == 0
