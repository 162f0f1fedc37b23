"""Puts faults into a lake's tables, and writes down what each came to as labels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
import polars as pl

from pipeline.backtest.injection import books, liquids, stock
from pipeline.backtest.injection.fault import CannotHoldError, Injection, Outcome, Tables
from pipeline.backtest.injection.pool import pool_of, put_litres
from pipeline.backtest.injection.sizes import SIZE_OF
from pipeline.contract.dictionary import polars_schema
from pipeline.contract.lake import LAKE_TABLES
from pipeline.contract.vocabulary import CAUSES_WITHOUT_LITRES

REFUSED: Final = pl.Schema(
    {"cause": pl.String(), "tank_id": pl.String(), "size": pl.Float64(), "unit": pl.String(), "why": pl.String()}
)
"""Columns of what was left out."""
MARK: Final = "INJ-"
"""What a label of an injected fault begins with."""


@dataclass(frozen=True, slots=True)
class Injected:
    """A lake's tables with faults in them, `labels` among them.

    With them how large each fault was made (`label_id`, `size`, `unit`), and the injections that a tank could not hold,
    with why.
    """

    frames: dict[str, pl.DataFrame]
    sizes: pl.DataFrame
    refused: list[tuple[Injection, str]]

    def left_out(self) -> pl.DataFrame:
        """What could not be put in and why: columns `REFUSED`."""
        rows = [(one.cause, one.tank_id, abs(one.size), SIZE_OF[one.cause][0], why) for one, why in self.refused]
        return pl.DataFrame(rows, schema=REFUSED, orient="row")


def inject(frames: Mapping[str, pl.DataFrame], injections: Sequence[Injection], *, seed: int) -> Injected:
    """The lake's tables with the faults put in, one after the other.

    The tables that come in are not changed; rows that no fault touches stay as they are, in their order. A fault that
    a tank cannot hold leaves nothing behind.

    Parameters
    ----------
    frames : mapping of table name to frame
        All of the contract's tables as they stand in the lake; `labels` may be missing, and are kept.
    injections : sequence of Injection
    seed : int
        The same seed gives the same tables.
    """
    tables = Tables(frames)
    done: list[Outcome] = []
    refused: list[tuple[Injection, str]] = []
    for number, injection in enumerate(injections):
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number,)))
        # A maker may find out halfway that the tank cannot hold its fault: then nothing of it may stay.
        changed = tables.copy()
        try:
            done.append(_put(injection, changed, rng))
            tables = changed
        except CannotHoldError as error:
            refused.append((injection, str(error)))
    labels, sizes = _labels(done)
    schema = polars_schema(LAKE_TABLES["labels"])
    before = frames["labels"].select(list(schema)) if "labels" in frames else schema.to_frame()
    return Injected(tables.joined() | {"labels": pl.concat([before, labels])}, sizes, refused)


def _put(injection: Injection, tables: Tables, rng: np.random.Generator) -> Outcome:
    if injection.cause not in SIZE_OF:
        raise ValueError(f"no such cause: {injection.cause}")
    pool = pool_of(tables, injection.tank_id)
    if not pool.first_s <= injection.start_s < pool.last_s:
        raise CannotHoldError(f"tank {injection.tank_id} has no data at the fault's start")
    if injection.cause in stock.MAKERS:
        course, outcome = stock.MAKERS[injection.cause](injection, pool, rng)
        put_litres(tables, pool, course, rng)
        return outcome
    return {**books.MAKERS, **liquids.MAKERS}[injection.cause](injection, pool, tables, rng)


def _labels(done: Sequence[Outcome]) -> tuple[pl.DataFrame, pl.DataFrame]:
    rows, sizes = [], []
    for number, outcome in enumerate(done, start=1):
        made = outcome.injection
        name = f"{MARK}{number:05d}"
        without = made.cause in CAUSES_WITHOUT_LITRES or outcome.litres is None
        rows.append(
            {
                "label_id": name,
                "cause": made.cause,
                "verdict": "confirmed",
                "site_id": outcome.site_id,
                "tank_id": outcome.tank_id,
                "meter_id": outcome.meter_id,
                "delivery_id": outcome.delivery_id,
                "ts_start": _instant(outcome.start_s),
                "ts_end": None if outcome.end_s is None else _instant(outcome.end_s),
                "litres": None if without else round(outcome.litres or 0.0, 3),
                "learned_on": None,
            }
        )
        sizes.append({"label_id": name, "size": abs(made.size), "unit": SIZE_OF[made.cause][0]})
    schema = {"label_id": pl.String, "size": pl.Float64, "unit": pl.String}
    return pl.DataFrame(rows, schema=polars_schema(LAKE_TABLES["labels"])), pl.DataFrame(sizes, schema=schema)


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(round(at_s), UTC)
