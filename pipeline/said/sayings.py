"""Sayings as rows: what may be said, where a case stands by what was said of it, and what that is as labels."""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.fields import MOST_L
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.store import KEPT_TABLES
from pipeline.contract.vocabulary import CAUSES, CAUSES_WITHOUT_LITRES, LABEL_VERDICTS, SAYING_KINDS, URGENCIES
from pipeline.errors import ArgumentError

SCHEMA: Final = polars_schema(KEPT_TABLES["sayings"])
MOST_NOTE_BYTES: Final = 20_000
"""A note in UTF-8 is not longer."""
MOST_NAME: Final = 200
"""Characters of a name, at most."""
_MOST_MONEY: Final = 1e12
_WANTED: Final = {
    "taken": ("owner", "say in whose hands the case is"), "note": ("note", "the note is empty"),
    "file": ("file", "no file was chosen, or it is empty"),
}  # fmt: skip

_OF_CASE: Final = ("cause", "site_id", "tank_id", "meter_id", "delivery_id", "ts_start", "ts_end", "litres")
# A case's key but for the day on which it was raised: its cause and its place (`pipeline/cases/frames.py`).
_KEY: Final = re.compile(r"(?P<place>.+)\.(?P<day>\d{4}-\d\d-\d\d)(\.\d+)?")

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Saying:
    """What somebody says: of a case, or in a closing of a time of a tank. What is None in a closing is the case's own.

    `litres` are an effect on variance, `recovered` is money; `due_on` is by when the case is to be done. `file` is what
    a picture or paper is kept as, and `file_name` what it was called.
    """

    kind: str
    who: str | None = None
    case_id: str | None = None
    owner: str | None = None
    due_on: date | None = None
    note: str | None = None
    file: str | None = None
    file_name: str | None = None
    verdict: str | None = None
    cause: str | None = None
    tank_id: str | None = None
    start: datetime | None = None
    end: datetime | None = None
    litres: float | None = None
    recovered: float | None = None
    learned_on: date | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a case stands by what was said of it.

    `history` has all sayings on it, the oldest first; `closed` the closing that holds; `again` why a case that was
    closed is back all the same, `grew` or `urgent`, and `before` that closing. `earlier` is the closing of another case
    of the same cause at the same place that was raised before it.
    """

    history: tuple[Row, ...] = ()
    owner: str | None = None
    due_on: date | None = None
    closed: Row | None = None
    again: str | None = None
    before: Row | None = None
    earlier: Row | None = None


def row_of(saying: Saying, case: Row | None, homes: Mapping[str, str]) -> dict[str, Any]:
    """The saying as a row of the record, but for its number and its time.

    Parameters
    ----------
    saying : Saying
    case : mapping, optional
        The row of the case that it is about.
    homes : mapping of str to str
        The site of each tank.

    Raises
    ------
    ArgumentError
        If there is no such case or tank, or a word, a number or a time cannot be.
    """
    if saying.kind not in SAYING_KINDS:
        raise ArgumentError(f"{saying.kind!r} cannot be said of a case; there are {', '.join(SAYING_KINDS)}")
    if saying.case_id is not None and case is None:
        raise ArgumentError(f"there is no case {saying.case_id}; table cases has them all")
    row: dict[str, Any] = dict.fromkeys(SCHEMA) | {
        "case_id": saying.case_id, "kind": saying.kind, "who": _name(saying.who), "note": _note(saying.note),
    }  # fmt: skip
    if saying.kind == "closed":
        return row | _closing(saying, case, homes)
    if saying.case_id is None:
        raise ArgumentError("say which case")
    if saying.kind == "taken":
        row |= {"owner": _name(saying.owner), "due_on": saying.due_on}
    if saying.kind == "file":
        row |= {"file": saying.file, "file_name": _name((saying.file_name or "")[:MOST_NAME]) or saying.file}
    wanted, says = _WANTED.get(saying.kind, ("kind", ""))
    if not row[wanted]:
        raise ArgumentError(says)
    return row


def standings(cases: Iterable[Row], sayings: pl.DataFrame) -> dict[str, Standing]:
    """Where each of the cases stands, by its key."""
    by_case: dict[str, list[Row]] = {}
    for row in sayings.sort("seq").iter_rows(named=True):
        if row["case_id"] is not None:
            by_case.setdefault(row["case_id"], []).append(row)
    closings = {case_id: closing for case_id, said in by_case.items() if (closing := _last_closing(said))}
    return {
        str(case["case_id"]): _standing(case, by_case.get(str(case["case_id"]), []), closings) for case in cases
    }  # fmt: skip


def labels(sayings: pl.DataFrame) -> pl.DataFrame:
    """The closings as the contract's labels: of each case, or tank and start, the last, unless it was opened again."""
    return closings(sayings).select(list(polars_schema(LAKE_TABLES["labels"])))


def closings(sayings: pl.DataFrame) -> pl.DataFrame:
    """The closings that hold, with `label_id`: of a case, or tank and start, the last, unless it was opened again."""
    about = pl.coalesce("case_id", pl.format("{}.{}", "tank_id", pl.col("ts_start").dt.strftime("%Y-%m-%dT%H:%M:%S")))
    said = sayings.filter(pl.col("kind").is_in(["closed", "reopened"])).with_columns(label_id=pl.lit("V-") + about)
    return said.sort("seq").unique("label_id", keep="last", maintain_order=True).filter(kind="closed")


