"""What could be moving a tank's stock, each as a regressor that sets in on some day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.design import Balance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LASTING = ("tank_leak", "line_leak", "meter_drift", "unexplained")
"""Causes that are rates: they set in on some day and go on."""
RATES = (*LASTING, "slow_theft")
"""The same with draws at a usual hour, too small to be seen one by one."""
LEAK_SPREAD_L_PER_H = 1.0
LINE_SPREAD_L_PER_H = 20.0
METER_SPREAD = 0.005
"""Spread of a fault's size before the data speaks. No source: a leak to be found is 0.757 L/h (40 CFR 280.43), a
pressure line's 11.4 L/h (40 CFR 280.44), and a meter that is off is mostly within twice its 0.5 % tolerance."""
METER_ALWAYS_SPREAD = 0.015
"""Spread of the error of a meter that has been off since before the data: nobody has looked at it. No source: 2 to 5 %
of meters in service are beyond their tolerance (common practice)."""
GAIN_SPREAD_L_PER_H = 3.0
GAIN_DAYS = 6
"""Litres from nowhere harm nobody while late books have time to take them back. Common practice, no source."""
EXCURSION_SPREAD_L_PER_H = 1.5
KNOWN_DAYS = 7
"""So long the sales must have been seen before what goes by them can set in: it may have been so. No source."""
SILENCE_H = 3.0
"""What went in a longer silence, an excursion takes to have gone then."""
THEFT_SPREAD_L = 15.0
"""Litres a day of draws at a usual hour, SD. No source."""
THEFT_STARTS_H = tuple(2.0 * number for number in range(12))
THEFT_LASTS_H = 3.0
THEFT_ONSET_DAYS = 2
"""Hours of the day, UTC, from which draws at a usual hour are looked for, and for how long: an hour and a half to
either side (common practice, no source). They may set in on every other day."""
USUAL_LEAK_L_PER_H = 0.015
USUAL_LINE_L_PER_H = 0.15
USUAL_METER = 0.0005
USUAL_GAIN_L_PER_H = 0.08
USUAL_THEFT_L = 0.35
"""How far each wanders with nothing wrong: breathing and contraction, a pump's warmth, a meter's wear. No source."""
DELIVERY_SPREAD_L = 150.0
LARGEST_METER = 0.06
"""A meter further off than this is broken and not drifting. No source."""


@dataclass(frozen=True)
class Hypothesis:
    """One way for litres to go.

    `cause`, the meter it concerns (or a drop's number), the spread of its coefficient, its
    allowed sign, `usual`, how far the coefficient wanders with nothing wrong, `largest`, beyond which it is no such
    thing, `days`, on how many it must have acted before it is named, `hour`, of draws, that from which they come, and
    `always`, the spread of one that has been so since before the data, where it is another, and `feigned`, how far more
    it wanders where no thermometer tells the temperature.
    """

    cause: str
    meter_id: str | None
    spread: float
    one_sided: bool
    usual: float = 0.0
    largest: float = float("inf")
    days: int = 2
    hour: float | None = None
    always: float | None = None
    feigned: float = 0.0

    def spread_from(self, onset: int) -> float:
        """The spread of its coefficient where it sets in at a dip, 0 the first."""
        return self.spread if self.always is None or onset > 0 else self.always

    @property
    def key(self) -> str:
        """A name that sorts and compares."""
        return f"{self.cause}:{self.meter_id or ''}" + ("" if self.hour is None else f"{self.hour:02.0f} h")


