"""A list that is too long for one page, as several: each with rows in their order, and with links to the others.

Who filters looks through all of them: a script beside each has its rows, and is read when another part's filter asks.
"""

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

from pipeline.report import format as fmt
from pipeline.report import text

MOST: Final[Mapping[str, int]] = {
    "index.html": 110, "looked.html": 110, "fleet.html": 130, "meters.html": 200, "money.html": 200,
    "statements.html": 150, "data.html": 250, "sites.html": 400, "beyond.html": 260,
}  # fmt: skip
"""Rows of one page of each list: with them it stays below 300 KB."""
MOST_READ: Final = 40
"""Parts whose rows a filter reads: some 10 MB of them; what a list of more has is found part by part. No source."""
_UNFILTERED: Final = frozenset({"data.html"})
_TABLE: Final = re.compile(r'<form class="filters[^>]* data-table="([^"]+)"')

Row = dict[str, Any]
Made = dict[str, tuple[str, Callable[[], Row]]]


@dataclass(frozen=True)
class Part:
    """Some rows of a `whole` list, `first` the number of the first, from 1; `places` are all parts' paths and names.

    `scripts` are those of all parts' rows in their order, none where the list is on one page or has no filter.
    """

    path: str
    rows: Sequence[Any]
    whole: Sequence[Any]
    first: int
    places: Sequence[tuple[str, str]]
    note: str
    scripts: Sequence[str]

    @property
    def at(self) -> int:
        """Which of the parts it is, from 0."""
        return next(number for number, (path, _) in enumerate(self.places) if path == self.path)

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
    is_read = 1 < len(paths) <= MOST_READ and path not in _UNFILTERED
    scripts = [rows_place(p) for p in paths] if is_read else []
    return {p: _part(p, start, rows, most, places, scripts) for p, start in zip(paths, starts, strict=True)}


def rows_place(path: str) -> str:
    """Where the script is that has the rows of a part's page."""
    return f"rows-{path.removesuffix('.html')}.js"


def page_of_rows(place: str) -> str | None:
    """The page whose rows a script has; None where it is no such script."""
    found = re.fullmatch(r"rows-([\w-]+)\.js", place)
    return found and f"{found[1]}.html"


def rows_script(path: str, html: str) -> str:
    """A script that has the rows of a part's page as they are there, and what is saved of them."""
    table = _TABLE.search(html)
    if table is None:
        raise ValueError(f"{path} has no list to be filtered")
    body = re.search(rf'<table[^>]* id="{table[1]}".*?<tbody>(.*?)</tbody>', html, re.DOTALL)
    records = re.search(rf'id="{table[1]}-records">(.*?)</script>', html, re.DOTALL)
    content = {"rows": body[1] if body else "", "records": json.loads(records[1])["rows"] if records else {}}
    place, dumped = rows_place(path), json.dumps(content, ensure_ascii=True, separators=(",", ":"))
    return f'(globalThis.tankdriftRows ??= {{}})["{place}"] = {dumped};\n'


def part_pages(parts: Mapping[str, Part], make: Callable[[Part], Row]) -> Made:
    """Template and content of the parts' pages, by their path."""
    first = next(iter(parts))
    return {path: (first, partial(_page, make, part, first)) for path, part in parts.items()}


def _page(make: Callable[[Part], Row], part: Part, section: str) -> Row:
    return make(part) | {"part": part, "section": section}


def _part(
    path: str, start: int, rows: Sequence[Any], most: int, places: Sequence[tuple[str, str]], scripts: Sequence[str]
) -> Part:
    own = rows[start : start + most]
    told = text.PART_NOTE if scripts else text.PART_ALONE_NOTE
    note = told.format(span=_span(start, own), all=fmt.number(len(rows))) if len(places) > 1 else ""
    return Part(path, own, rows, start + 1, places, note, scripts)


def _span(start: int, rows: Sequence[Any]) -> str:
    return text.PART.format(first=fmt.number(start + 1), last=fmt.number(start + len(rows)))
