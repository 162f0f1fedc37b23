"""A verdict given on the command line, and what people said of cases as the labels that backtests count."""

from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from pipeline.said.record import EXPORT, read, say
from pipeline.said.sayings import Saying, labels, row_of
from pipeline.store import open_store


def record(out: Path, said: Saying) -> Path:
    """Path of the labels of a run, after adding a verdict to what was said there.

    Raises
    ------
    StoreError
        If there is no store in the folder, or another process has it open.
    ArgumentError
        If there is no such case or tank, or a word or a time cannot be.
    """
    with open_store(out, read_only=True) as store:
        cases = store.table("cases").filter(pl.col("case_id").eq_missing(said.case_id))
        homes = dict(store.table("tanks").select("tank_id", "site_id").iter_rows())
    say(out, row_of(said, next(cases.iter_rows(named=True), None), homes), now=datetime.now(UTC))
    return out / EXPORT


def labels_of_store(out: Path) -> pl.DataFrame:
    """Verdicts given in a folder, as the contract's labels; no row where none was."""
    return labels(read(out))
