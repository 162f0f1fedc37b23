"""What every page of the report draws on, worked out once for all of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any

from pipeline.report import links, summaries, worklist
from pipeline.report.case import Case
from pipeline.report.statements import statements
from pipeline.report.stock import last_stock
from pipeline.report.tables import Tables

Row = dict[str, Any]


@dataclass(frozen=True)
class Fleet:
    """What every page draws on; `places` are the sites' pages by site."""

    tables: Tables
    as_of: date
    tanks: list[Row]
    cases: list[Case]
    statements: list[Row]
    gauges: list[Row]
    refused: list[Row]
    pools: Mapping[str, str]
    places: Mapping[str, str]

    @classmethod
    def of(cls, tables: Tables, as_of: date) -> "Fleet":
        """Everything that is worked out once, for all pages."""
        pages = links.page_names(t for t in tables["tanks"]["tank_id"] if t is not None)
        cases = worklist.ranked(tables, pages, as_of)
        stock = tables.once("stock", partial(last_stock, tables))
        tanks = [t | stock[t["tank_id"]] for t in summaries.tanks(tables, pages, cases)]
        by_id = {t["tank_id"]: t for t in tanks}
        said = statements(tables, by_id, cases)
        latest: dict[str, Row] = {}
        for row in said:
            latest.setdefault(row["tank_id"], row)
        tanks = [t | {"statement": latest.get(t["tank_id"])} for t in tanks]
        return cls(
            tables, as_of, tanks, cases, said, summaries.gauges(tables, by_id), summaries.refused(tables),
            worklist.pools(tables), links.site_pages(s for s in tables["sites"]["site_id"] if s is not None),
        )  # fmt: skip


def by_tank(cases: Sequence[Case]) -> dict[str, list[Case]]:
    """The cases that concern each tank, by its identifier."""
    found: dict[str, list[Case]] = {}
    for case in cases:
        for tank_id in case.tanks:
            found.setdefault(tank_id, []).append(case)
    return found
