"""Where rules come from: files of SQL that are shipped or the user's own, and functions registered here."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from pipeline.backtest.control_charts import cusum, ewma
from pipeline.backtest.rule import Find, Rule, headed, sql_rule
from pipeline.errors import ArgumentError
from pipeline.resources import query_names, query_text

FOLDER: Final = "rules"


def _function_rule(name: str, find: Find, reads: Sequence[str], head: str) -> Rule:
    """A rule that is a function of (tables, its parameters by name); `head` as in a file of SQL."""
    text = f"{name}\n{head}\n{find.__module__}.{find.__qualname__}"
    return headed(name, head, reads=tuple(reads), digest=hashlib.sha256(text.encode()).hexdigest(), find=find)


FUNCTIONS: Final[Mapping[str, Rule]] = {
    rule.name: rule
    for rule in (
        _function_rule(
            "cusum",
            cusum,
            ["tank_days"],
            """
            -- rule: Cumulative sum of the daily variance
            -- looks for: A small loss or gain that goes on: the two-sided tabular CUSUM, begun anew after each alarm.
            -- cause: tank_leak, line_leak, slow_theft, meter_drift, missing_sales, unexplained
            -- parameter: threshold = 5 [1, 50] standard deviations, the decision interval h
            -- parameter: allowance = 0.5 [0, 3] standard deviations, the reference value k
            -- parameter: baseline_days = 20 [5, 365] first days of a tank, from which its mean and spread are learnt
            -- parameter: sd_l = 0 [0, 10000] l, the spread where it is known; 0 learns it, and the mean with it
            """,
        ),
        _function_rule(
            "ewma",
            ewma,
            ["tank_days"],
            """
            -- rule: Moving average of the daily variance
            -- looks for: A small loss or gain that goes on: exponential weights, limits of the long run.
            -- cause: tank_leak, line_leak, slow_theft, meter_drift, missing_sales, unexplained
            -- parameter: threshold = 2.7 [1, 20] standard deviations of the average, L
            -- parameter: weight = 0.1 [0.01, 1] of the newest day
            -- parameter: baseline_days = 20 [5, 365] first days of a tank, from which its mean and spread are learnt
            -- parameter: sd_l = 0 [0, 10000] l, the spread where it is known; 0 learns it, and the mean with it
            """,
        ),
    )
}
"""Rules that are functions."""


def shipped_rules() -> list[str]:
    """Names of the rules that come with the project, sorted."""
    return sorted([*FUNCTIONS, *(name.removeprefix(f"{FOLDER}/") for name in query_names(FOLDER))])


def rule_of(source: str) -> Rule:
    """The rule that is named, or whose file of SQL is.

    Raises
    ------
    ArgumentError
        If there is no such rule, or its file cannot be read.
    RefusedRuleError
        If its header is wanting or its text is not one SELECT over what a rule may read.
    """
    if source in FUNCTIONS:
        return FUNCTIONS[source]
    if f"{FOLDER}/{source}" in query_names(FOLDER):
        return sql_rule(source, query_text(f"{FOLDER}/{source}"))
    path = Path(source)
    if not path.is_file():
        raise ArgumentError(
            f"there is no rule {source}, nor a file of that name; there are {', '.join(shipped_rules())}"
        )
    try:
        return sql_rule(path.stem, path.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        raise ArgumentError(f"{path}: a rule is a text in UTF-8") from error
