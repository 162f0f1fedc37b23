"""The balance of one unit walked through day by day: each day sees that day and earlier, and says what it now believes.

The filter is causal, so a day's work is to whiten its own rows, to add them to running sums and to solve a small
system. Each hypothesis, setting in on any of the last `ONSET_DAYS`, is weighed against none by its Bayes factor.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.averaged import Fitted, Rate, averaged_total
from pipeline.estimate.evidence import LOG_PRIOR, ROUGH, Weighed, is_rough, weigh, weigh_chart, widened
from pipeline.estimate.holes import HoleSums
from pipeline.estimate.hypotheses import RATES
from pipeline.estimate.month_leak import month_leak
from pipeline.estimate.naming import CHART, Now, Option, is_named, next_of, share_of
from pipeline.estimate.regression import Prior
from pipeline.estimate.walk_state import (
    NO_PAST,
    Given,
    State,
    WalkPast,
    begun,
    checkpoint_of,
    go_on,
    kept_days,
    keys_of,
)
from pipeline.estimate.walked import DayView, Decoyed, DropAway, Named, Walk

Floats = NDArray[np.float64]

PIECE_ODDS = -2.0
"""Log prior odds of a named rate changing on some day. What began ends more often than another thing begins."""
EDGE_DAYS = 2
BEFORE_EDGE_DAYS = 4
"""Within so many days after and before a named rate's onset, change or end no other rate sets in."""
OTHER_ENDS = {"tank_leak": "unexplained:", "line_leak": "unexplained:", "unexplained": "tank_leak:"}
"""What looks like the end of a rate of the other sign, by that one's key."""
MOST_NAMED = 3
MOST_PIECES = 4
DELIVERY_DAYS = 3
"""A delivery is judged on the day that sees it and the two after."""


def walk_days(given: Given, past: WalkPast = NO_PAST) -> tuple[Walk, WalkPast]:
    """Walk a unit's days in order, from the newest day on after which the same walk was kept in `past`.

    Returns the walk, and what to keep of it.
    """
    state = begun(given)
    keys = keys_of(given, state)
    fitting = [one for one in past.checkpoints if keys.get(one.day) == one.key]
    views: list[DayView] = []
    if fitting:
        views = [view for view in past.views if view.day <= fitting[-1].day]
        go_on(state, given, fitting[-1], views[-1].belief)
    wanted, left = kept_days(list(keys)), list(keys)[len(views) :]
    for day in left:
        for litres in given.amended_on(day):
            state.sums.amend(litres)
            state.holes = None
        views.append(_walk_day(state, day, given.month_start[day]))
        if day in wanted:
            fitting.append(checkpoint_of(state, day, keys[day]))
    for named in state.named:
        if named.hypothesis.cause not in ("delivery", "chart_error"):
            _close(state, named)
    kept = tuple(one for one in fitting if one.day in wanted)
    so_far = WalkPast(kept, tuple(view for view in views if kept and view.day <= kept[-1].day))
    found = (state.sums.candidates, views, state.named, state.excursions, state.decoys, state.drops_away)
    return Walk(given.balance, *found, walked=tuple(left)), so_far


def _walk_day(state: State, day: int, month_start: int) -> DayView:
    """Takes a day's rows, names what stands out, and says what is then believed."""
    surprise, stretch = _take_day(state, day)
    odds = _name(state, day)
    leak = state.named_by("tank_leak:")
    if leak is not None:
        _find_hole(state, leak)
    first = int(np.searchsorted(state.known_day, month_start))
    pieces = [place for place, _ in leak.pieces] if leak is not None else []
    return DayView(
        day=day,
        belief=state.belief,
        pieces=tuple(state.sums.pieces),
        odds=odds,
        month_leak=month_leak(state.sums, state.prior, state.leak_so_far, first, pieces),
        stretch=stretch,
        surprise=surprise,
        hole=leak.hole if leak else 0,
    )


