"""The words of messages: English, which is built in, or another language from a TOML file of the same keys."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Any, Final

from pipeline.resources import shared_dir
from pipeline.sources.known_keys import near

ENGLISH: Final = "notices.en.toml"
_HEAD: Final = frozenset({"urgency", "place", "cause", "summary"})
"""What the head of a case may be filled with in any language, whether English names it or not."""


@dataclass(frozen=True, slots=True)
class Words:
    """Texts by `section.key`."""

    texts: Mapping[str, str]

    def of(self, key: str, **values: object) -> str:
        """A text, filled in."""
        return self.texts[key].format(**values)

    def day(self, value: date) -> str:
        """A day as the language writes it."""
        return self.of("form.day", year=f"{value.year:04}", month=f"{value.month:02}", day=f"{value.day:02}")

    def number(self, value: float, digits: int = 0) -> str:
        """A number, rounded to as many decimals, which may be negative, with the language's marks."""
        text = f"{round(value, digits):,.{max(digits, 0)}f}"
        return text.translate({ord(","): self.texts["form.group"], ord("."): self.texts["form.decimal"]})


@cache
def english() -> Words:
    """The words that are built in."""
    return Words(_flat(tomllib.loads((shared_dir() / ENGLISH).read_text(encoding="utf-8"))))


def read_words(file: Path | None) -> tuple[Words, list[str]]:
    """The words of a file, English where it has none that can be used, and a line about each of those."""
    if file is None:
        return english(), []
    try:
        told = _flat(tomllib.loads(file.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        return english(), [f"{file}: {error}"]
    except OSError as error:
        return english(), [f"{file}: {error.strerror}"]
    own = english().texts
    troubles = {key: trouble for key, text in told.items() if (trouble := _trouble(key, text, own))}
    troubles |= {key: f"{key} is missing" for key in own if key not in told}
    good = {key: text for key, text in told.items() if key not in troubles}
    return Words({**own, **good}), [f"{file}: {trouble}" for trouble in troubles.values()]


def _flat(told: Mapping[str, Any]) -> dict[str, Any]:
    parts = {section: keys if isinstance(keys, dict) else {"": keys} for section, keys in told.items()}
    return {f"{section}.{key}".rstrip("."): text for section, keys in parts.items() for key, text in keys.items()}


def _trouble(key: str, text: Any, own: Mapping[str, str]) -> str | None:
    if key not in own:
        return f"there is no key {key}{near(key, own)}"
    if not isinstance(text, str):
        return f"{key} is no text"
    known = _HEAD if key == "case.head" else _filled(own[key])
    try:
        odd = sorted(_filled(text) - known)
    except ValueError:
        return f"{key} has a brace that is not closed, or not opened"
    return f"{key} has {{{odd[0]}}}, which is not told there" if odd else None


def _filled(text: str) -> set[str]:
    """What a text is filled with: each the name alone, for anything behind it would be no name that is known."""
    parts = [(name, form, turned) for _, name, form, turned in Formatter().parse(text) if name is not None]
    return {name if not form and not turned else f"{name}!{turned}:{form}" for name, form, turned in parts}
