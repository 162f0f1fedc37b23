"""Where everything is that has a name: what the field at the top of each page looks through."""

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from pipeline.report import text
from pipeline.report.fleet import Fleet, Row
from pipeline.report.parts import Part

PLACE: Final = "search.js"
"""Where it is, below the report's folder."""
KINDS: Final = ("tank", "site", "case", "meter", "ticket")
_HASHES: Final = {"tank": "", "site": "", "case": "", "meter": "#q={}", "ticket": "#q={}"}
"""What an address has behind its page, by kind, with the name in the place of the braces."""

Lists = Mapping[str, Sequence[tuple[str, Sequence[Any]]]]


def search_script(fleet: Fleet, parts: Mapping[str, Part], deliveries: Sequence[tuple[str, Sequence[Row]]]) -> str:
    """A script that says of each tank, site, case, meter and ticket on which page it is.

    Parameters
    ----------
    fleet : Fleet
    parts : mapping of str to Part
        The parts of lists by their path.
    deliveries : sequence of (str, rows)
        The pages of deliveries.
    """
    entries: list[tuple[str, str, str, str, str | None]] = []
    for tank in fleet.tanks:
        entries.append(("tank", tank["tank_id"], f"{tank['site']}, {tank['product_label']}", tank["href"], None))
    for site in fleet.tables.rows("sites"):
        if site["site_id"] in fleet.places:
            more = site["site_id"] if site["name"] else ""
            entries.append(("site", site["name"] or site["site_id"], more, fleet.places[site["site_id"]], None))
    for case in fleet.cases:
        page, _, anchor = case.href.partition("#")
        more = ", ".join(filter(None, [case.label, case.site, *case.tanks[:1], case.state_words]))
        entries.append(("case", str(case.row["case_id"]), more, page, f"#{anchor}"))
    meters: dict[str, tuple[str, str]] = {}
    for path, rows in _lists(parts, "meters.html"):
        for row in rows:
            meters.setdefault(row["meter_id"], (row["site"], path))
    entries += [("meter", meter, site, path, None) for meter, (site, path) in meters.items()]
    for path, rows in deliveries:
        for row in rows:
            entries += [("ticket", one, f"{row['tank_id']}, {row['site']}", path, None) for one in row["tickets"]]
    return _script(entries)


def _lists(parts: Mapping[str, Part], first: str) -> list[tuple[str, Sequence[Any]]]:
    return [(path, part.rows) for path, part in parts.items() if part.places[0][0] == first]


def _script(entries: Sequence[tuple[str, str, str, str, str | None]]) -> str:
    pages = list(dict.fromkeys(page for _, _, _, page, _ in entries))
    number = {page: n for n, page in enumerate(pages)}
    told = [
        [KINDS.index(kind), name, more, number[page], *([hash_] if hash_ is not None else [])]
        for kind, name, more, page, hash_ in entries
    ]
    content = {
        "kinds": [text.FOUND_KINDS[kind] for kind in KINDS], "hashes": [_HASHES[kind] for kind in KINDS],
        "pages": pages, "all": told,
    }  # fmt: skip
    return f"globalThis.tankdriftPlaces = {json.dumps(content, ensure_ascii=True, separators=(',', ':'))};\n"
