"""What a walk goes by, and how it stands after a day: begun from nothing, or gone on with from a day that was kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.design import Balance
from pipeline.estimate.holes import HolesSoFar, HoleSums
from pipeline.estimate.hypotheses import candidates_of, since
from pipeline.estimate.kept import Digest
from pipeline.estimate.month_leak import LeakSoFar, LeakSums
from pipeline.estimate.regression import Posterior, Prior, posterior
from pipeline.estimate.sums import Sums, SumsSoFar
from pipeline.estimate.walked import DayView, Decoyed, DropAway, Named
from pipeline.estimate.whiten import Filter, Noise, filter_of, whitened

Floats = NDArray[np.float64]

NEWEST = 2
"""So many of the newest days that are over are kept: the newest one may be corrected, and the one before stays."""
WEEK = 7
"""One more is kept, on every seventh day: rows may be some days late. No source."""


@dataclass(frozen=True)
class Amendment:
    """Litres, shape (dips,), that from the run of `day` on are known to have left unbooked: they are added to y."""

    day: int
    litres: Floats


@dataclass(frozen=True)
class Given:
    """What a walk goes by.

    `month_start` has for each UTC day number the day number on which its month began, for the leak of the month so far;
    `drop_dips` the first dip after each ticketed drop; `amendments` what is learned later of earlier dips.
    """

    balance: Balance
    noise: Noise
    month_start: dict[int, int]
    drop_dips: tuple[int, ...] = ()
    amendments: tuple[Amendment, ...] = ()

    def amended_on(self, day: int) -> list[Floats]:
        """The litres, shape (dips,) each, that are amended on a day."""
        return [one.litres for one in self.amendments if one.day == day]


@dataclass(frozen=True)
class Checkpoint:
    """How a walk stood after `day`, but for what the views of its days say; `key` is that of all that it had read."""

    day: int
    key: str
    sums: SumsSoFar
    leak: LeakSums
    holes: HolesSoFar | None
    prior: Prior
    rough: tuple[int, ...]
    named: tuple[Named, ...]
    excursions: tuple[Named, ...]
    decoys: tuple[Decoyed, ...]
    history: tuple[tuple[float, float], ...]
    drops_away: tuple[tuple[int, DropAway], ...]


@dataclass(frozen=True)
class WalkPast:
    """What is kept of a walk: some checkpoints in order of their days, and the views of all days up to the last."""

    checkpoints: tuple[Checkpoint, ...] = ()
    views: tuple[DayView, ...] = ()


NO_PAST = WalkPast()


@dataclass
class State:
    """A walk in progress."""

    balance: Balance
    filter: Filter
    sums: Sums
    leak_so_far: LeakSoFar
    prior: Prior
    belief: Posterior
    chart_starts: list[int]
    chart_days: tuple[int, ...]
    sway_l: Floats
    rough: set[int] = field(default_factory=set)
    holes: HoleSums | None = None
    named: list[Named] = field(default_factory=list)
    excursions: list[Named] = field(default_factory=list)
    decoys: list[Decoyed] = field(default_factory=list)
    history: list[tuple[float, float]] = field(default_factory=list)
    drops_away: dict[int, DropAway] = field(default_factory=dict)

    @property
    def base(self) -> int:
        """How many coefficients stand in the regression from the start."""
        return len(self.balance.names)

    @property
    def known_day(self) -> NDArray[np.int64]:
        """UTC day number whose run first sees each dip."""
        return self.balance.known_day

    def solve(self) -> None:
        """Brings the belief up to the sums."""
        self.belief = posterior(self.sums.gram, self.sums.score, self.prior)

    def total(self, named: Named) -> float:
        """What the pieces of a named rate come to now."""
        return float(self.belief.mean[[place for place, _ in named.pieces]].sum())

    def named_by(self, key: str) -> Named | None:
        """What was named by a hypothesis's key."""
        return next((item for item in self.named if item.hypothesis.key == key), None)

    def shape_of(self, onset: int) -> Floats:
        """The whitened course of a leak from a dip on, with its hole at each height. Shape (k, heights)."""
        return whitened(since(-self.balance.leak_h, onset), self.filter)