@dataclass(frozen=True)
class Candidates:
    """Every hypothesis at every day of onset as one regressor, in order of the days; its course is made when asked for.

    `which` (c,) its hypothesis, `onset` (c,) the dip from which it acts, `day` (c,) that dip's UTC day number; `silent`
    the dip that ended a long silence, by the onset of the excursion that it is taken to hold. A regressor goes by one
    of `courses` (k, n), number `course` (c,), from the dip before its onset to the dip `until` (c,), and then keeps; or
    it is a step of `step` (c,) from the dip `step_at` (c,) on, where that is not -1. `holes` is the number of courses
    before those of a leak with its hole at each height; `is_told` (c,) whether a thermometer told the temperature then.
    """

    hypotheses: tuple[Hypothesis, ...]
    courses: Floats
    which: Ints
    onset: Ints
    day: Ints
    course: Ints
    until: Ints
    step_at: Ints
    step: Floats
    silent: dict[int, int]
    holes: int
    is_told: NDArray[np.bool_]

    @cached_property
    def spread(self) -> Floats:
        """Spread of each one's coefficient. Shape (c,)."""
        return np.array(
            [self.hypotheses[one].spread_from(at) for one, at in zip(self.which, self.onset.tolist(), strict=True)]
        )

    @cached_property
    def usual(self) -> Floats:
        """How far each one's coefficient wanders with nothing wrong. Shape (c,)."""
        usual, feigned = np.array([(one.usual, one.feigned) for one in self.hypotheses]).T[:, self.which]
        return np.asarray(np.hypot(usual, np.where(self.is_told, 0.0, feigned)))

    @cached_property
    def largest(self) -> Floats:
        """Beyond which each one is no such thing. Shape (c,)."""
        return np.array([one.largest for one in self.hypotheses])[self.which]

    @cached_property
    def is_by_the_hour(self) -> NDArray[np.bool_]:
        """Whether each one acts at one hour of the day. Shape (c,)."""
        return np.array([one.hour is not None for one in self.hypotheses])[self.which]

    @cached_property
    def is_one_sided(self) -> NDArray[np.bool_]:
        """Whether each one's coefficient has one sign alone. Shape (c,)."""
        return np.array([one.one_sided for one in self.hypotheses])[self.which]

    @cached_property
    def is_delivery(self) -> NDArray[np.bool_]:
        """Whether each one is what a ticket does not hold. Shape (c,)."""
        return np.array([one.cause == "delivery" for one in self.hypotheses])[self.which]

    @cached_property
    def by_kind(self) -> Ints:
        """Their numbers by hypothesis, and within each as they set in. Shape (c,)."""
        return np.argsort(self.which, kind="stable")

    def columns(self, numbers: Ints, start: int, stop: int) -> Floats:
        """Some regressors at dips `start` to `stop`. Shape (stop - start, len(numbers))."""
        dips = np.arange(start, stop)[:, None]
        before = np.maximum(self.onset[numbers] - 1, 0)
        course = self.course[numbers]
        at = np.clip(dips, before, self.until[numbers])
        found = self.courses[at, course] - self.courses[before, course]
        steps = np.flatnonzero(self.step_at[numbers] >= 0)
        found[:, steps] = np.where(dips >= self.step_at[numbers[steps]], self.step[numbers[steps]], 0.0)
        return np.asarray(found)

    def column(self, number: int) -> Floats:
        """One regressor at every dip. Shape (k,)."""
        return self.columns(np.array([number]), 0, len(self.courses))[:, 0]

    def with_hole(self, number: int, hole: int) -> Candidates:
        """The same with the leak that is regressor `number` from a hole at another height."""
        course = self.course.copy()
        course[number] = self.holes + hole
        return replace(self, course=course)


def hypotheses_of(balance: Balance) -> tuple[tuple[Hypothesis, ...], Floats]:
    """The hypotheses of a unit and the course of each since the first dip. Shapes (n,), (k, n).

    `unexplained` is a steady gain, which no cause of loss can give.
    """
    rate, share = balance.feigned_l_per_h, balance.feigned_share
    found = [Hypothesis("tank_leak", None, LEAK_SPREAD_L_PER_H, True, USUAL_LEAK_L_PER_H, feigned=rate)]
    courses = [-balance.leak_h[:, 0]]
    if len(balance.meters):
        found.append(Hypothesis("line_leak", None, LINE_SPREAD_L_PER_H, True, USUAL_LINE_L_PER_H, days=3, feigned=rate))
        courses.append(-balance.open_h)
    for number, meter in enumerate(balance.meters):
        found.append(
            Hypothesis(
                "meter_drift",
                meter,
                METER_SPREAD,
                False,
                USUAL_METER,
                LARGEST_METER,
                7,
                always=METER_ALWAYS_SPREAD,
                feigned=share,
            )
        )
        courses.append(-balance.sold_15_l[:, number])
    found.append(
        Hypothesis("unexplained", None, GAIN_SPREAD_L_PER_H, True, USUAL_GAIN_L_PER_H, days=GAIN_DAYS, feigned=rate)
    )
    courses.append(balance.hours - balance.hours[0])
    # What a day's contraction adds up to, a gauge that holds back small changes may show at one hour of it.
    a_day = 24.0 * rate
    for hour in THEFT_STARTS_H:
        found.append(
            Hypothesis("slow_theft", None, THEFT_SPREAD_L, True, USUAL_THEFT_L, days=4, hour=hour, feigned=a_day)
        )
        courses.append(-days_passed(balance.hours, hour))
    return tuple(found), np.column_stack(courses)


