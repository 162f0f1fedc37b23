"""Product that leaves without passing a meter: leaking lines, thefts, and movements that nothing explains."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.demand import to_true_seconds
from pipeline.simulate.model import DAY_S, HOUR_S, Fault, Floats, Flow, Window
from pipeline.simulate.seeds import Part, stream


def unmetered_flow(fault: Fault, window: Window, seed: int, timezone: str, open_s: tuple[Floats, Floats]) -> Flow:
    """Litres at ambient temperature that the fault moves quickly; none for a cause that moves no product so.

    `open_s` are the starts and ends of the times in which a hose of the tank was open, in order and apart.
    """
    if fault.cause == "line_leak":
        return _line_leak(fault, open_s)
    if fault.cause == "bulk_theft":
        assert fault.end_s is not None
        return Flow(np.array([fault.start_s]), np.array([fault.end_s]), np.array([-fault.params["litres"]]))
    if fault.cause == "slow_theft":
        return _slow_theft(fault, window, seed, timezone)
    if fault.cause == "unexplained":
        return _unexplained(fault, window, seed)
    return Flow.none()


def _until(fault: Fault, window: Window) -> float:
    return window.seconds if fault.end_s is None else fault.end_s


def _line_leak(fault: Fault, open_s: tuple[Floats, Floats]) -> Flow:
    start_s, end_s = open_s
    end_of_fault = np.inf if fault.end_s is None else fault.end_s
    rows = (start_s >= fault.start_s) & (end_s <= end_of_fault)
    lasts_h = (end_s[rows] - start_s[rows]) / HOUR_S
    return Flow(start_s[rows], end_s[rows], -fault.params["rate_l_per_h"] * lasts_h)


def _slow_theft(fault: Fault, window: Window, seed: int, timezone: str) -> Flow:
    """Draws of a usual size at a usual hour of the site's clock: most days, on chosen weekdays, or after closing."""
    rng = stream(seed, Part.FAULT_DETAIL, fault.index, 2)
    pattern = int(fault.params["pattern"])
    days = np.arange(np.floor(fault.start_s / DAY_S), np.floor(_until(fault, window) / DAY_S))
    weekdays = rng.permutation(7)[: 2 + int(rng.integers(2))]
    chosen = rng.random(days.size) < 0.85
    if pattern == 1:
        chosen &= np.isin((days + window.start.weekday()) % 7, weekdays)
    spread_h = 0.6 if pattern < 2 else 0.2
    local_h = days * 24.0 + fault.params["hour"] + rng.normal(0.0, spread_h, days.size)
    at_s = to_true_seconds(local_h, timezone, window)
    litres = fault.params["litres"] * rng.lognormal(0.0, 0.2, days.size)
    lasts_s = litres / rng.uniform(8.0, 25.0, days.size) * 60.0
    chosen &= (at_s > fault.start_s) & (at_s + lasts_s < _until(fault, window))
    return Flow(at_s[chosen], (at_s + lasts_s)[chosen], -litres[chosen])


def _unexplained(fault: Fault, window: Window, seed: int) -> Flow:
    """Gains and losses of tens of litres over hours that come near to cancelling, or a steady gain."""
    if fault.params["steady_gain_l_per_h"] > 0.0:
        span = np.array([fault.start_s, _until(fault, window)])
        return Flow(span[:1], span[1:], fault.params["steady_gain_l_per_h"] * np.diff(span) / HOUR_S)
    rng = stream(seed, Part.FAULT_DETAIL, fault.index, 2)
    days = (_until(fault, window) - fault.start_s) / DAY_S
    count = max(6, round(fault.params["a_day"] * days))
    at_s = np.sort(rng.uniform(fault.start_s, _until(fault, window) - 6.0 * HOUR_S, count))
    litres = fault.params["litres"] * rng.lognormal(0.0, 0.35, count) * rng.choice([-1.0, 1.0], count)
    return Flow(at_s, at_s + rng.uniform(0.6, 5.0, count) * HOUR_S, litres - 0.9 * litres.mean())


def open_times(start_s: Floats, end_s: Floats) -> tuple[Floats, Floats]:
    """Union of times: starts and ends, in order and apart. [s]"""
    if start_s.size == 0:
        return start_s, end_s
    order = np.argsort(start_s, kind="stable")
    start, end = start_s[order], np.maximum.accumulate(end_s[order])
    fresh = np.append(True, start[1:] > end[:-1])
    last = np.append(np.flatnonzero(fresh)[1:] - 1, start.size - 1)
    return start[fresh], end[last]
