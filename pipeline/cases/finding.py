"""What the estimates found of one cause, before it is worded as a case."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """One thing that speaks for a finding: a number with its unit, or a stretch of time, in plain words."""

    kind: str
    name: str
    value: float | None = None
    unit: str | None = None
    start_s: float | None = None
    end_s: float | None = None
    note: str | None = None


@dataclass(frozen=True)
class Course:
    """Litres that a finding has added to the variance up to each instant: `at_s` rising, `litres` (n,) each."""

    at_s: Floats
    litres: Floats

    def until(self, at_s: Floats) -> Floats:
        """The litres so far at each instant, linear between the course's own, nothing before it. [l]"""
        if not len(self.at_s):
            return np.zeros(len(at_s))
        return np.interp(at_s, self.at_s, self.litres, left=0.0)


@dataclass(frozen=True)
class Finding:
    """One cause at work.

    `day` is the UTC day number whose data it took; `start_s`, `end_s` when it acted (None while it lasts); `litres` its
    effect on variance with `sd_l`, and `told_l` the two as the day that raised it told them, where they changed since;
    `log_odds` how sure that it is real, as log posterior odds, of which `log_prior` are the odds before any data;
    `share` the chance that what is real is of this cause and not of its rival; `rival` the next best cause and its log
    odds; `course` the litres over time; `booked_l` what the meters booked about the time of a sudden draw;
    `also_unit_id` the unit that a wrong feed's sales leave, or that a blending hose draws on as well; `of_balance` that
    the balance weighed it, and no signal showed it. Identifiers as the contract asks for the cause.
    """

    cause: str
    site_id: str
    unit_id: str | None
    tank_id: str | None
    day: int
    start_s: float
    end_s: float | None
    log_odds: float
    meter_id: str | None = None
    delivery_id: str | None = None
    litres: float | None = None
    sd_l: float = 0.0
    told_l: tuple[float, float] | None = None
    rate_l_per_h: float | None = None
    meter_error_pct: float | None = None
    rival: tuple[str, float] | None = None
    booked_l: float = 0.0
    also_unit_id: str | None = None
    log_prior: float = 0.0
    share: float = 1.0
    of_balance: bool = False
    evidence: tuple[Evidence, ...] = ()
    course: Course = field(default_factory=lambda: Course(np.empty(0), np.empty(0)))

    @property
    def log_bayes(self) -> float:
        """What the data say: log Bayes factor of the cause against its null."""
        return self.log_odds - self.log_prior
