"""Which of a sale's two instants a till knows, told from how the tanks' levels fall.

A till writes both, or the start and the payment, or one of them alone with the other a few seconds off. A hose gives
some 35 l/min to a car and three times that to a truck, so a sale that lasts a minute more or less than its litres take
is one of these; the levels say which. Ships and road tankers are loaded at hundreds of litres a minute, and how many is
for the levels to say too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.movements import MeterFlow

Floats = NDArray[np.float64]
Stamp = Literal["both", "start", "end"]

ONE_INSTANT: Final[tuple[Stamp, ...]] = ("start", "end")
HOSE_L_PER_MIN: Final = 35.0
"""What a hose gives: 30 to 45 l/min into cars (common practice, no source)."""
WIDE_HOSE_L_PER_MIN: Final = 100.0
"""What a truck's wide hose gives: 80 to 130 l/min (common practice, no source)."""
LARGEST_CAR_L: Final = 100.0
"""No car's tank takes more; what does is a truck's, at a wide hose (common practice, no source)."""
LARGEST_TRUCK_L: Final = 1_500.0
"""No truck's own tanks take more; what does is a load (common practice, no source)."""
LOADS_L_PER_MIN: Final = (300.0, 600.0, 1_000.0)
"""How fast loads may go: by a hose of two inches, of three, by a loading arm. Common practice, no source."""
LOADS_BETWEEN_L_PER_MIN: Final = (WIDE_HOSE_L_PER_MIN, 1_500.0)
"""No load goes slower or faster (common practice, no source)."""
ODD_S: Final = 60.0
"""A sale that lasts so much more or less than its litres take says that one of its instants is not the hose's."""


def stamped(flow: MeterFlow, stamp: Stamp, load_l_per_min: float = LOADS_L_PER_MIN[0]) -> MeterFlow:
    """The sales, each at its place, as drawn where the till knows both instants, the start alone or the end alone."""
    if stamp == "both":
        return flow
    takes_s = _takes_s(flow, load_l_per_min)
    if stamp == "start":
        return replace(flow, end_s=flow.start_s + takes_s)
    return replace(flow, start_s=flow.end_s - takes_s)


def odd_share(flows: Iterable[MeterFlow]) -> float:
    """Share of the litres whose sales last longer or shorter than they take; 0 without any."""
    odd_l = all_l = 0.0
    for flow in flows:
        slowest_s, fastest_s = (_takes_s(flow, rate) for rate in LOADS_BETWEEN_L_PER_MIN)
        lasts_s = flow.end_s - flow.start_s
        is_odd = (lasts_s < fastest_s - ODD_S) | (lasts_s > slowest_s + ODD_S)
        odd_l += float(flow.volume_l[is_odd].sum())
        all_l += float(flow.volume_l.sum())
    return odd_l / all_l if all_l > 0.0 else 0.0


def load_rates(flows: Iterable[MeterFlow]) -> tuple[float, ...]:
    """The paces of loads that are to be told apart: one will do where there is none. [l/min]"""
    has_loads = any(bool((flow.volume_l > LARGEST_TRUCK_L).any()) for flow in flows)
    return LOADS_L_PER_MIN if has_loads else LOADS_L_PER_MIN[:1]


def _takes_s(flow: MeterFlow, load_l_per_min: float) -> Floats:
    """How long a hose takes for each sale. Shape (n,). [s]"""
    rate_l_per_min = np.where(flow.volume_l > LARGEST_CAR_L, WIDE_HOSE_L_PER_MIN, HOSE_L_PER_MIN)
    rate_l_per_min = np.where(flow.volume_l > LARGEST_TRUCK_L, load_l_per_min, rate_l_per_min)
    return np.asarray(60.0 * flow.volume_l / rate_l_per_min)