def _close(state: State, named: Named) -> None:
    """Says of a rate that was named whether it has ended, and what it came to."""
    places = [place for place, _ in named.pieces]
    so_far = np.cumsum(state.belief.mean[places])
    doubt = float(np.sqrt(state.belief.cov[np.ix_(places, places)].sum()))
    largest = float(np.abs(so_far).max())
    named.ended = len(places) > 1 and abs(so_far[-1]) <= max(0.25 * largest, min(2.0 * doubt, 0.5 * largest))
    rate = Rate(
        places=tuple(places),
        onsets=tuple(onset for _, onset in named.pieces),
        hypothesis=state.sums.candidates.hypotheses.index(named.hypothesis),
        hole=named.hole if named.hypothesis.cause == "tank_leak" else None,
        end=len(places) - 1 if named.ended else None,
    )
    fitted = Fitted(
        state.balance, state.filter, state.sums.active, state.sums.y, state.sums.weight[: state.sums.count], state.prior
    )
    named.total = averaged_total(fitted, rate)


def _take_day(state: State, day: int) -> tuple[Floats, float]:
    """Adds a day's rows, stretched by the scatter of the days before and outliers held back (Huber's weights)."""
    start, stop = np.searchsorted(state.known_day, [day, day + 1])
    rows = state.sums.rows[start:stop]
    stretch = _stretch(state.history)
    active = rows[:, 1:]
    raw = rows[:, 0] - active @ state.belief.mean
    spread = np.sqrt(1.0 + ((active @ state.belief.cov) * active).sum(axis=1))
    surprise = raw / spread / stretch
    clipped = np.clip(raw / spread, -4, 4)
    whole = active.sum(axis=0)
    of_day = float((clipped * spread).sum() / np.sqrt(len(rows) + whole @ state.belief.cov @ whole))
    state.history.append((float(np.mean(clipped**2)), of_day))
    weight = np.sqrt(np.minimum(1.0, 4.0 / np.maximum(np.abs(surprise), 1e-9))) / stretch
    state.sums.take(weight, day)
    _let_rough(state)
    state.solve()
    return surprise, stretch


def _let_rough(state: State) -> None:
    """Lets the finer shapes of each chart loose whose wall shows to be uneven over short stretches."""
    for start in state.chart_starts:
        if start not in state.rough and is_rough(state.sums, state.prior, start):
            state.rough.add(start)
            state.prior = widened(state.prior, start, ROUGH)


def _stretch(history: list[tuple[float, float]]) -> float:
    """How much wider than stated the residuals of the last thirty days are, by row and by day; never below one."""
    recent = history[-30:]
    by_row = (10.0 + sum(row for row, _ in recent)) / (10.0 + len(recent))
    by_day = (10.0 + sum(min(total**2, 9.0) for _, total in recent)) / (10.0 + len(recent))
    return float(np.sqrt(max(1.0, by_row, by_day)))


def _options(state: State, day: int) -> list[Option]:
    """Everything that could be named, by weight, highest first."""
    found: list[Option] = []
    full = sum(item.hypothesis.cause != "delivery" for item in state.named) >= MOST_NAMED
    recent = int(np.searchsorted(state.known_day, day - DELIVERY_DAYS + 1))
    held = {one.hypothesis.key: state.total(one) for one in state.named}
    for item in weigh(state.sums, state.belief, recent=recent, held=held, sway_l=state.sway_l):
        named = state.named_by(item.hypothesis.key)
        if named is None:
            found.append(Option(item.log_odds, item.hypothesis, item))
            if item.hypothesis.cause == "delivery":
                away = DropAway(day, item.estimate / item.sd, item.sd)
                state.drops_away.setdefault(int(str(item.hypothesis.meter_id)), away)
        elif (
            item.hypothesis.cause != "delivery" and len(named.pieces) < MOST_PIECES and item.onset > named.pieces[-1][1]
        ):
            grown = item.estimate + held[named.hypothesis.key]
            if abs(grown) <= item.hypothesis.largest:
                found.append(Option(item.best_onset + PIECE_ODDS, item.hypothesis, item, grown=named))
    if state.named_by(CHART.key) is None:
        value, way, chart = weigh_chart(state.sums, state.prior, state.chart_starts)
        found.append(Option(value + LOG_PRIOR["chart_error"], CHART, way=way, chart=chart))
    found = [one for one in found if not (_is_other_end(state, one, held) or _is_edge(state, one))]
    if full:
        found = [o for o in found if o.grown is not None or o.hypothesis.cause in ("excursion", "delivery")]
    return sorted(found, key=lambda option: -option.weight)