def days_passed(hours: Floats, start_h: float) -> Floats:
    """How often `THEFT_LASTS_H` from an hour of the day on have passed since 1970, evenly within. Shape of `hours`."""
    days = np.floor((hours - start_h) / 24.0)
    into_h = hours - start_h - 24.0 * days
    return np.asarray(days + np.clip(into_h / THEFT_LASTS_H, 0.0, 1.0))


def candidates_of(balance: Balance, drop_dips: tuple[int, ...] = ()) -> Candidates:
    """Each hypothesis setting in with the first dip of each day, the first day's meaning from the start of the data.

    A leak is sought as if its hole were at the bottom. The last one, `excursion`, acts for one day alone: what a day of
    odd weather, or a cause that no hypothesis names, does to a balance; on a day with a long silence, all of it within
    that. It is told from a lasting rate on the day after. `drop_dips` are the first dips after each drop with a ticket:
    each is a hypothesis `delivery` of its own, a step that the ticket does not hold.
    """
    hypotheses, courses = hypotheses_of(balance)
    days = balance.known_day
    firsts = np.flatnonzero(np.diff(days, prepend=days[:1] - 1))
    ends = np.append(firsts[1:], len(days))
    silent = _silences(balance, firsts, ends)
    drops = np.array(drop_dips, dtype=np.int64)
    dropped = np.searchsorted(firsts, drops, "right") - 1
    count, last = len(hypotheses), len(days) - 1
    parts = []
    for place, (first, end) in enumerate(zip(firsts.tolist(), ends.tolist(), strict=True)):
        lasting = np.array([n for n, one in enumerate(hypotheses) if _may_set_in(one.cause, place)], dtype=np.int64)
        dip = silent.get(first, -1)
        gone_h = balance.hours[dip - 1] - balance.hours[dip] if first in silent else 0.0
        came = np.flatnonzero(dropped == place)
        parts += [
            _fields(lasting, first, lasting, last),
            _fields(np.array([count]), first, 0, end - 1, dip, gone_h),
            _fields(count + 1 + came, drops[came], 0, last, drops[came], 1.0),
        ]
    which, onset, course, until, step_at, step = (np.concatenate(values) for values in zip(*parts, strict=True))
    return Candidates(
        hypotheses=(*hypotheses, *_once(len(drops))),
        courses=np.column_stack([courses, -balance.leak_h]),
        which=which,
        onset=onset,
        day=days[onset],
        course=course,
        until=until,
        step_at=step_at,
        step=step,
        silent=silent,
        holes=count,
        is_told=np.ones(len(onset), dtype=bool) if balance.told is None else balance.told[onset],
    )


def _once(drops: int) -> list[Hypothesis]:
    """What acts once: an excursion of one day, and what the ticket of each of so many drops does not hold."""
    excursion = Hypothesis("excursion", None, EXCURSION_SPREAD_L_PER_H, one_sided=False)
    return [excursion, *(Hypothesis("delivery", str(one), DELIVERY_SPREAD_L, one_sided=False) for one in range(drops))]


def _may_set_in(cause: str, place: int) -> bool:
    """Whether what is of a cause may set in on a day of the data, 0 the first."""
    if cause == "slow_theft":
        return place % THEFT_ONSET_DAYS == 0
    return cause not in ("meter_drift", "line_leak") or not 0 < place < KNOWN_DAYS


def _fields(
    which: Ints, onset: Ints | int, course: Ints | int, until: int, step_at: Ints | int = -1, step: float = 0.0
) -> tuple[NDArray[Any], ...]:
    """The same of some candidates, as `Candidates` has it; a number is that of each."""
    return tuple(np.broadcast_to(field, len(which)) for field in (which, onset, course, until, step_at, step))


def _silences(balance: Balance, firsts: Ints, ends: Ints) -> dict[int, int]:
    """The dip that ended the longest silence of each day with a long one, by the day's first dip."""
    silent_h = np.diff(balance.hours, prepend=balance.hours[:1])
    found = {}
    for first, end in zip(firsts.tolist(), ends.tolist(), strict=True):
        dip = first + int(np.argmax(silent_h[first:end]))
        if silent_h[dip] > SILENCE_H:
            found[first] = dip
    return found


def since(courses: Floats, first: int) -> Floats:
    """Each course from the dip before `first` on, zero until then. Shape of `courses`."""
    start = max(first - 1, 0)
    since: Floats = courses - courses[start]
    since[:start] = 0.0
    return since
