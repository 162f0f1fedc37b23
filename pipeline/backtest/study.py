"""What a backtest is told, and the names that its parts go by: equal words give equal names, on any machine."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from itertools import product
from pathlib import Path
from typing import Any, Final

from pipeline.backtest.injection.plan import Wanted
from pipeline.backtest.metrics import Measure, Prices
from pipeline.backtest.rule import Parameters, Rule
from pipeline.backtest.rules import rule_of
from pipeline.errors import ArgumentError
from pipeline.lake import find_parts
from pipeline.resources import code_digest

BASE: Final = "base"
"""The world that is the history as it is."""
FOLDER: Final = "backtest"
"""Folder, in that of the results, of all that a backtest leaves."""


@dataclass(frozen=True, slots=True)
class Options:
    """How alarms are counted.

    An alarm is mute for `mute_days` once it was raised; one up to `grace_days` after a fault still finds it; with
    `is_complete` what has no label is sound. `budget_per_100` alarms outside of known faults in 100 tank-months are
    allowed at a rule's operating point; `power` is the share at which a size counts as found. `review` unlabelled
    alarms are sampled.
    """

    grace_days: int = 7
    mute_days: int = 14
    is_complete: bool = False
    budget_per_100: float = 5.0
    power: float = 0.9
    review: int = 20
    cluster: str = "tank_id"
    draws: int = 1000
    seed: int = 1
    visit: float | None = None
    litre: float | None = None

    @property
    def measure(self) -> Measure:
        """How figures are made."""
        return Measure(Prices(self.visit, self.litre), self.cluster, self.draws, self.seed)


@dataclass(frozen=True, slots=True)
class Faults:
    """Faults to put into the history: causes, sizes, how many times anew (`worlds`), and the seed."""

    causes: tuple[str, ...]
    sizes: tuple[float, ...]
    worlds: int = 3
    seed: int = 1

    @property
    def wanted(self) -> Wanted:
        """What to plan in each world."""
        return Wanted(self.causes, self.sizes)


@dataclass(frozen=True, slots=True)
class Trial:
    """A rule with its parameters settled."""

    source: str
    parameters: Parameters

    @property
    def rule(self) -> Rule:
        """The rule, read again from its source."""
        return rule_of(self.source)


@dataclass(frozen=True, slots=True)
class Study:
    """A backtest: a lake, the folder for its results, the rules to try, labels beside the lake's, faults to put in."""

    lake: Path
    out: Path
    trials: tuple[Trial, ...]
    labels: tuple[Path, ...] = ()
    faults: Faults | None = None
    options: Options = field(default_factory=Options)

    @property
    def folder(self) -> Path:
        """Where all goes that a backtest leaves."""
        return self.out / FOLDER

    @property
    def worlds(self) -> tuple[str, ...]:
        """The history as it is, and those with faults in it."""
        count = self.faults.worlds if self.faults else 0
        return (BASE, *(f"faults-{number:02d}" for number in range(1, count + 1)))

    def configuration(self) -> str:
        """What the results hang on beside code, rules and data, as JSON: the same on any machine."""
        told = {"options": asdict(self.options), "faults": asdict(self.faults) if self.faults else None}
        return json.dumps(told, sort_keys=True)

    def as_text(self) -> str:
        """The study as JSON, for tasks to be handed by path."""
        told = asdict(self)
        return json.dumps(told | {name: str(told[name]) for name in ("lake", "out")}, sort_keys=True, default=str)


def study_from(text: str) -> Study:
    """The study that `Study.as_text` wrote."""
    told: dict[str, Any] = json.loads(text)
    faults = told["faults"]
    return Study(
        lake=Path(told["lake"]),
        out=Path(told["out"]),
        trials=tuple(Trial(**one) for one in told["trials"]),
        labels=tuple(Path(one) for one in told["labels"]),
        faults=Faults(**faults | {name: tuple(faults[name]) for name in ("causes", "sizes")}) if faults else None,
        options=Options(**told["options"]),
    )


def trials_of(sources: Sequence[str], sweep: Mapping[str, Sequence[float]]) -> tuple[Trial, ...]:
    """Every rule with every combination of the swept parameters that it has; twins once.

    Parameters
    ----------
    sources : names or files of rules
    sweep : values by parameter, or by rule, full stop and parameter where one rule alone is meant

    Raises
    ------
    ArgumentError
        If there is no such rule, no rule has a swept parameter, or a value is out of its range.
    RefusedRuleError
        If a rule is not let in.
    """
    rules = [(source, rule_of(source)) for source in dict.fromkeys(sources)]
    known = {f"{rule.name}.{one.name}" for _, rule in rules for one in rule.parameters}
    for name in sweep:
        if name not in known and not any(one.endswith(f".{name}") for one in known):
            raise ArgumentError(f"--sweep {name}: no rule has that parameter; there are {', '.join(sorted(known))}")
    return tuple(trial for source, rule in rules for trial in _swept(source, rule, sweep))


def _swept(source: str, rule: Rule, sweep: Mapping[str, Sequence[float]]) -> Iterator[Trial]:
    values = {one.name: sweep.get(f"{rule.name}.{one.name}", sweep.get(one.name, ())) for one in rule.parameters}
    names = [name for name in values if values[name]]
    for chosen in product(*(dict.fromkeys(values[name]) for name in names)):
        yield Trial(source, rule.settled(dict(zip(names, chosen, strict=True))))


def lake_digest(lake: Path) -> str:
    """Hash of every byte that a run would read of a lake; labels are not among them.

    Raises
    ------
    LakeError
        As `find_parts` does.
    """
    digest = hashlib.sha256()
    for part in find_parts(lake):
        for path in part.files:
            digest.update(f"\n{path.relative_to(lake)}\n".encode() + hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def world_digest(study: Study, world: str, data: str) -> str:
    """Hash of what a world's tables hang on: data, code and, where faults are put in, which."""
    faults = json.dumps(asdict(study.faults), sort_keys=True) if study.faults and world != BASE else ""
    return hashlib.sha256(f"{data} {code_digest()} {world if faults else BASE} {faults}".encode()).hexdigest()


def trial_id(trial: Trial) -> str:
    """Name of a trial: of its rule's text and its parameters."""
    rule = trial.rule
    words = f"{rule.name} {rule.digest} {json.dumps(trial.parameters, sort_keys=True)}"
    return f"{rule.name}-{hashlib.sha256(words.encode()).hexdigest()[:10]}"
