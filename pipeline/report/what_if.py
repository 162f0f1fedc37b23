"""A run by other charts beside the run by the lake's own: which cases go, and what is left of the daily variance."""

from collections.abc import Sequence
from typing import Any, Final

import polars as pl

from pipeline.report.case import Case
from pipeline.report.fleet import Fleet

Row = dict[str, Any]

PAGE: Final = "what-if.html"
"""Where the desk shows it."""
DAYS_A_MONTH: Final = 365.25 / 12.0


def compared(before: Fleet, after: Fleet) -> Row:
    """What the page shows: of each tank with another chart its `cases` with what becomes of them, and its variance.

    `gone` counts the cases that are not there by the other charts, `new` those that are there by them alone.
    """
    names = after.tables["other_charts"]["tank_id"].to_list()
    tanks = [tank for tank in before.tanks if tank["tank_id"] in names]
    rows = [_tank(tank, before, after) for tank in tanks]
    said = [case["becomes"] for row in rows for case in row["cases"]]
    return {"rows": rows, "gone": said.count("gone"), "new": said.count("new"), "stays": said.count("stays")}


def _tank(tank: Row, before: Fleet, after: Fleet) -> Row:
    was, now = (_cases_of(fleet, tank["tank_id"]) for fleet in (before, after))
    kept = {case.cause for case in now}
    known = {case.cause for case in was}
    cases = [{"case": case, "becomes": "stays" if case.cause in kept else "gone"} for case in was]
    cases += [{"case": case, "becomes": "new"} for case in now if case.cause not in known]
    return {
        "tank_id": tank["tank_id"],
        "href": tank["href"],
        "cases": cases,
        "before_l": _daily_l(before, tank["tank_id"]),
        "after_l": _daily_l(after, tank["tank_id"]),
    }


def _cases_of(fleet: Fleet, tank_id: str) -> Sequence[Case]:
    """A tank's cases that are open."""
    return [case for case in fleet.cases if tank_id in case.tanks and case.closed is None]


def _daily_l(fleet: Fleet, tank_id: str) -> float | None:
    """Litres of a month's daily variances, each without its sign; None where no day's is known. [l]"""
    days = fleet.tables.of_tank("tank_days", tank_id)["variance_l"].drop_nulls()
    return None if days.is_empty() else DAYS_A_MONTH * float(days.abs().cast(pl.Float64).mean() or 0.0)  # type: ignore[arg-type]
