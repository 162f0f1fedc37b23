"""The balance of one unit walked through day by day: each day sees that day and earlier, and says what it now believes.

Rows are whitened once (the filter is causal), so a day's work is to add its rows to running sums and to solve a small
system. Each hypothesis, setting in on any day, is weighed against none by its Bayes factor.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.averaged import Fitted, Rate, averaged_total
from pipeline.estimate.design import HOLES, Balance
from pipeline.estimate.evidence import LOG_PRIOR, Sums, Weighed, log_evidence, weigh, weigh_chart, widened
from pipeline.estimate.hypotheses import RATES, Candidates, Hypothesis, candidates_of, since
from pipeline.estimate.regression import Posterior, Prior, posterior
from pipeline.estimate.walked import DayView, Named, Walk
from pipeline.estimate.whiten import Noise, gains, whitened

Floats = NDArray[np.float64]

RAISE_AT = 4.0
"""Log posterior odds from which a hypothesis is named."""
DELIVERY_RAISE_AT = 1.0
"""The same of one drop, which is weighed on three days and not on every day."""
MARGIN = 3.0
"""Log odds by which it must lead the next, or else wait for more data."""
PATIENCE = 150.0
"""Log posterior odds from which it is named without that lead."""
PIECE_ODDS = -2.0
"""Log prior odds of a named rate changing on some day. What began ends more often than another thing begins."""
LEARNING_DAYS = 7
"""In a tank's first week no lasting rate is named, unless it is beyond all doubt."""
ERRATIC_DAYS = 8
"""After two odd days within this many no lasting rate is named: the balance is erratic, not drifting."""
FEWEST_CHART_DAYS = 5
"""A chart is named when there are this many days of data."""
EDGE_DAYS = 1
"""Within so many days of a named rate's onset, change or end no other rate sets in."""
MOST_NAMED = 3
MOST_PIECES = 4
MOST_EXCURSIONS = 24
DELIVERY_DAYS = 3
"""A delivery is judged on the day that sees it and the two after."""
CHART = Hypothesis("chart_error", None, 1.0, one_sided=False)


@dataclass
class _State:
    balance: Balance
    gain: tuple[Floats, Floats, Floats, Floats]
    rows: Floats
    weight: Floats
    sums: Sums
    prior: Prior
    belief: Posterior
    candidates: Candidates
    chart_starts: list[int]
    named: list[Named] = field(default_factory=list)
    excursions: list[Named] = field(default_factory=list)
    history: list[tuple[float, float]] = field(default_factory=list)

    @property
    def base(self) -> int:
        """How many coefficients stand in the regression from the start."""
        return len(self.balance.names)

    @property
    def known_day(self) -> NDArray[np.int64]:
        """UTC day number whose run first sees each dip."""
        return self.balance.known_day

    def solve(self) -> None:
        self.belief = posterior(self.sums.gram(), self.sums.score(), self.prior)

    def total(self, named: Named) -> float:
        """What the pieces of a named rate come to now."""
        return float(self.belief.mean[[place for place, _ in named.pieces]].sum())

    def named_by(self, key: str) -> Named | None:
        return next((item for item in self.named if item.hypothesis.key == key), None)


@dataclass(frozen=True)
class _Option:
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
class Amendment:
    """Litres, shape (dips,), that from the run of `day` on are known to have left unbooked: they are added to y."""

    day: int
    litres: Floats


