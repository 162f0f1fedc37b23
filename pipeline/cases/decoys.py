"""Decoys: findings of what nothing can cause, made by the very steps that make the real ones.

Nobody pours small amounts back at a usual hour, and no tank leaks inwards past its float. What looks like it is chance,
or a gauge that nobody understood; so it tells how often the real ones are that too. (The idea is that of decoys in
the search of spectra: J. E. Elias and S. P. Gygi, "Target-decoy search strategy", Nature Methods 4 (2007) 207-214; of
controls of one's own making in regression: R. F. Barber and E. J. Candès, "Controlling the false discovery rate via
knockoffs", Ann. Statist. 43 (2015) 2055-2085.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.cases.attribution import is_explained
from pipeline.cases.finding import Finding
from pipeline.cases.missing_sales import unbooked_decoys
from pipeline.cases.rates import onset_s
from pipeline.cases.sudden import sudden_findings
from pipeline.estimate import evidence
from pipeline.estimate.observe import SiteObserved
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.estimate.walked import Decoyed
from pipeline.features.transit import Move

MIRRORED = ("bulk_theft", "slow_theft")
"""Causes of sudden moves whose mirror, litres that come, has no cause: a rise of any size to speak of is a drop."""

WITH_DECOYS = frozenset((*MIRRORED, *evidence.MIRRORED, "missing_sales"))
"""Causes that have decoys, of one kind or the other: of the others the fleet cannot say how often chance passes."""


@dataclass(frozen=True)
class Decoy:
    """A decoy of a cause at a unit, or of missing sales at a meter: the UTC day that first saw it and its log odds.

    `of_balance` that the balance weighed it, as `Finding` has it. `key` tells decoys of one cause at one unit apart; of
    those with the same key only the strongest so far counts.
    """

    cause: str
    unit_id: str
    of_balance: bool
    key: str
    day: int
    log_odds: float


def sudden_decoys(site: SiteObserved, moves_of: Mapping[str, list[Move]], found: Sequence[Finding]) -> list[Decoy]:
    """What sudden moves would be found as if every rise were a fall and every fall a rise.

    `moves_of` the unexplained moves of each unit, `found` the site's findings that stand: what one of these explains
    is none.
    """
    turned = {unit_id: [_turned(move) for move in moves] for unit_id, moves in moves_of.items()}
    decoys = [one for one in sudden_findings(site, turned) if one.cause in MIRRORED and not is_explained(one, found)]
    return [
        Decoy(one.cause, one.unit_id or "", one.of_balance, f"{number}", one.day, one.log_odds)
        for number, one in enumerate(decoys)
    ]


def book_decoys(site: SiteObserved) -> list[Decoy]:
    """Missing sales that would be found if what the books outran the totalisers by were the other way round."""
    return [
        Decoy("missing_sales", episode.meter_id, False, f"{number}", episode.day, episode.log_odds)
        for number, episode in enumerate(unbooked_decoys(site))
    ]


def walk_decoys(walks: Sequence[UnitWalk], found: Sequence[Finding]) -> list[Decoy]:
    """What the walks would have named in a world mirrored in sign, but for what one of the findings explains."""
    return [
        Decoy(one.cause, one.unit_id or "", one.of_balance, decoyed.hypothesis.key, one.day, one.log_odds)
        for walk in walks
        for decoyed in walk.walk.decoys
        if not is_explained(one := _as_found(walk, decoyed), found)
    ]


def _as_found(walk: UnitWalk, decoyed: Decoyed) -> Finding:
    """A decoy as the finding that it would be."""
    unit = walk.seen.unit
    return Finding(
        cause=decoyed.hypothesis.cause,
        site_id=unit.site_id,
        unit_id=unit.unit_id,
        tank_id=unit.members[0],
        day=decoyed.day,
        start_s=onset_s(walk.walk.balance, decoyed.onset),
        end_s=None,
        log_odds=decoyed.log_odds,
        of_balance=True,
    )


def _turned(move: Move) -> Move:
    """The move with its sign turned."""
    return replace(move, step=replace(move.step, litres=-move.step.litres, z=-move.step.z))
