"""Faults that move litres: what each has taken out of a pool, or left in it, up to each instant."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.backtest.injection.fault import DAY_S, HOUR_S, CannotHoldError, Course, Injection, Outcome
from pipeline.backtest.injection.pool import Pool, outcome
from pipeline.ledger.drops import Drop
from pipeline.ledger.movements import MeterFlow

Floats = NDArray[np.float64]
Found = tuple[Course, Outcome]
Maker = Callable[[Injection, Pool, np.random.Generator], Found]

STEP_S: Final = 900.0
PUMP_L_PER_MIN: Final = (40.0, 300.0)
"""What a portable pump draws. No source."""
CANS_L_PER_MIN: Final = (8.0, 25.0)
"""What a hand pump or a small electric one draws. No source."""
NIGHTS_SHARE: Final = 0.85
"""Share of nights on which small draws are made."""


def end_of(injection: Injection, pool: Pool) -> float:
    """When a fault that may last ends, at the latest with the data. [s]"""
    return pool.last_s if injection.end_s is None else min(injection.end_s, pool.last_s)


def tank_leak(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """A hole in the bottom: rate ∝ √head of what still stands there, `size` with the tank half full."""
    end_s = end_of(injection, pool)
    at = np.arange(injection.start_s, end_s + STEP_S, STEP_S)
    at[-1] = end_s
    heads = [gauge.level_at(at) for gauge in pool.gauges]
    half = 0.5 * float(pool.gauges[0].strapping.span_mm()[1])
    surface = np.sum(
        [one.strapping.surface_l_per_mm(level, at) for one, level in zip(pool.gauges, heads, strict=True)], axis=0
    )
    level = np.mean(heads, axis=0)
    gone = np.zeros(len(at))
    for place in range(1, len(at)):
        # What has leaked stands no more above the hole.
        head = max(level[place - 1] - gone[place - 1] / max(surface[place - 1], 0.1), 0.0)
        hours = (at[place] - at[place - 1]) / HOUR_S
        gone[place] = gone[place - 1] + injection.size * np.sqrt(head / half) * hours
    return Course(at, -gone), outcome(injection, pool, litres=-float(gone[-1]))


def line_leak(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """Pipework that leaks at `size` while a hose of the pool is open."""
    spans = pool.open_spans
    if not len(spans.start_s):
        raise CannotHoldError(f"tank {injection.tank_id} sells nothing, so its line is never under pressure")
    end_s = end_of(injection, pool)
    inside = (spans.end_s > injection.start_s) & (spans.start_s < end_s)
    start, stop = np.maximum(spans.start_s[inside], injection.start_s), np.minimum(spans.end_s[inside], end_s)
    at = np.concatenate([[injection.start_s], np.column_stack([start, stop]).ravel(), [end_s]])
    hours = spans.hours_until(at) - spans.hours_until(np.array([injection.start_s]))
    litres = -injection.size * hours
    return Course(np.maximum.accumulate(at), litres), outcome(injection, pool, litres=float(litres[-1]))


def bulk_theft(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """`size` litres drawn at once by a pump."""
    minutes = injection.size / float(np.exp(rng.uniform(*np.log(PUMP_L_PER_MIN))))
    end_s = float(np.round(injection.start_s + max(60.0 * minutes, 60.0)))
    course = Course(np.array([injection.start_s, end_s]), np.array([0.0, -injection.size]))
    return course, outcome(injection, pool, end_s=end_s, litres=-injection.size)


def slow_theft(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """About `size` litres on most nights, near the hour of the start."""
    end_s = end_of(injection, pool)
    nights = np.arange(injection.start_s, end_s, DAY_S)
    taken = rng.random(len(nights)) < NIGHTS_SHARE
    taken[:1] = True
    at = nights + np.maximum(rng.normal(0.0, 0.6 * HOUR_S, len(nights)), 0.0)
    litres = injection.size * rng.lognormal(0.0, 0.2, len(nights))
    lasts = litres / rng.uniform(*CANS_L_PER_MIN, len(nights)) * 60.0
    return _draws(injection, pool, (at, at + lasts, -litres), taken & (at + lasts < end_s))


def unexplained(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """Gains and losses of about `size` litres over hours, at any hour, that nearly cancel."""
    end_s = end_of(injection, pool)
    count = max(6, round(2.5 * (end_s - injection.start_s) / DAY_S))
    at = np.sort(rng.uniform(injection.start_s, max(end_s - 6.0 * HOUR_S, injection.start_s + 1.0), count))
    litres = injection.size * rng.lognormal(0.0, 0.35, count) * rng.choice([-1.0, 1.0], count)
    litres -= 0.9 * litres.mean()
    return _draws(injection, pool, (at, at + rng.uniform(0.6, 5.0, count) * HOUR_S, litres), at < end_s)


def _draws(injection: Injection, pool: Pool, draws: tuple[Floats, Floats, Floats], kept: NDArray[np.bool_]) -> Found:
    """Draws that may overlap, added up."""
    start, stop, litres = (part[kept] for part in draws)
    if not len(start):
        raise CannotHoldError(f"tank {injection.tank_id} has no data after the fault's start")
    at = np.unique(np.concatenate([start, stop]))
    lasts = np.maximum(stop - start, 1.0)
    done = np.clip((at[:, None] - start[None, :]) / lasts[None, :], 0.0, 1.0)
    course = Course(at, done @ litres)
    return course, outcome(injection, pool, litres=float(litres.sum()))


def meter_drift(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """A meter that records `size` per cent too much from the start on: its sales stand, less has left the tank."""
    flow = busiest(injection, pool)
    end_s = end_of(injection, pool)
    inside = (flow.start_s >= injection.start_s) & (flow.end_s <= end_s)
    if not inside.any():
        raise CannotHoldError(f"meter {flow.meter_id} sells nothing after the fault's start")
    error = injection.size / 100.0
    kept = flow.volume_l[inside] * error / (1.0 + error)
    total = np.concatenate([[0.0], np.cumsum(kept)])
    at = np.column_stack([flow.start_s[inside], flow.end_s[inside]]).ravel()
    litres = np.column_stack([total[:-1], total[1:]]).ravel()
    course = Course(np.maximum.accumulate(at), litres)
    return course, outcome(injection, pool, meter_id=flow.meter_id, litres=float(total[-1]))


def busiest(injection: Injection, pool: Pool) -> MeterFlow:
    """The meter that is named, or else the one that sold the most.

    Raises
    ------
    CannotHoldError
        If the pool has no such meter.
    """
    wanted = [flow for flow in pool.flows if injection.meter_id in (None, flow.meter_id)]
    if not wanted:
        raise CannotHoldError(f"tank {injection.tank_id} has no meter {injection.meter_id or ''}".rstrip())
    return max(wanted, key=lambda flow: (float(flow.volume_l.sum()), flow.meter_id))


def next_drop(injection: Injection, pool: Pool, *, least_l: float = 0.0) -> Drop:
    """The first drop after the start that has one ticket, of `least_l` or more.

    Raises
    ------
    CannotHoldError
        If there is none.
    """
    for drop in pool.ticketed():
        if drop.start_s >= injection.start_s and drop.gain_l >= least_l:
            return drop
    raise CannotHoldError(f"tank {injection.tank_id} has no fitting drop with one ticket after the fault's start")


def _off_ticket(injection: Injection, pool: Pool, sign: float) -> Found:
    drop = next_drop(injection, pool, least_l=2.0 * injection.size)
    delivery = str(pool.tickets["delivery_id"][drop.tickets[0]])
    litres = sign * injection.size
    course = Course(np.array([drop.start_s, max(drop.end_s, drop.start_s + 60.0)]), np.array([0.0, litres]))
    known = {"start_s": drop.start_s, "end_s": drop.end_s, "delivery_id": delivery, "litres": litres}
    return course, outcome(injection, pool, **known)


def short_delivery(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """A drop that is `size` litres less than its ticket."""
    return _off_ticket(injection, pool, -1.0)


def over_delivery(injection: Injection, pool: Pool, rng: np.random.Generator) -> Found:
    """A drop that is `size` litres more than its ticket."""
    return _off_ticket(injection, pool, 1.0)


MAKERS: Final[Mapping[str, Maker]] = {
    "tank_leak": tank_leak,
    "line_leak": line_leak,
    "bulk_theft": bulk_theft,
    "slow_theft": slow_theft,
    "unexplained": unexplained,
    "meter_drift": meter_drift,
    "short_delivery": short_delivery,
    "over_delivery": over_delivery,
}
"""Causes that are litres in the readings alone."""
