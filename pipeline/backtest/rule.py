"""What a rule of detection is, and how its header is read.

The header of a rule is made of comment lines: one of each of `-- rule: title`, `-- looks for: sentence` and
`-- cause: a, b` (or `any`), and a line `-- parameter: name = default [low, high] what it is` for each parameter.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.backtest.asof import READABLE, Tables
from pipeline.backtest.sealed import require_one_select
from pipeline.contract.vocabulary import CAUSES
from pipeline.errors import ArgumentError, RefusedRuleError

Parameters = dict[str, float]
Find = Callable[..., pl.DataFrame]

_HEAD: Final = re.compile(r"^--\s*(rule|looks for|cause|parameter)\s*:\s*(.+?)\s*$")
_PARAMETER: Final = re.compile(
    r"^(?P<name>[a-z][a-z0-9_]*)\s*=\s*(?P<default>\S+)\s*\[(?P<low>[^,\]]+),(?P<high>[^\]]+)\]\s*(?P<about>.*)$"
)


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number that a rule is told: its usual value, the range it makes sense in, and what it is."""

    name: str
    default: float
    low: float
    high: float
    about: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule: what it looks for, what an alarm of it points at, what it may be told, and how it is asked.

    `causes` are those that it is measured on, all where it names none; an alarm that names no cause of its own means
    the first. `sql` is its SELECT, or None where `find` is a function of the tables that it `reads`. `digest` is the
    hash of its text.
    """

    name: str
    title: str
    looks_for: str
    causes: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    reads: tuple[str, ...]
    digest: str
    sql: str | None = None
    find: Find | None = None

    def settled(self, values: Mapping[str, float]) -> Parameters:
        """The rule's parameters with some values changed.

        Raises
        ------
        ArgumentError
            If there is no such parameter, or a value is out of its range.
        """
        known = {one.name: one for one in self.parameters}
        for name, value in values.items():
            if name not in known:
                there = ", ".join(known) or "none"
                raise ArgumentError(f"rule {self.name} has no parameter {name}; it has {there}")
            if not known[name].low <= value <= known[name].high:
                low, high = known[name].low, known[name].high
                raise ArgumentError(f"rule {self.name}: {name} = {value:g} is not within {low:g} to {high:g}")
        return {one.name: float(values.get(one.name, one.default)) for one in self.parameters}


def sql_rule(name: str, text: str) -> Rule:
    """The rule that a text of SQL with its header is.

    Raises
    ------
    RefusedRuleError
        If its header is wanting or its text is not one SELECT over what a rule may read.
    """
    read = require_one_select(name, text, READABLE)
    rule = headed(name, text, reads=read.tables, digest=hashlib.sha256(text.encode()).hexdigest(), sql=text)
    declared = {one.name for one in rule.parameters}
    for odd in sorted(declared ^ set(read.parameters)):
        what = "declared and not used" if odd in declared else "used and has no line '-- parameter: …'"
        raise RefusedRuleError(f"rule {name}: parameter {odd} is {what}")
    return rule


def headed(
    name: str, text: str, *, reads: tuple[str, ...], digest: str, sql: str | None = None, find: Find | None = None
) -> Rule:
    """The rule whose header stands in `text`, asked through `sql` or else through `find`.

    Raises
    ------
    RefusedRuleError
        If a line of the header is missing, given twice or cannot be read.
    """
    head: dict[str, list[str]] = {"rule": [], "looks for": [], "cause": [], "parameter": []}
    for line in text.splitlines():
        if matched := _HEAD.match(line.strip()):
            head[matched[1]].append(matched[2])
    for wanted in ("rule", "looks for", "cause"):
        if len(head[wanted]) != 1:
            raise RefusedRuleError(f"rule {name}: its header must have one line '-- {wanted}: …'")
    causes = tuple(word.strip() for word in head["cause"][0].split(","))
    unknown = sorted(set(causes) - {*CAUSES, "any"})
    if unknown:
        raise RefusedRuleError(f"rule {name}: {unknown[0]} is no cause; there are {', '.join(CAUSES)}, or any")
    return Rule(
        name=name,
        title=head["rule"][0],
        looks_for=head["looks for"][0],
        causes=() if "any" in causes else causes,
        parameters=tuple(_parameter(name, line) for line in head["parameter"]),
        reads=reads,
        digest=digest,
        sql=sql,
        find=find,
    )


def _parameter(rule: str, line: str) -> Parameter:
    matched = _PARAMETER.match(line)
    try:
        if matched is None:
            raise ValueError
        default, low, high = (float(matched[part]) for part in ("default", "low", "high"))
        if not low <= default <= high:
            raise ValueError
    except ValueError as error:
        raise RefusedRuleError(
            f"rule {rule}: parameter line {line!r} is not: name = default [low, high] what it is"
        ) from error
    return Parameter(matched["name"], default, low, high, matched["about"])


def found_by(rule: Rule, tables: Tables, parameters: Parameters) -> pl.DataFrame:
    """What a rule that is a function finds in the tables; only those that it reads are handed to it."""
    if rule.find is None:
        raise ValueError(f"rule {rule.name} is no function")
    return rule.find({name: tables[name] for name in rule.reads}, **parameters)
