"""Text of a lake on its way to a terminal, a log or a message: what it says, and nothing that it does."""

from __future__ import annotations

from typing import Final

STANDS_FOR: Final = "\N{REPLACEMENT CHARACTER}"
MOST: Final = 120
"""Characters of a name in a line that holds others too."""


def printable(text: str) -> str:
    """The text with every character that is not shown, but acts, replaced: controls, escapes, marks that turn text.

    Ends of lines and tabs stay.
    """
    return "".join(one if one.isprintable() or one in "\n\t" else STANDS_FOR for one in text)


def in_a_line(text: str, most: int = MOST) -> str:
    """The text as part of a line: printable, without ends of lines, cut after `most` characters."""
    line = printable(" ".join(text.split()))
    return line if len(line) <= most else line[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"
