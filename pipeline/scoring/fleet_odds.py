"""How sure a finding is, given what decoys of its cause the fleet has shown so far.

A finding's own odds hold as far as its null does. Decoys (`cases/decoys.py`) are weighed as the real ones are and are
never real, so their number says how often that null lets such a thing pass, on these very tanks; those of the balance
speak of what the balance named, those of signals of what was seen. Of findings as strong
as one, the true ones come at some rate and the false ones at the decoys' rate; the odds are never more than the ratio.
Both rates are gamma-Poisson over the same tank-months: a prior worth some of them, and what the fleet has shown up to
the day. So a small fleet keeps to the prior, and no day knows a later one.

A leak's mirror, a steady gain, has causes at times (`unexplained` names none): one strong gain in a fleet is likelier
one of these than chance, and many are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl
from scipy.special import hyperu

from pipeline.cases.decoys import WITH_DECOYS, Decoy
from pipeline.cases.finding import Finding
from pipeline.scoring.probability import WORTH_A_CASE, probability

PRIOR_TANK_MONTHS: Final = 50.0
"""Tank-months that the two rates below are worth. No source: some two months of a middling site group."""
TRUE_PER_TANK_MONTH: Final = 0.005
"""True findings of one cause a tank-month before the fleet has shown its own. No source: of the causes of the contract
each is rare, one in two hundred tank-months."""
FALSE_PER_TANK_MONTH: Final = 0.0002
"""False ones before any decoy is seen: the budget of one case in a hundred tank-months shared out over the causes, and
a fifth of that. No source."""
CAUSED_MIRRORS: Final = frozenset({"tank_leak"})
"""Causes whose mirror comes about at times, as often as they do themselves."""
TAIL: Final = 0.5
"""How fast decoys grow rarer with log odds: weighed right, chance gives log odds of s e^-s times as often; by half that
rate, since tails are heavier than any model's. No source."""


def chances(findings: Sequence[Finding], decoys: Sequence[Decoy]) -> list[float]:
    """Chance that each of the whole fleet's findings is real and of its cause, 0..1."""
    return [one.share * min(probability(one.log_odds), true_share(one, findings, decoys)) for one in findings]


def worth_a_case(findings: Sequence[Finding], said: Sequence[float]) -> tuple[list[Finding], list[float]]:
    """The findings that are likely enough to be cases, with how likely each is."""
    kept = [(one, chance) for one, chance in zip(findings, said, strict=True) if chance >= WORTH_A_CASE]
    return [one for one, _ in kept], [chance for _, chance in kept]


def true_share(one: Finding, findings: Sequence[Finding], decoys: Sequence[Decoy]) -> float:
    """Share of true ones among findings as strong as one, of its cause and up to its day."""
    false = decoys_as_strong(one, decoys)
    alike = (other for other in findings if (other.cause, other.of_balance) == (one.cause, one.of_balance))
    as_strong = sum(other.day <= one.day and other.log_odds >= one.log_odds for other in alike)
    if one.cause in CAUSED_MIRRORS:
        false = by_chance(false)
    true = max(as_strong - false, 0.0) + TRUE_PER_TANK_MONTH * PRIOR_TANK_MONTHS
    false += FALSE_PER_TANK_MONTH * PRIOR_TANK_MONTHS
    return true / (true + false)


def by_chance(decoys: float) -> float:
    """How many false findings decoys stand for whose mirror comes about at times as well.

    Decoys come at the true rate r and at a false one f together. The mean of f over its gamma prior of shape a and rate
    b, weighed by (r + f)^k for k decoys, is by Tricomi's function U (NIST Digital Library of Mathematical Functions,
    13.4.4) a r U(a + 1, a + k + 2, b r) / U(a, a + k + 1, b r); without decoys that is the prior, which is taken off.
    """
    shape = FALSE_PER_TANK_MONTH * PRIOR_TANK_MONTHS
    scale = TRUE_PER_TANK_MONTH * PRIOR_TANK_MONTHS
    mean = scale * hyperu(shape + 1.0, shape + decoys + 2.0, scale) / hyperu(shape, shape + decoys + 1.0, scale)
    return float(shape * (mean - 1.0))


def decoys_as_strong(finding: Finding, decoys: Sequence[Decoy]) -> float:
    """Decoys of a finding's kind expected to be as strong as it is, from those seen up to its day."""
    strongest: dict[tuple[str, str], float] = {}
    for one in decoys:
        if (one.cause, one.of_balance) == (finding.cause, finding.of_balance) and one.day <= finding.day:
            place = (one.unit_id, one.key)
            strongest[place] = max(strongest.get(place, -np.inf), one.log_odds)
    return float(sum(np.exp(-TAIL * max(finding.log_odds - one, 0.0)) for one in strongest.values()))


def expected_false(findings: Sequence[Finding], said: Sequence[float], decoys: Sequence[Decoy]) -> pl.DataFrame:
    """One row a cause: its cases, how many of them are expected to be false, and the decoys that were as strong.

    Null decoys where the cause has none.
    """
    causes = sorted({one.cause for one in findings})
    rows = []
    for cause in causes:
        mine = [(one, chance) for one, chance in zip(findings, said, strict=True) if one.cause == cause]
        weakest = min(one.log_odds for one, _ in mine)
        strong = {(one.unit_id, one.key) for one in decoys if one.cause == cause and one.log_odds >= weakest}
        as_strong = len(strong) if cause in WITH_DECOYS else None
        rows.append((cause, len(mine), float(sum(1.0 - chance for _, chance in mine)), as_strong))
    schema = {"cause": pl.String, "cases": pl.Int64, "expected_false": pl.Float64, "decoys": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")