def _closing(saying: Saying, case: Row | None, homes: Mapping[str, str]) -> dict[str, Any]:
    for word, known, what in ((saying.verdict, LABEL_VERDICTS, "verdict"), (saying.cause, CAUSES, "cause")):
        if word is not None and word not in known:
            raise ArgumentError(f"{word!r} is no {what}; there are {', '.join(known)}")
    if saying.verdict is None:
        raise ArgumentError(f"a case is closed with a verdict: {', '.join(LABEL_VERDICTS)}")
    given = {"cause": saying.cause, "ts_start": saying.start, "ts_end": saying.end, "litres": saying.litres}
    row = _time(saying, homes) if case is None else _seen(case)
    row |= {name: value for name, value in given.items() if value is not None}
    row |= {"verdict": saying.verdict, "learned_on": saying.learned_on, "recovered": saying.recovered}
    if row["cause"] in CAUSES_WITHOUT_LITRES:
        row["litres"] = None
    _require_figures(row)
    if row["ts_end"] is not None and row["ts_end"] < row["ts_start"]:
        raise ArgumentError(f"the end, {row['ts_end']}, is before the start, {row['ts_start']}")
    return row


def _require_figures(row: Row) -> None:
    litres, recovered = row["litres"], row["recovered"]
    if litres is not None and not (math.isfinite(litres) and abs(litres) < MOST_L):
        raise ArgumentError(f"{litres} cannot be litres; a loss is negative")
    if recovered is not None and not 0 <= recovered < _MOST_MONEY:
        raise ArgumentError(f"{recovered} cannot be money that came back")


def _seen(case: Row) -> dict[str, Any]:
    """What a case was when it was closed, to tell whether something new has happened since."""
    seen = {f"seen_{name}": case[name] for name in ("litres_low", "litres_high", "urgency")}
    return {name: case[name] for name in _OF_CASE} | seen


def _time(saying: Saying, homes: Mapping[str, str]) -> dict[str, Any]:
    if saying.tank_id is None or saying.cause is None or saying.start is None:
        raise ArgumentError("say which case, or else which tank, cause and start")
    if saying.tank_id not in homes:
        raise ArgumentError(f"there is no tank {saying.tank_id} in the store")
    return dict.fromkeys(_OF_CASE) | {"site_id": homes[saying.tank_id], "tank_id": saying.tank_id}


def _note(text: str | None) -> str | None:
    note = _clean(text or "").replace("\r\n", "\n").strip()
    size = len(note.encode())
    if size > MOST_NOTE_BYTES:
        raise ArgumentError(f"the note has {size:,} bytes; it may have {MOST_NOTE_BYTES:,}")
    return note or None


def _name(text: str | None) -> str | None:
    name = " ".join(_clean(text or "").split())
    if len(name) > MOST_NAME:
        raise ArgumentError(f"a name has {len(name)} characters; it may have {MOST_NAME}")
    return name or None


def _clean(text: str) -> str:
    """The text as it can be written: what is no character becomes a question mark."""
    return text.encode("utf-8", "replace").decode().replace("\0", "?")


def _last_closing(said: list[Row]) -> Row | None:
    """The closing that stands, None where there is none or the case was opened again."""
    last = next((row for row in reversed(said) if row["kind"] in ("closed", "reopened")), None)
    return last if last is not None and last["kind"] == "closed" else None


def _standing(case: Row, said: list[Row], closings: Mapping[str, Row]) -> Standing:
    closing = closings.get(str(case["case_id"]))
    again = None if closing is None else _why_back(case, closing)
    # Whoever closed it or has it back is no longer, or not yet, at work on it.
    after = [r for r in said if r["kind"] in ("taken", "closed")][-1:]
    taken = after[0] if after and after[0]["kind"] == "taken" else None
    return Standing(
        history=tuple(said),
        owner=taken["owner"] if taken else None,
        due_on=taken["due_on"] if taken else None,
        closed=None if again else closing,
        again=again,
        before=closing if again else None,
        earlier=None if closing else _earlier(str(case["case_id"]), closings),
    )


def _why_back(case: Row, closing: Row) -> str | None:
    """Why a case that was closed is back: its litres are beyond the interval that they had, or it is more urgent."""
    litres, low, high = case["litres"], closing["seen_litres_low"], closing["seen_litres_high"]
    if None not in (litres, low, high) and (litres < min(low, 0.0) or litres > max(high, 0.0)):
        return "grew"
    ranks = {name: rank for rank, name in enumerate(URGENCIES)}
    now, then = ranks.get(case["urgency"], len(ranks)), ranks.get(closing["seen_urgency"], -1)
    return "urgent" if now < then else None


def _earlier(case_id: str, closings: Mapping[str, Row]) -> Row | None:
    """The last closing of a case of the same cause and place that was raised before this one."""
    own = _KEY.fullmatch(case_id)
    if own is None:
        return None
    found = [
        (key["day"], closing)
        for other, closing in closings.items()
        if (key := _KEY.fullmatch(other)) and key["place"] == own["place"] and key["day"] < own["day"]
    ]
    return max(found, key=lambda one: one[0])[1] if found else None
