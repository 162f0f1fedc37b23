"""A list that is too long for one page, as several: each with rows in their order, and with links to the others."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from pipeline.report import format as fmt
from pipeline.report import text

MOST: Final[Mapping[str, int]] = {
    "index.html": 110, "looked.html": 110, "fleet.html": 140, "meters.html": 200, "money.html": 200,
    "statements.html": 150, "data.html": 250, "sites.html": 400, "beyond.html": 260,
}  # fmt: skip
"""Rows of one page of each list: with them it stays below 300 KB."""

Row = dict[str, Any]
Made = dict[str, tuple[str, Callable[[], Row]]]


@dataclass(frozen=True)
class Part:
    """Some rows of a list: `first` is the number of the first of them, from 1; `places` all parts' paths and names."""

    rows: Sequence[Any]
    first: int
    places: Sequence[tuple[str, str]]
    note: str

    @property
    def is_first(self) -> bool:
        """Whether it is where the list begins, and all that stands beside the list."""
        return self.first == 1


def parted(path: str, rows: Sequence[Any]) -> dict[str, Part]:
    """The parts of a list by the paths of their pages, the first one's as it is given."""
    most = MOST[path]
    starts = range(0, max(len(rows), 1), most)
    paths = [path, *(f"{path.removesuffix('.html')}-{n}.html" for n in range(2, len(starts) + 1))]
    places = [(p, _span(start, rows[start : start + most])) for p, start in zip(paths, starts, strict=True)]
    return {p: _part(start, rows, most, places) for p, start in zip(paths, starts, strict=True)}


def part_pages(parts: Mapping[str, Part], make: Callable[[Part], Row]) -> Made:
    """Template and content of the parts' pages, by their path."""
    first = next(iter(parts))
    return {path: (first, partial(_page, make, part, first)) for path, part in parts.items()}


def _page(make: Callable[[Part], Row], part: Part, section: str) -> Row:
    return make(part) | {"part": part, "section": section}


def _part(start: int, rows: Sequence[Any], most: int, places: Sequence[tuple[str, str]]) -> Part:
    own = rows[start : start + most]
    note = text.PART_NOTE.format(span=_span(start, own), all=fmt.number(len(rows))) if len(places) > 1 else ""
    return Part(own, start + 1, places, note)


def _span(start: int, rows: Sequence[Any]) -> str:
    return text.PART.format(first=fmt.number(start + 1), last=fmt.number(start + len(rows)))