def walk_days(
    balance: Balance,
    noise: Noise,
    month_start: dict[int, int],
    *,
    drop_dips: tuple[int, ...] = (),
    amendments: tuple[Amendment, ...] = (),
) -> Walk:
    """Walk a unit's days in order.

    Parameters
    ----------
    balance : Balance
    noise : Noise
    month_start : dict
        For each UTC day number the day number on which its month began, for the leak of the month so far.
    drop_dips : tuple of int
        The first dip after each ticketed drop.
    amendments : tuple of Amendment
        What is learned later of earlier dips.
    """
    candidates = candidates_of(balance, drop_dips)
    gain = gains(balance.hours, noise, balance.jump_var_l2, balance.sold_15_l.sum(axis=1))
    later = [one.litres for one in amendments]
    raw = np.column_stack([balance.y_l, balance.columns, candidates.columns, *later])
    rows = whitened(raw, balance.hours, gain)
    first_later = rows.shape[1] - len(later)
    base = balance.columns.shape[1]
    empty = posterior(np.zeros((base, base)), np.zeros(base), balance.prior)
    starts = [place for place, name in enumerate(balance.names) if name.endswith(":scale")]
    state = _State(
        balance=balance,
        gain=gain,
        rows=rows,
        weight=np.zeros(len(rows)),
        sums=Sums(rows.shape, base),
        prior=balance.prior,
        belief=empty,
        candidates=candidates,
        chart_starts=starts,
    )
    views = []
    for day in np.unique(balance.known_day):
        for place, one in enumerate(amendments):
            if one.day == day:
                state.sums.amend(first_later + place)
                rows[:, 0] += rows[:, first_later + place] * (balance.known_day >= day)
        surprise, stretch = _take_day(state, int(day))
        odds = _name(state, int(day))
        leak = state.named_by("tank_leak:")
        if leak is not None:
            _find_hole(state, leak)
        first = int(np.searchsorted(balance.known_day, month_start[int(day)]))
        views.append(
            DayView(
                day=int(day),
                belief=state.belief,
                pieces=tuple(state.sums.active[base:]),
                odds=odds,
                month_leak=_month_leak(state, first),
                stretch=stretch,
                surprise=surprise,
                hole=leak.hole if leak else 0,
            )
        )
    for named in state.named:
        if named.hypothesis.cause not in ("delivery", "chart_error"):
            _close(state, named)
    return Walk(balance, candidates, views, state.named, state.excursions)


def _close(state: _State, named: Named) -> None:
    """Says of a rate that was named whether it has ended, and what it came to."""
    places = [place for place, _ in named.pieces]
    so_far = np.cumsum(state.belief.mean[places])
    doubt = float(np.sqrt(state.belief.cov[np.ix_(places, places)].sum()))
    largest = float(np.abs(so_far).max())
    named.ended = len(places) > 1 and abs(so_far[-1]) <= max(0.25 * largest, min(2.0 * doubt, 0.5 * largest))
    rate = Rate(
        places=tuple(places),
        onsets=tuple(onset for _, onset in named.pieces),
        hypothesis=state.candidates.hypotheses.index(named.hypothesis),
        hole=named.hole if named.hypothesis.cause == "tank_leak" else None,
        end=len(places) - 1 if named.ended else None,
    )
    taken, count = state.sums.taken, state.sums.count
    rows = taken[:count, state.sums.active]
    fitted = Fitted(state.balance, state.gain, rows, taken[:count, 0], state.weight, state.prior)
    named.total = averaged_total(fitted, rate)


def _take_day(state: _State, day: int) -> tuple[Floats, float]:
    """Adds a day's rows, stretched by the scatter of the days before and outliers held back (Huber's weights)."""
    rows = state.rows[state.known_day == day]
    stretch = _stretch(state.history)
    active = rows[:, state.sums.active]
    raw = rows[:, 0] - active @ state.belief.mean
    spread = np.sqrt(1.0 + ((active @ state.belief.cov) * active).sum(axis=1))
    surprise = raw / spread / stretch
    clipped = np.clip(raw / spread, -4, 4)
    state.history.append((float(np.mean(clipped**2)), float(clipped.sum() / np.sqrt(len(clipped)))))
    weight = np.sqrt(np.minimum(1.0, 4.0 / np.maximum(np.abs(surprise), 1e-9))) / stretch
    state.weight[state.sums.count : state.sums.count + len(rows)] = weight
    state.sums.take(rows * weight[:, None])
    state.solve()
    return surprise, stretch


def _stretch(history: list[tuple[float, float]]) -> float:
    """How much wider than stated the residuals of the last thirty days are, by row and by day; never below one."""
    recent = history[-30:]
    by_row = (10.0 + sum(row for row, _ in recent)) / (10.0 + len(recent))
    by_day = (10.0 + sum(min(total**2, 9.0) for _, total in recent)) / (10.0 + len(recent))
    return float(np.sqrt(max(1.0, by_row, by_day)))


