"""What the last night came to, kept in the folder of results, and as figures for a monitoring system."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

from pipeline.text_file import put_text

FILE: Final = "night.json"

Figures = dict[str, float]


@dataclass(frozen=True, slots=True)
class NightRecord:
    """The last night: when it was, in ISO 8601, and what came of it.

    `failures` and `not_fresh` are lines for people; `new`, `corrected` and `refused` count rows by `source table`,
    `refused_pct` is the share refused by table, `cases` counts them by urgency.
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
