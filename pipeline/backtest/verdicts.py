"""What people say of cases, kept in the store of a run and told to backtests as the contract's labels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Final

import polars as pl

from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.store import KEPT_TABLES
from pipeline.contract.vocabulary import CAUSES, CAUSES_WITHOUT_LITRES, LABEL_VERDICTS
from pipeline.errors import ArgumentError
from pipeline.store import FILE, Store, open_store

EXPORT: Final = "labels.parquet"
"""File, in the folder of a run, to which its verdicts are written as labels."""
TABLE: Final = "verdicts"


@dataclass(frozen=True, slots=True)
class Said:
    """A verdict: on a case, or on a time of a tank. What is None is the case's own."""

    verdict: str
    learned_on: date
    case_id: str | None = None
    tank_id: str | None = None
    cause: str | None = None
    start: datetime | None = None
    end: datetime | None = None
    litres: float | None = None
    who: str | None = None
    note: str | None = None


def record(out: Path, said: Said) -> Path:
    """Path of the labels of a run, after adding a verdict to its store and writing them anew.

    Raises
    ------
    StoreError
        If there is no store in the folder, or another process has it open.
    ArgumentError
        If there is no such case or tank, or a word or a time cannot be.
    """
    with open_store(out, read_only=True) as store:
        row = _row(store, said)
        before = store.table(TABLE) if store.has_table(TABLE) else None
    with open_store(out) as store, store.transaction():
        schema = polars_schema(KEPT_TABLES[TABLE])
        kept = before if before is not None else schema.to_frame()
        store.replace(TABLE, pl.concat([kept, pl.DataFrame([row | {"seq": kept.height}], schema=schema)]))
    place = out / EXPORT
    beside = out / f".{EXPORT}.new"
    labels_of_store(out).write_parquet(beside)
    beside.replace(place)
    return place


def labels_of_store(out: Path) -> pl.DataFrame:
    """Verdicts kept in the store of a folder, as the contract's labels: of each case, tank and start the last.

    No row where there is no store, or none was given yet.
    """
    schema = polars_schema(LAKE_TABLES["labels"])
    if not (out / FILE).is_file():
        return schema.to_frame()
    with open_store(out, read_only=True) as store:
        if not store.has_table(TABLE):
            return schema.to_frame()
        verdicts = store.table(TABLE)
    about = pl.coalesce("case_id", pl.format("{}.{}", "tank_id", pl.col("ts_start").dt.strftime("%Y-%m-%dT%H:%M:%S")))
    named = verdicts.with_columns(label_id=pl.lit("V-") + about)
    return named.sort("seq").unique("label_id", keep="last", maintain_order=True).select(list(schema))


def _row(store: Store, said: Said) -> dict[str, object]:
    for word, known, what in ((said.verdict, LABEL_VERDICTS, "verdict"), (said.cause, CAUSES, "cause")):
        if word is not None and word not in known:
            raise ArgumentError(f"{word!r} is no {what}; there are {', '.join(known)}")
    own = _case(store, said.case_id) if said.case_id is not None else _time(store, said)
    row = own | {"case_id": said.case_id, "verdict": said.verdict, "learned_on": said.learned_on}
    row |= {"who": said.who, "note": said.note}
    given = {"cause": said.cause, "ts_start": said.start, "ts_end": said.end, "litres": said.litres}
    row |= {name: value for name, value in given.items() if value is not None}
    if row["cause"] in CAUSES_WITHOUT_LITRES:
        row["litres"] = None
    if (
        isinstance(row["ts_end"], datetime)
        and isinstance(row["ts_start"], datetime)
        and row["ts_end"] < row["ts_start"]
    ):
        raise ArgumentError(f"the end, {row['ts_end']}, is before the start, {row['ts_start']}")
    return row


def _case(store: Store, case_id: str) -> dict[str, object]:
    found = store.table("cases").filter(pl.col("case_id") == case_id)
    if not found.height:
        raise ArgumentError(f"there is no case {case_id}; table cases has them all")
    kept = ("cause", "site_id", "tank_id", "meter_id", "delivery_id", "ts_start", "ts_end", "litres")
    row: Mapping[str, object] = found.row(0, named=True)
    return {name: row[name] for name in kept}


def _time(store: Store, said: Said) -> dict[str, object]:
    if said.tank_id is None or said.cause is None or said.start is None:
        raise ArgumentError("say which case, or else which tank, cause and start")
    homes = dict(store.table("tanks").select("tank_id", "site_id").iter_rows())
    if said.tank_id not in homes:
        raise ArgumentError(f"there is no tank {said.tank_id} in the store")
    empty = dict.fromkeys(("meter_id", "delivery_id", "ts_end", "litres"))
    return empty | {"site_id": homes[said.tank_id], "tank_id": said.tank_id}
