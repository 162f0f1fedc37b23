"""What a walk through a unit's days leaves behind: what each day believed, and what was named."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.averaged import Total
from pipeline.estimate.design import Balance
from pipeline.estimate.hypotheses import Candidates, Hypothesis
from pipeline.estimate.regression import Posterior

Floats = NDArray[np.float64]


@dataclass
class Named:
    """A hypothesis named on `day` with log posterior odds `log_odds`, setting in at dip `onset`.

    `share` is the chance that it is this and none of the others that could be the same, 0..1; `rival` the next best of
    them and its log odds, as far behind as it is with the usual wander of both given back; `way` how a chart is wrong;
    `pieces` the places among the active regressors that carry its rate, each with the dip from which it acts; `hole`
    the number of a leak's height in `HOLES`, as the last day that was walked has it, and `shapes` the whitened course
    of each of its pieces from each; `ended` whether the rate has fallen back to nothing with its last piece, and
    `total` what it came to, both as the last day has it.
    """

    hypothesis: Hypothesis
    day: int
    log_odds: float
    onset: int
    rival: tuple[str, float] | None
    share: float = 1.0
    way: str | None = None
    pieces: list[tuple[int, int]] = field(default_factory=list)
    hole: int = 0
    shapes: list[Floats] = field(default_factory=list)
    ended: bool = False
    total: Total | None = None


@dataclass(frozen=True)
class DayView:
    """What one day's run believes of a unit.

    `belief` over the base coefficients and then those of `pieces` (numbers of candidates); `odds` log posterior odds of
    each hypothesis not yet named; `month_leak` estimate and SD of a leak acting since the month began [l/h];
    `stretch` by how much the residuals are wider than stated; `surprise` the day's residuals in SDs, shape (dips,);
    `hole` the number in `HOLES` of the height at which a leak that was named is thought to be.
    """

    day: int
    belief: Posterior
    pieces: tuple[int, ...]
    odds: dict[str, float]
    month_leak: tuple[float, float]
    stretch: float
    surprise: Floats
    hole: int


@dataclass(frozen=True)
class Decoyed:
    """A hypothesis that would have been named on `day` with log odds `log_odds`, had its sign been the other one.

    `onset` the dip from which it would have set in.
    """

    hypothesis: Hypothesis
    onset: int
    day: int
    log_odds: float


@dataclass(frozen=True)
class DropAway:
    """The day that first weighed a drop, how far it then lay from its tickets, in SDs, and that SD. [l at 15 °C]"""

    day: int
    away: float
    sd_l: float


@dataclass(frozen=True)
class Walk:
    """All days of one unit in order, the hypotheses named, the one-day excursions, and the regressors.

    `decoys` are what would have been named in a world mirrored in sign, one a day and hypothesis; `drops_away`, by the
    number of each drop, how far it lay from its tickets; `walked` the days that this run walked, and did not find kept.
    """

    balance: Balance
    candidates: Candidates
    views: list[DayView]
    named: list[Named]
    excursions: list[Named]
    decoys: list[Decoyed]
    drops_away: dict[int, DropAway] = field(default_factory=dict)
    walked: tuple[int, ...] = ()
