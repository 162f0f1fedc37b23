"""A run over a bad lake, what of it is not as every run must be, and what came of a whole group of such lakes."""

import contextlib
import io
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.cli import main
from pipeline.check import violations
from pipeline.contract.run import PARQUET_TABLES
from pipeline.store import open_store
from tests.support.lake_catalogue import BadLake, side_by_side
from tests.support.lakes import digest

SECOND_SITE = pl.col("tank_id").str.starts_with("X")


@dataclass(frozen=True)
class Verdict:
    """What a run over a bad lake left with, how many rows it refused by reason, and what is not as it must be."""

    name: str
    code: int
    refused: Mapping[str, int]
    faults: tuple[str, ...]
    seconds: float


def second_site(out: Path) -> dict[str, list[dict]]:
    """What a run says of the site that nothing was done to."""
    return {name: pl.read_parquet(out / f"{name}.parquet").filter(SECOND_SITE).to_dicts() for name in PARQUET_TABLES}


DIRECT = ("--direct",)
"""How a run is asked to leave Prefect out."""


def run(lake: Path, out: Path, how: Sequence[str] = DIRECT) -> tuple[int, list[str]]:
    """The exit code of a run in this process and the lines that it ends with on standard error.

    Whatever the lake holds, nothing that a terminal would act on is said.
    """
    said, shown = io.StringIO(), io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(shown):
        code = main(["run", str(lake), "--out", str(out), *how])
    acting = {one for one in said.getvalue() + shown.getvalue() if not one.isprintable()} - {"\n", "\t"}
    assert not acting, f"what a terminal acts on was said: {acting}"
    return code, [line for line in said.getvalue().splitlines() if line.startswith("tankdrift: ")]


def judged(kind: BadLake, folder: Path, sound: dict[str, list[dict]], how: Sequence[str] = DIRECT) -> Verdict:
    """A run over one bad lake, in a new folder; `sound` is what a run says of the second site of a right lake."""
    lake, out = kind.write(folder / "lake"), folder / "out"
    before = digest(lake)
    started = time.monotonic()
    code, lines = run(lake, out, how)
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
    return Verdict(kind.name, code, _refused(out) if code != 2 else {}, tuple(faults), seconds)


def _refused(out: Path) -> dict[str, int]:
    with open_store(out, read_only=True) as store:
        return dict(store.table("quarantine").group_by("reason").len().iter_rows())


@dataclass(frozen=True)
class Outcome:
    """What came of all bad lakes of one group.

    `codes` counts lakes by what their runs left with, `refused` rows by reason; `faults` is what is not as it must be.
    """

    group: str
    codes: Mapping[int, int]
    refused: Mapping[str, int]
    faults: tuple[str, ...]

    def line(self) -> str:
        """Its row in the docs."""
        codes = ", ".join(f"{count} × {code}" for code, count in sorted(self.codes.items()))
        told = ", ".join(f"{count:,} {reason}" for reason, count in sorted(self.refused.items(), key=_largest_first))
        return f"| {self.group} | {sum(self.codes.values())} | {codes} | {told or '-'} |"


def _largest_first(counted: tuple[str, int]) -> tuple[int, str]:
    return -counted[1], counted[0]


def outcome(group: str, kinds: Sequence[BadLake], folder: Path, sound: dict[str, list[dict]]) -> Outcome:
    """Runs over every bad lake of a group: over those whose rows can lie side by side at once, each other alone."""
    together = [kind for kind in kinds if kind.is_of_rows]
    verdicts = [judged(side_by_side(together), folder / "together", sound)] if together else []
    alone = [kind for kind in kinds if not kind.is_of_rows]
    verdicts += [judged(kind, folder / str(number), sound) for number, kind in enumerate(alone)]
    codes = Counter({verdicts[0].code: len(together)} if together else {}) + Counter(
        one.code for one in verdicts[bool(together) :]
    )
    refused: Counter[str] = Counter()
    for one in verdicts:
        refused.update(one.refused)
    return Outcome(group, codes, refused, tuple(f"{one.name}: {fault}" for one in verdicts for fault in one.faults))


def groups(kinds: Sequence[BadLake]) -> dict[str, list[BadLake]]:
    """Bad lakes by what is wrong, in order."""
    found: dict[str, list[BadLake]] = {}
    for kind in kinds:
        found.setdefault(kind.group, []).append(kind)
    return found