def _options(state: _State, day: int) -> list[_Option]:
    """Everything that could be named, by weight, highest first."""
    found: list[_Option] = []
    full = sum(item.hypothesis.cause != "delivery" for item in state.named) >= MOST_NAMED
    recent = int(np.searchsorted(state.known_day, day - DELIVERY_DAYS + 1))
    held = {one.hypothesis.key: state.total(one) for one in state.named}
    for item in weigh(state.sums, state.belief, state.candidates, 1 + state.base, recent=recent, held=held):
        named = state.named_by(item.hypothesis.key)
        if named is None:
            found.append(_Option(item.log_odds, item.hypothesis, item))
        elif (
            item.hypothesis.cause != "delivery" and len(named.pieces) < MOST_PIECES and item.onset > named.pieces[-1][1]
        ):
            grown = item.estimate + held[named.hypothesis.key]
            if abs(grown) <= item.hypothesis.largest:
                found.append(_Option(item.best_onset + PIECE_ODDS, item.hypothesis, item, grown=named))
    if state.named_by(CHART.key) is None:
        value, way, chart = weigh_chart(state.sums, state.prior, state.chart_starts)
        found.append(_Option(value + LOG_PRIOR["chart_error"], CHART, way=way, chart=chart))
    found = [one for one in found if not (_is_other_end(state, one, held) or _is_edge(state, one))]
    if full:
        found = [o for o in found if o.grown is not None or o.hypothesis.cause in ("excursion", "delivery")]
    return sorted(found, key=lambda option: -option.weight)


def _is_other_end(state: _State, option: _Option, held: dict[str, float]) -> bool:
    """Whether a leak is only the end of a gain that was named, or a gain that of a leak."""
    opposite = {"tank_leak": "unexplained:", "unexplained": "tank_leak:"}.get(option.hypothesis.cause)
    named = state.named_by(opposite) if opposite and option.grown is None else None
    if named is None:
        return False
    places = [place for place, _ in named.pieces]
    return held[named.hypothesis.key] > 2.0 * float(np.sqrt(state.belief.cov[np.ix_(places, places)].sum()))


def _is_edge(state: _State, option: _Option) -> bool:
    """Whether a rate would set in as another one that was named does, changes or ends.

    Onsets are by days, and part of a day is left over at each: an odd day's litres, and no other cause.
    """
    if option.grown is not None or option.item is None or option.hypothesis.cause not in RATES:
        return False
    day = state.known_day[option.item.onset]
    edges = [state.known_day[onset] for one in state.named if one.hypothesis.cause in RATES for _, onset in one.pieces]
    return any(abs(int(day) - int(edge)) <= EDGE_DAYS for edge in edges)


def _find_hole(state: _State, leak: Named) -> None:
    """Gives a leak that was named the hole that fits the rows taken so far best."""
    count, active = state.sums.count, state.sums.active
    weighted = [state.weight[:count, None] * shape[:count] for shape in leak.shapes]
    design = state.sums.taken[:count, active]
    evidence = []
    for hole in range(len(HOLES)):
        for (place, _), shape in zip(leak.pieces, weighted, strict=True):
            design[:, place] = shape[:, hole]
        evidence.append(log_evidence(design.T @ design, design.T @ state.sums.taken[:count, 0], state.prior))
    if leak.hole == (best := int(np.argmax(evidence))):
        return
    leak.hole = best
    for (place, onset), raw, shape in zip(leak.pieces, leak.shapes, weighted, strict=True):
        column = active[place]
        state.rows[:, column] = raw[:, best]
        state.sums.reshape(place, shape[:, best])
        state.candidates.columns[:, column - 1 - state.base] = since(-state.balance.leak_h, onset)[:, best]
    state.solve()


def _name(state: _State, day: int) -> dict[str, float]:
    """Names what stands out, lets named rates change, and returns the log odds of what is not named."""
    for _ in range(4):
        options = _options(state, day)
        if not options or options[0].log_odds < _raised_at(options[0]) or not _is_ready(state, options, day):
            break
        _take_in(state, day, options)
    return {option.hypothesis.key: option.log_odds for option in _options(state, day) if option.grown is None}


def _raised_at(option: _Option) -> float:
    return DELIVERY_RAISE_AT if option.hypothesis.cause == "delivery" else RAISE_AT


