"""What the last night came to, kept in the folder of results, and as figures for a monitoring system."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from statistics import median
from typing import Final

from pipeline.text_file import put_text

FILE: Final = "night.json"

Figures = dict[str, float]
Counts = Mapping[str, tuple[int, int]]
"""Rows refused, and rows read in all, by `source table`."""

NIGHTS: Final = 30
"""Nights whose shares of refused rows are kept. No source."""
FEWEST_NIGHTS: Final = 3
"""Of fewer nights nothing is usual. No source."""
FEWEST_ROWS: Final = 20
"""Fewer refused rows than this are not told of as more than usual. No source."""
LEAST_SHARE: Final = 0.001
"""A share of refused rows that is usual anywhere, where a source's own is less. No source."""
TIMES: Final = 5.0
"""So many times the usual share is more than usual. No source."""


@dataclass(frozen=True, slots=True)
class NightRecord:
    """The last night: when it was, in ISO 8601, and what came of it.

    `failures`, `odd` and `not_fresh` are lines for people; `new`, `corrected` and `refused` count rows by
    `source table`, `refused_pct` is the share refused by table, `cases` counts them by urgency. `past_refused` has, by
    `source table`, the share of rows refused in each of the last nights in which any came, the last one's at its end.
    """

    at: str
    failures: list[str] = field(default_factory=list)
    not_fresh: list[str] = field(default_factory=list)
    new: Figures = field(default_factory=dict)
    corrected: Figures = field(default_factory=dict)
    refused: Figures = field(default_factory=dict)
    refused_pct: Figures = field(default_factory=dict)
    cases: Figures = field(default_factory=dict)
    seconds: Figures = field(default_factory=dict)
    odd: list[str] = field(default_factory=list)
    past_refused: dict[str, list[float]] = field(default_factory=dict)


def with_night(past: Mapping[str, list[float]], counts: Counts) -> dict[str, list[float]]:
    """Shares refused in the last nights, with those of another one behind them."""
    new = {name: refused / read for name, (refused, read) in counts.items() if read}
    return {name: [*past.get(name, []), *([new[name]] if name in new else [])][-NIGHTS:] for name in {**past, **new}}


def refused_more(counts: Counts, past: Mapping[str, list[float]]) -> Iterator[str]:
    """A line about each table of a source of which a much larger share was refused than in the nights before."""
    for name, (refused, read) in counts.items():
        before = past.get(name, [])
        if len(before) < FEWEST_NIGHTS or refused < FEWEST_ROWS:
            continue
        usual, share = median(before), refused / read
        if share > TIMES * max(usual, LEAST_SHARE):
            yield f"{name}: {refused:,} of {read:,} rows refused, {100 * share:.2g} %; usual are {100 * usual:.2g} %"


def read_record(out: Path) -> NightRecord | None:
    """The record of the last night; None before the first."""
    path = out / FILE
    return NightRecord(**json.loads(path.read_text(encoding="utf-8"))) if path.is_file() else None


def write_record(record: NightRecord, out: Path) -> None:
    """Keep a night's record in the place of the one before."""
    out.mkdir(parents=True, exist_ok=True)
    put_text(json.dumps(asdict(record), indent=1), out / FILE)


def as_metrics(record: NightRecord, at_s: float) -> str:
    """The record in the text form that Prometheus reads; `at_s` is when the night was. [s since 1970]"""
    told = [
        ("night_timestamp_seconds", "When the last night was.", {"": at_s}),
        ("night_failures", "Parts of the last night that failed.", {"": float(len(record.failures))}),
        ("night_odd", "Things that were odd about the last night.", {"": float(len(record.odd))}),
        ("not_fresh", "Tanks and tills that have told nothing for too long.", {"": float(len(record.not_fresh))}),
        ("rows_new", "Rows that came in.", _by("source table", record.new)),
        ("rows_corrected", "Rows in whose place another came.", _by("source table", record.corrected)),
        ("rows_refused", "Rows that could not be read on their way in.", _by("source table", record.refused)),
        ("refused_percent", "Share of a table's rows that is refused.", _by("table", record.refused_pct)),
        ("cases", "Cases on the worklist.", _by("urgency", record.cases)),
        ("stage_seconds", "How long a stage took.", _by("stage", record.seconds)),
    ]
    return "".join(line for name, what, values in told for line in _family(f"tankdrift_{name}", what, values))


def _by(labels: str, figures: Mapping[str, float]) -> Figures:
    """Figures by their labels as Prometheus writes them; a key has a word for each label."""
    found = {}
    for key, value in figures.items():
        words = zip(labels.split(), key.split(" ", labels.count(" ")), strict=True)
        found["{" + ",".join(f'{label}="{_quoted(word)}"' for label, word in words) + "}"] = value
    return found


def _quoted(word: str) -> str:
    return word.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _family(name: str, what: str, values: Mapping[str, float]) -> Iterator[str]:
    yield f"# HELP {name} {what}\n# TYPE {name} gauge\n"
    for labels, value in values.items():
        yield f"{name}{labels} {value!r}\n"
