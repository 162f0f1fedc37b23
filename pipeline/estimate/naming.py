"""When what stands out is named: how far it must lead, and what it must wait for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.evidence import Weighed
from pipeline.estimate.hypotheses import Hypothesis
from pipeline.estimate.walked import Named

RAISE_AT = 4.0
"""Log posterior odds from which a hypothesis is named."""
METER_RAISE_AT = 3.0
"""The same of a meter: of many meters most differ a little, and no sound fleet of the development shows so much."""
DELIVERY_RAISE_AT = 1.0
"""The same of one drop, which is weighed on three days and not on every day."""
DELIVERY_EARLY_DAYS = 14
DELIVERY_EARLY_RAISE_AT = 2.5
"""Until so many days are known a drop needs more: chart, meters and tickets are still being learned. No source."""
CHART_LATE_DAYS = 21
CHART_LATE_RAISE_AT = 6.0
CHART_LAST_DAYS = 60
CHART_LAST_RAISE_AT = 9.0
"""A chart is wrong from its first day: evidence that comes so late is mostly that of walls a little off. No source."""
MARGIN = 3.0
"""Log odds by which it must lead the next, or else wait for more data."""
PATIENCE = 150.0
"""Log posterior odds from which it is named without that lead; not so a gain, which harms nobody while it waits."""
LEARNING_DAYS = 7
"""In a tank's first week no lasting rate is named, unless it is beyond all doubt."""
ERRATIC_DAYS = 8
"""After two odd days within this many no lasting rate is named: the balance is erratic, not drifting."""
FEWEST_CHART_DAYS = 7
"""A chart is named when there are this many days of data."""
MOST_EXCURSIONS = 24
"""So many odd days are named on a tank; one with more is told otherwise. No source."""
CHART = Hypothesis("chart_error", None, 1.0, one_sided=False)


@dataclass(frozen=True)
class Option:
    """Something that could be named: its log odds, the hypothesis, and the column (none for a chart)."""

    log_odds: float
    hypothesis: Hypothesis
    item: Weighed | None = None
    way: str | None = None
    chart: int = 0
    grown: Named | None = None

    @property
    def weight(self) -> float:
        """Log odds by which it is held against the other options: what its usual wander took off is given back."""
        return self.log_odds + (self.item.wander if self.item is not None else 0.0)


@dataclass(frozen=True)
class Now:
    """The day that names; the day of each dip; the odd days named so far; the day from which each chart is in force."""

    day: int
    known_day: NDArray[np.int64]
    odd_days: tuple[int, ...]
    chart_days: tuple[int, ...]


def is_named(options: list[Option], now: Now) -> bool:
    """Whether the heaviest option stands out, leads clearly, and is more than one odd day that is not over yet."""
    best = options[0]
    if best.log_odds < _raised_at(best, now):
        return False
    cause = best.hypothesis.cause
    lead = min((best.weight - one.weight for one in rivals_of(options)), default=np.inf)
    is_erratic = sum(now.day - day <= ERRATIC_DAYS for day in now.odd_days) >= 2
    first_day = int(now.known_day[0])
    if best.item is None:
        since = first_day if not best.chart else now.day - FEWEST_CHART_DAYS
        return bool(not is_erratic and now.day - since >= FEWEST_CHART_DAYS and lead >= MARGIN)
    age = now.day - int(now.known_day[best.item.onset])
    if cause == "excursion":
        return age > 0 and len(now.odd_days) < MOST_EXCURSIONS
    if cause != "delivery":
        is_early = now.day - first_day < LEARNING_DAYS and best.log_odds < PATIENCE
        if is_early or is_erratic or (best.grown is None and age < best.hypothesis.days - 1):
            return False
    return bool(lead >= MARGIN or (best.log_odds >= PATIENCE and cause != "unexplained"))


def rivals_of(options: list[Option]) -> list[Option]:
    """What else the heaviest option could be, heaviest first."""
    return [one for one in options[1:] if _is_rival(options[0], one)]


def next_of(options: list[Option]) -> tuple[str, float] | None:
    """The next likely cause that was not named yet, and its log odds, as far behind the best as its weight is."""
    best = options[0]
    rivals = (one for one in rivals_of(options) if one.grown is None)
    return next(((one.hypothesis.key, best.log_odds - best.weight + one.weight) for one in rivals), None)


def share_of(options: list[Option]) -> float:
    """Chance that it is of the heaviest option's cause and meter, if it is that or a rival: by their weights, 0..1.

    Draws at a neighbouring hour are the same cause.
    """
    best = options[0].hypothesis
    others = (
        one
        for one in rivals_of(options)
        if one.grown is None and (one.hypothesis.cause, one.hypothesis.meter_id) != (best.cause, best.meter_id)
    )
    return 1.0 / (1.0 + sum(float(np.exp(one.weight - options[0].weight)) for one in others))


def _raised_at(option: Option, now: Now) -> float:
    """Log odds from which an option is named."""
    if option.hypothesis.cause == "delivery":
        early = now.day - int(now.known_day[0]) < DELIVERY_EARLY_DAYS
        return DELIVERY_EARLY_RAISE_AT if early else DELIVERY_RAISE_AT
    if option.item is not None:
        return METER_RAISE_AT if option.hypothesis.cause == "meter_drift" else RAISE_AT
    return chart_raised_at(now.day - now.chart_days[option.chart])


def chart_raised_at(age_days: int) -> float:
    """Log odds from which a chart is named that has been in force for so many days."""
    if age_days <= CHART_LATE_DAYS:
        return RAISE_AT
    return CHART_LATE_RAISE_AT if age_days <= CHART_LAST_DAYS else CHART_LAST_RAISE_AT


def _is_rival(best: Option, other: Option) -> bool:
    """Whether another option could be what the best one seems: an odd day that came before it could not."""
    if other.hypothesis.cause != "excursion" or best.item is None or other.item is None:
        return True
    return other.item.onset >= best.item.onset
