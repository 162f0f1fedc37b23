"""A run over a bad lake, and what of it is not as every run must be."""

import contextlib
import io
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.cli import main
from pipeline.check import violations
from pipeline.contract.run import PARQUET_TABLES
from pipeline.store import open_store
from tests.support.lake_catalogue import BadLake
from tests.support.lakes import digest

SECOND_SITE = pl.col("tank_id").str.starts_with("X")


@dataclass(frozen=True)
class Verdict:
    """What a run over a bad lake left with, what rows it refused, and `faults`: what is not as it must be."""

    name: str
    code: int
    refused: str
    faults: tuple[str, ...]
    seconds: float


def second_site(out: Path) -> dict[str, list[dict]]:
    """What a run says of the site that nothing was done to."""
    return {name: pl.read_parquet(out / f"{name}.parquet").filter(SECOND_SITE).to_dicts() for name in PARQUET_TABLES}


def run(lake: Path, out: Path) -> tuple[int, list[str]]:
    """The exit code of a run in this process and the lines that it ends with on standard error."""
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        code = main(["run", str(lake), "--out", str(out), "--direct"])
    return code, [line for line in said.getvalue().splitlines() if line.startswith("tankdrift: ")]


def judged(kind: BadLake, folder: Path, sound: dict[str, list[dict]]) -> Verdict:
    """A run over one bad lake, in a new folder; `sound` is what a run says of the second site of a right lake."""
    lake, out = kind.write(folder / "lake"), folder / "out"
    before = digest(lake)
    started = time.monotonic()
    code, lines = run(lake, out)
    seconds = time.monotonic() - started
    faults = [] if code == kind.code else [f"left with {code}, not {kind.code}: {' '.join(lines)}"]
    if len(lines) != (code != 0):
        faults.append(f"{len(lines)} lines at its end")
    faults += [line for line in lines if "mistake" in line or "could not be analysed" in line or "left out of" in line]
    if digest(lake) != before:
        faults.append("the lake was written to")
    if code != 2:
        faults += [f"check: {line}" for line in violations(out)]
        if kind.is_apart and second_site(out) != sound:
            faults.append("the second site came out otherwise")
    return Verdict(kind.name, code, _refused(out) if code != 2 else "", tuple(faults), seconds)


def _refused(out: Path) -> str:
    with open_store(out, read_only=True) as store:
        counts = store.table("quarantine").group_by("table", "reason").len("n").sort("table", "reason")
    return "; ".join(f"{row['n']} {row['table']} {row['reason']}" for row in counts.iter_rows(named=True))


def table_of(verdicts: Sequence[Verdict]) -> str:
    """The verdicts as lines: kind, exit code, what was refused, what is at fault."""
    lines = [f"{'kind':72} {'code':>4}  refused"]
    for one in verdicts:
        lines.append(f"{one.name:72} {one.code:4}  {one.refused[:90]}")
        lines += [f"    AT FAULT: {fault[:300]}" for fault in one.faults]
    bad = sum(bool(one.faults) for one in verdicts)
    spent = sum(one.seconds for one in verdicts)
    return "\n".join(
        [*lines, f"{len(verdicts)} bad lakes, {len(verdicts) - bad} as they must be, {bad} not; {spent:.0f} s"]
    )
