"""What is new of a case since the last run that was published, or since somebody last looked."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

import polars as pl

from pipeline.contract.vocabulary import URGENCIES
from pipeline.said.believed import GONE
from pipeline.said.looked import Look
from pipeline.said.sayings import Standing, standings

NEWS: Final = ("back", "new", "worse", "better", "ended", "closed")
"""What may be new of a case: closed and back, new, worse, better, over, closed by somebody."""
_KEPT: Final = ("litres", "litres_low", "litres_high", "urgency")

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Shown:
    """What a run showed: the last day of its data, and of each case what tells whether it has changed since."""

    day: date
    cases: Mapping[str, Row] = field(default_factory=dict)


def shown_of(case: Row, state: str) -> dict[str, Any]:
    """What is kept of a case that stands at `state`, one of `current`, `past` and `closed`."""
    return {name: case[name] for name in _KEPT} | {"state": state, "is_over": case["ts_end"] is not None}


def shown_then(cases: Iterable[Row], believed: pl.DataFrame, sayings: pl.DataFrame, look: Look) -> Shown | None:
    """What the worklist showed of cases at a look, by what the runs believed and people said until then.

    None where no run believed anything yet. What is not known of a case then is taken to be as it is now.
    """
    before = believed.filter(pl.col("day") <= look.day)
    if before.is_empty():
        return None
    last = {r["case_id"]: r for r in before.sort("day").unique("case_id", keep="last").iter_rows(named=True)}
    then = [
        dict(case) | {name: last[case["case_id"]][name] for name in (*_KEPT, "state", "is_over")}
        for case in cases
        if last.get(case["case_id"], {"state": GONE})["state"] != GONE
    ]
    said = standings(then, sayings.filter(pl.col("seq") <= look.seq))
    return Shown(look.day, {str(case["case_id"]): _then(case, said[str(case["case_id"])]) for case in then})


def _then(case: Row, said: Standing) -> dict[str, Any]:
    # What a run saw closed may have been opened again after it, and what it saw open may have been closed.
    state = "closed" if said.closed is not None else "current" if case["state"] == "closed" else case["state"]
    is_over = case["ts_end"] is not None if case["is_over"] is None else case["is_over"]
    return {name: case[name] for name in _KEPT} | {"state": state, "is_over": is_over}


def news_of(case: Row, state: str, last: Shown | None) -> str:
    """What is new of a case, one of `NEWS`, or nothing.

    Parameters
    ----------
    case : mapping
    state : str
        `current`, `past` or `closed`.
    last : Shown, optional
        What the run before showed; None where there was none, so that nothing can be new.
    """
    if last is None:
        return ""
    before = last.cases.get(str(case["case_id"]))
    if before is None:
        return "new" if state == "current" else ""
    if state == "closed" or before["state"] == "closed":
        return "" if state == before["state"] else "closed" if state == "closed" else "back"
    is_over = case["ts_end"] is not None
    if (state == "past") > (before["state"] == "past") or is_over > before["is_over"]:
        return "ended"
    return "" if state == "past" else _trend(case, before)


def _trend(case: Row, before: Row) -> str:
    """`worse` or `better`, by urgency, else where the litres are out of the interval that they had."""
    ranks = {name: rank for rank, name in enumerate(URGENCIES)}
    now, then = ranks.get(case["urgency"], len(ranks)), ranks.get(before["urgency"], len(ranks))
    if now != then:
        return "worse" if now < then else "better"
    litres, was, low, high = case["litres"], before["litres"], before["litres_low"], before["litres_high"]
    if None in (litres, was, low, high) or low <= litres <= high:
        return ""
    return "worse" if abs(litres) > abs(was) else "better"
