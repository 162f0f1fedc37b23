"""What the meters say left a tank: litres up to any instant, open hoses and the time since the last one closed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STAMPED_S = 900.0
"""A sale stands at most so far from when it was drawn. No source: a large draw takes a quarter of an hour."""
SHORTEST_S = 2.0
"""A sale that stands for less was written with one instant."""


@dataclass(frozen=True)
class MeterFlow:
    """Sales of one meter as booked to one tank, in order of time.

    `start_s` and `end_s` are seconds since 1970 of the till's clock, shape (n,); `volume_l` the tank's share of each
    sale; `known_s` when each sale's row is known (its end).
    """

    meter_id: str
    start_s: Floats
    end_s: Floats
    volume_l: Floats

    @cached_property
    def knots(self) -> tuple[Floats, Floats]:
        """Instants at which a sale begins or ends, never falling, and the litres sold until then. Shape (2 n,) each."""
        total = np.concatenate([[0.0], np.cumsum(self.volume_l)])
        knots_s, knots_l = np.empty(2 * len(self.end_s)), np.empty(2 * len(self.end_s))
        knots_s[0::2], knots_s[1::2] = self.start_s, np.maximum(self.end_s, self.start_s + 1e-3)
        knots_l[0::2], knots_l[1::2] = total[:-1], total[1:]
        return np.maximum.accumulate(knots_s), knots_l

    def shifted(self, lag_at: Floats) -> MeterFlow:
        """The same sales on the gauge's clock: `lag_at` seconds, shape (n,), are taken off each sale's times."""
        return MeterFlow(self.meter_id, self.start_s - lag_at, self.end_s - lag_at, self.volume_l)

    def scaled(self, factor: Floats) -> MeterFlow:
        """The same sales with each volume multiplied by `factor`, shape (n,)."""
        return MeterFlow(self.meter_id, self.start_s, self.end_s, self.volume_l * factor)


def ordered_flow(meter_id: str, start_s: Floats, end_s: Floats, volume_l: Floats) -> MeterFlow:
    """Sales sorted by end; a sale that starts before the one before it ended is cut to start there."""
    order = np.argsort(end_s, kind="stable")
    start, end, volume = start_s[order], end_s[order], volume_l[order]
    if len(end):
        start = np.minimum(np.maximum(start, np.concatenate([[-np.inf], end[:-1]])), end)
    return MeterFlow(meter_id, start, end, volume)


def in_order(flow: MeterFlow) -> MeterFlow:
    """The same sales as `ordered_flow` has them."""
    return ordered_flow(flow.meter_id, flow.start_s, flow.end_s, flow.volume_l)


def cumulative_l(flow: MeterFlow, at_s: Floats) -> Floats:
    """Litres sold by the meter up to each instant, a sale's litres spread evenly over its time. Shape of `at_s`. [l]"""
    if not len(flow.end_s):
        return np.zeros(len(at_s))
    return np.interp(at_s, *flow.knots)


def sold_until_l(flows: Sequence[MeterFlow], at_s: Floats) -> Floats:
    """Litres sold by some meters together up to each instant, none of which is before the one ahead of it. [l]

    Shape of `at_s`.
    """
    from pipeline.ledger.kernels import add_between  # numba is a second to import: only who analyses pays

    total = np.zeros(len(at_s))
    for flow in flows:
        if len(flow.end_s):
            add_between(*flow.knots, at_s, total)
    return total


def whole_sales_l(flows: Sequence[MeterFlow], since_s: float, at_s: Floats) -> Floats:
    """Litres of the sales that began at an instant or later and had ended by each of others. Shape of `at_s`. [l]

    Of a sale that was under way at the beginning nobody knows how much was drawn by then, least of all where the till
    writes its end when it is paid. One that has a single instant may have been drawn before it or after.
    """
    total = np.zeros(len(at_s))
    for flow in flows:
        untimed_s = np.where(flow.end_s - flow.start_s < SHORTEST_S, STAMPED_S, 0.0)
        whole = flow.start_s - untimed_s >= since_s
        so_far = np.concatenate([[0.0], np.cumsum(flow.volume_l[whole])])
        total += so_far[np.searchsorted(np.maximum.accumulate((flow.end_s + untimed_s)[whole]), at_s, "right")]
    return total


@dataclass(frozen=True)
class OpenSpans:
    """The spans of time in which at least one hose of the tank is open, merged. Shape (k,) each, seconds."""

    start_s: Floats
    end_s: Floats

    def hours_until(self, at_s: Floats) -> Floats:
        """Hours with a hose open up to each instant. [h]"""
        if not len(self.start_s):
            return np.zeros(len(at_s))
        knots_s = np.column_stack([self.start_s, self.end_s]).ravel()
        length = (self.end_s - self.start_s) / 3600.0
        total = np.concatenate([[0.0], np.cumsum(length)])
        knots_h = np.column_stack([total[:-1], total[1:]]).ravel()
        return np.asarray(np.interp(at_s, knots_s, knots_h))

    def rest_s(self, at_s: Floats) -> Floats:
        """Seconds since the last hose closed; 0 while one is open, infinite before the first. [s]"""
        if not len(self.start_s):
            return np.full(len(at_s), np.inf)
        index = np.searchsorted(self.start_s, at_s, "right") - 1
        last_end = np.where(index >= 0, self.end_s[np.maximum(index, 0)], -np.inf)
        return np.maximum(at_s - last_end, 0.0)

    def next_s(self, at_s: Floats) -> Floats:
        """Seconds until the next hose opens; infinite after the last. [s]"""
        if not len(self.start_s):
            return np.full(len(at_s), np.inf)
        index = np.searchsorted(self.start_s, at_s, "right")
        upcoming = np.concatenate([self.start_s, [np.inf]])[index]
        return upcoming - at_s


def open_spans(flows: list[MeterFlow]) -> OpenSpans:
    """The union of all sales' times over a tank's meters."""
    start = np.concatenate([flow.start_s for flow in flows]) if flows else np.empty(0)
    end = np.concatenate([flow.end_s for flow in flows]) if flows else np.empty(0)
    if not len(start):
        return OpenSpans(start, end)
    order = np.argsort(start, kind="stable")
    start, reach = start[order], np.maximum.accumulate(end[order])
    opens = np.concatenate([[True], start[1:] > reach[:-1]])
    closes = np.concatenate([opens[1:], [True]])
    return OpenSpans(start[opens], reach[closes])