def _is_ready(state: _State, options: list[_Option], day: int) -> bool:
    """Whether the best option leads clearly, and is more than one odd day that is not over yet."""
    best = options[0]
    rivals = [one.weight for one in options[1:] if _is_rival(best, one)]
    lead = best.weight - max(rivals) if rivals else np.inf
    if best.item is None:
        since = int(state.known_day[0]) if not best.chart else day - FEWEST_CHART_DAYS
        if sum(day - item.day <= ERRATIC_DAYS for item in state.excursions) >= 2:
            return False
        return bool(day - since >= FEWEST_CHART_DAYS and lead >= MARGIN)
    age = day - int(state.known_day[best.item.onset])
    early = day - int(state.known_day[0]) < LEARNING_DAYS and best.log_odds < PATIENCE
    if early and best.hypothesis.cause not in ("excursion", "delivery"):
        return False
    if best.hypothesis.cause == "excursion":
        return age > 0 and len(state.excursions) < MOST_EXCURSIONS
    lately = sum(day - item.day <= ERRATIC_DAYS for item in state.excursions)
    if best.hypothesis.cause != "delivery" and lately >= 2:
        return False
    if best.hypothesis.cause != "delivery" and best.grown is None and age < best.hypothesis.days - 1:
        return False
    return bool(lead >= MARGIN or best.log_odds >= PATIENCE)


def _is_rival(best: _Option, other: _Option) -> bool:
    """Whether another option could be what the best one seems: an odd day that came before it could not."""
    if other.hypothesis.cause != "excursion" or best.item is None or other.item is None:
        return True
    return other.item.onset >= best.item.onset


def _take_in(state: _State, day: int, options: list[_Option]) -> None:
    best = options[0]
    rival = next(((o.hypothesis.key, o.log_odds) for o in options[1:] if o.grown is None), None)
    if best.item is None:
        start = state.chart_starts[best.chart]
        for way in {str(best.way), "offset"}:
            state.prior = widened(state.prior, start, way)
        first = int(np.searchsorted(state.known_day, day)) if best.chart else 0
        state.named.append(
            Named(CHART, day, best.log_odds, first if best.chart else 0, rival, f"{best.chart}:{best.way}")
        )
    elif best.grown is not None:
        _add_piece(state, best.grown, best.item)
    else:
        named = Named(best.hypothesis, day, best.log_odds, best.item.onset, rival)
        (state.excursions if best.hypothesis.cause == "excursion" else state.named).append(named)
        _add_piece(state, named, best.item)
    state.solve()


def _add_piece(state: _State, named: Named, item: Weighed) -> None:
    named.pieces.append((len(state.sums.active), item.onset))
    state.sums.activate(item.column)
    if named.hypothesis.cause == "tank_leak":
        named.shapes.append(whitened(since(-state.balance.leak_h, item.onset), state.balance.hours, state.gain))
        named.hole = -1
    spread = 3.0 * named.hypothesis.spread
    state.prior = Prior(np.append(state.prior.mean, 0.0), np.append(state.prior.sd, spread))


def _month_leak(state: _State, first: int) -> tuple[float, float]:
    """Mean leak since dip `first` and its SD [l/h], nothing taken from any leak that was named."""
    leak = state.candidates.hypotheses[0]
    mine = np.flatnonzero((state.candidates.which == 0) & (state.candidates.onset >= first))
    if not len(mine) or state.candidates.onset[mine[0]] >= state.sums.count:
        return np.nan, np.inf
    column = int(mine[0] + 1 + state.base)
    named = state.named_by(leak.key)
    places = [place for place, _ in named.pieces] if named else []
    keep = np.setdiff1d(np.arange(len(state.sums.active)), places)
    prior = Prior(state.prior.mean[keep], state.prior.sd[keep])
    belief = posterior(state.sums.gram()[np.ix_(keep, keep)], state.sums.score()[keep], prior)
    cross = state.sums.cross[keep][:, column]
    information = float(state.sums.square[column] - cross @ belief.cov @ cross)
    if information <= 1e-9:
        return np.nan, np.inf
    last = state.sums.count - 1
    begun = max(int(state.candidates.onset[mine[0]]) - 1, 0)
    hours = float(state.balance.hours[last] - state.balance.hours[begun])
    if hours <= 0.0:
        return np.nan, np.inf
    mean_speed = -float(state.candidates.columns[last, mine[0]]) / hours
    rate = float((state.sums.moment[column] - cross @ belief.mean) / information)
    return mean_speed * rate, mean_speed / float(np.sqrt(information))