def _is_other_end(state: State, option: Option, held: dict[str, float]) -> bool:
    """Whether a leak is only the end of a gain that was named, or a gain that of a leak."""
    opposite = OTHER_ENDS.get(option.hypothesis.cause)
    named = state.named_by(opposite) if opposite and option.grown is None else None
    if named is None:
        return False
    places = [place for place, _ in named.pieces]
    return held[named.hypothesis.key] > 2.0 * float(np.sqrt(state.belief.cov[np.ix_(places, places)].sum()))


def _is_edge(state: State, option: Option) -> bool:
    """Whether a rate would set in as another one that was named does, changes or ends.

    Onsets are by days, and part of a day is left over at each: an odd day's litres, and no other cause.
    """
    if option.grown is not None or option.item is None or option.hypothesis.cause not in RATES:
        return False
    day = state.known_day[option.item.onset]
    edges = [state.known_day[onset] for one in state.named if one.hypothesis.cause in RATES for _, onset in one.pieces]
    return any(-BEFORE_EDGE_DAYS <= int(day) - int(edge) <= EDGE_DAYS for edge in edges)


def _find_hole(state: State, leak: Named) -> None:
    """Gives a leak that was named the hole that fits the rows taken so far best."""
    if state.holes is None or state.holes.width != len(state.sums.score):
        state.holes = HoleSums(state.sums, leak.shapes, [place for place, _ in leak.pieces])
    else:
        state.holes.take(state.sums)
    best = int(np.argmax(state.holes.evidence(state.sums, state.prior)))
    if leak.hole == best:
        return
    leak.hole = best
    for (place, _), shape in zip(leak.pieces, leak.shapes, strict=True):
        state.sums.reshape(place, shape[:, best], best)
    state.solve()


def _name(state: State, day: int) -> dict[str, float]:
    """Names what stands out, lets named rates change, and returns the log odds of what is not named."""
    options, now = _options(state, day), _now(state, day)
    for _ in range(4):
        if not options or not is_named(options, now):
            break
        _take_in(state, day, options)
        options, now = _options(state, day), _now(state, day)
    sums, sway_l = state.sums, state.sway_l
    for item in weigh(sums, state.belief, recent=sums.count, held={}, sway_l=sway_l, mirrored=True):
        if is_named([Option(item.log_odds, item.hypothesis, item), *options], now):
            state.decoys.append(Decoyed(item.hypothesis, item.onset, day, item.log_odds))
    return {option.hypothesis.key: option.log_odds for option in options if option.grown is None}


def _now(state: State, day: int) -> Now:
    return Now(day, state.known_day, tuple(item.day for item in state.excursions), state.chart_days)


def _take_in(state: State, day: int, options: list[Option]) -> None:
    best = options[0]
    rival, share = next_of(options), share_of(options)
    if best.item is None:
        start = state.chart_starts[best.chart]
        for way in {str(best.way), "offset"}:
            state.prior = widened(state.prior, start, way)
        first = int(np.searchsorted(state.known_day, day)) if best.chart else 0
        state.named.append(
            Named(CHART, day, best.log_odds, first if best.chart else 0, rival, share, f"{best.chart}:{best.way}")
        )
    elif best.grown is not None:
        _add_piece(state, best.grown, best.item)
    else:
        named = Named(best.hypothesis, day, best.log_odds, best.item.onset, rival, share)
        (state.excursions if best.hypothesis.cause == "excursion" else state.named).append(named)
        _add_piece(state, named, best.item)
    state.solve()


def _add_piece(state: State, named: Named, item: Weighed) -> None:
    named.pieces.append((len(state.sums.score), item.onset))
    state.sums.activate(item.number)
    if named.hypothesis.cause == "tank_leak":
        named.shapes.append(state.shape_of(item.onset))
        named.hole = -1
    spread = 3.0 * named.hypothesis.spread
    state.prior = Prior(np.append(state.prior.mean, 0.0), np.append(state.prior.sd, spread))