def begun(given: Given) -> State:
    """A walk before its first day."""
    balance = given.balance
    by = filter_of(balance.hours, given.noise, balance.jump_var_l2, balance.sold_15_l.sum(axis=1))
    base = balance.columns.shape[1]
    starts = [place for place, name in enumerate(balance.names) if name.endswith(":scale")]
    sums = Sums(balance.y_l, balance.columns, candidates_of(balance, given.drop_dips), by)
    return State(
        balance=balance,
        filter=by,
        sums=sums,
        leak_so_far=LeakSoFar(balance, sums),
        prior=balance.prior,
        belief=posterior(np.zeros((base, base)), np.zeros(base), balance.prior),
        chart_starts=starts,
        chart_days=tuple(int(balance.known_day[np.argmax(column != 0.0)]) for column in balance.columns[:, starts].T),
        sway_l=given.noise.sway_l,
    )


def keys_of(given: Given, state: State) -> dict[int, str]:
    """By UTC day number the key of all that a walk, just begun, will have read by the end of that day.

    Until when a candidate's course goes on, `until`, is left out: it follows from the days of the dips.
    """
    balance, by, candidates = given.balance, state.filter, state.sums.candidates
    kinds = tuple(one for one in candidates.hypotheses if one.cause != "delivery")
    digest = Digest(balance.names, balance.prior, balance.feigned_l_per_h, state.chart_days, kinds)
    by_dip = (
        balance.known_day, balance.hours, state.sums.rows, state.leak_so_far.rows, candidates.courses,
        by.keep, by.carry_h, by.seen, by.gain, by.sd_l, state.sway_l, state.leak_so_far.feigned_l_per_h,
    )  # fmt: skip
    of_candidate = (
        candidates.which, candidates.onset, candidates.course, candidates.step_at, candidates.step, candidates.is_told,
    )  # fmt: skip
    found = {}
    for day, start, stop in _days(balance.known_day):
        mine = slice(*np.searchsorted(candidates.day, [day, day + 1]))
        digest.add(given.month_start[day], *(rows[start:stop] for rows in by_dip), *(one[mine] for one in of_candidate))
        for one in given.amendments:
            if one.day <= day:
                digest.add(one.day, one.litres[0 if one.day == day else start : stop])
        found[day] = digest.key
    return found


def _days(known_day: NDArray[np.int64]) -> Iterator[tuple[int, int, int]]:
    """Each day, its first dip and the first after it."""
    days, firsts = np.unique(known_day, return_index=True)
    return zip(days.tolist(), firsts.tolist(), [*firsts[1:].tolist(), len(known_day)], strict=True)


def checkpoint_of(state: State, day: int, key: str) -> Checkpoint:
    """How a walk stands after a day."""
    return Checkpoint(
        day=day,
        key=key,
        sums=state.sums.so_far(),
        leak=state.leak_so_far.so_far(),
        holes=None if state.holes is None else state.holes.so_far(),
        prior=state.prior,
        rough=tuple(sorted(state.rough)),
        named=_apart(state.named),
        excursions=_apart(state.excursions),
        decoys=tuple(state.decoys),
        history=tuple(state.history),
        drops_away=tuple(state.drops_away.items()),
    )


def _apart(named: Sequence[Named]) -> tuple[Named, ...]:
    """The same, none of which changes any more, and without the courses, which can be made again."""
    return tuple(replace(one, pieces=list(one.pieces), shapes=[]) for one in named)


def go_on(state: State, given: Given, kept: Checkpoint, belief: Posterior) -> None:
    """Brings a walk that has just begun to where it stood after the day of `kept`, with what was believed then."""
    state.prior, state.belief, state.rough = kept.prior, belief, set(kept.rough)
    state.named, state.excursions = list(_apart(kept.named)), list(_apart(kept.excursions))
    state.decoys, state.history = list(kept.decoys), list(kept.history)
    state.drops_away = dict(kept.drops_away)
    leak = state.named_by("tank_leak:")
    holes = {} if leak is None else {kept.sums.pieces[place - state.base]: leak.hole for place, _ in leak.pieces}
    days = [day for day, _, _ in _days(state.known_day) if day <= kept.day]
    state.sums.go_on(kept.sums, [litres for day in days for litres in given.amended_on(day)], holes)
    state.leak_so_far.go_on(kept.leak)
    if leak is not None:
        leak.shapes = [state.shape_of(onset) for _, onset in leak.pieces]
        if kept.holes is not None:
            state.holes = HoleSums(state.sums, leak.shapes, [place for place, _ in leak.pieces], kept.holes)


def kept_days(days: Sequence[int]) -> set[int]:
    """After which of some days in order the walk is kept. The last is never over: more of it may come."""
    over = list(days[:-1])
    late = [day for day in over[:-NEWEST] if day % WEEK == 0]
    return {*over[-NEWEST:], *late[-1:]}
