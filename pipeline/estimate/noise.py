"""Each tank's own noise, from its own quiet dips: estimated day by day from the days so far, robust to moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.design import Balance
from pipeline.estimate.tickets import LAYER_SHARE
from pipeline.estimate.untold import MIDDLE_H, arrived_share
from pipeline.estimate.whiten import Noise
from pipeline.features.reporting import Reporting, most_hidden_mm
from pipeline.ledger.dips import Dips
from pipeline.physics.products import expansion_15_per_k
from pipeline.physics.ranks import RunningMedian, median

Floats = NDArray[np.float64]

DEFAULT_WHITE_MM = 0.12
"""SD of a half hour's mean level before a tank has shown its own. Common practice, no source."""
RATE_K_PER_H = 0.005
UNTOLD_K_PER_H = 0.05
"""SD of the error in the rate of the bulk temperature, with a thermometer and without one. Common practice, no source:
0.003 to 0.01 K/h; and some 2 K without."""
RIPPLE_SHARE = 0.8
"""Share of its variance at rest that a dip shares with its neighbours. No source; what is not shared may be small."""
RIPPLE_H = 0.15
"""For how long, before a tank has shown it: hardly to the next dip. No source."""
WALK_L = 0.1
"""Wander of the stock in one hour, SD. Common practice, no source: 0.05 to 0.15."""
WALK_PER_SOLD_L = 1e-4
"""Variance each litre sold adds: repeatability of meters and litres caught in mid-sale. No source. [l²/l]"""
BLEND_PER_SOLD_L = 0.03
"""Variance each litre of a blend adds to a tank: its ratio wanders by a per cent or so over hours and days. No source.
[l²/l]"""
LAYER_H = 5.0
"""Time constant of the layers that a drop leaves. No source: 4 to 6 h are waited for a leak test (common practice)."""
FRESH_K = 5.0
"""How far a drop's temperature that nobody measured in the tank is from what is thought, SD. No source."""
WINDOW_DAYS = 21
USUAL_COUNT = 6.0
"""A dip of this many readings has twice the variance that it would have of very many. No source."""
MEDIAN_OF_THREE = 0.95
"""SD of the difference between two medians of three normal values, in SDs of one (each has 0.670)."""
WILD = 3.0
"""Where a dip's readings scatter by so many times more than dips of the tank do, it is as unsure as they make it: a
gauge that is ill for days is no surer than that, though the tank's usual dips are. No source."""
LEAST_L = 0.01
"""No dip is surer than that: where a chart is flat its gauge would show nothing at all."""
ODD_SHIFT_Z = 7.0
ODD_SHARE = 0.006
"""Share of what was sold meanwhile by which meters and chart may differ, SD: 0.2 %, 0.3 % and 0.4 % together."""


def dip_noise(
    balance: Balance, dips: Dips, product: str, reporting: Sequence[Reporting], told: NDArray[np.bool_]
) -> Noise:
    """Noise of each dip by its state (at rest, just closed, hose open) and its readings, from days up to its own.

    The second difference of three neighbouring dips of white noise has six times its variance; its median absolute
    value over the last `WINDOW_DAYS` days gives the SD without regard to the few dips that something moved. It is told
    for a dip of very many readings; fewer have more, by 1 + `USUAL_COUNT` / readings. What the `reporting` of the
    unit's gauges hides is the least it can be: at rest it does not average out; where a dip's own readings scatter
    wildly it is as unsure as they. `told` (k,) where a thermometer told the temperature.
    """
    state = np.minimum(dips.state, 2).astype(np.int64)
    few = np.sqrt(1.0 + USUAL_COUNT / np.maximum(dips.count, 1))
    levels, hidden_mm = _told_by_day(balance, dips, state, few, reporting)
    own = np.maximum.accumulate(levels, axis=1)[np.arange(len(dips)), state] * few
    still = levels[:, 0] * few
    least = np.maximum(hidden_mm * dips.surface_l_per_mm, LEAST_L)
    scatter_l = dips.spread_l / np.sqrt(np.maximum(dips.count, 1))
    own = np.maximum(np.where(scatter_l > WILD * own, scatter_l, own), least)
    shared = RIPPLE_SHARE * np.maximum(still, least) ** 2
    litres_per_k = expansion_15_per_k(product) * np.maximum(balance.stock_15_l, 0.0)
    hidden_k = balance.coarse_c / np.sqrt(12.0)
    every = np.ones(len(dips))
    return Noise(
        white_l=np.sqrt(own**2 - shared),
        ripple_l=np.sqrt(shared),
        ripple_h=RIPPLE_H * every,
        walk_l=WALK_L * every,
        walk_per_l=WALK_PER_SOLD_L * every,
        rate_k_per_h=np.where(told, RATE_K_PER_H, UNTOLD_K_PER_H),
        layer_k=np.where(told, _layers_k(balance), FRESH_K * arrived_share(balance)),
        layer_h=np.where(told, LAYER_H, MIDDLE_H),
        litres_per_k=litres_per_k,
        # What lies within a coarse thermometer's step comes and goes over hours as a gauge's sway does.
        sway_l=litres_per_k * hidden_k,
        sway_h=every,
    )


def with_blends(noise: Noise, balance: Balance, blended: Sequence[str]) -> Noise:
    """The noise of a balance some of whose meters give a blend of several tanks."""
    moved = np.abs(np.diff(balance.sold_15_l, axis=0, prepend=balance.sold_15_l[:1]))
    of = moved[:, [number for number, name in enumerate(balance.meters) if name in blended]].sum(axis=1)
    share = of / np.maximum(moved.sum(axis=1), 1e-9)
    return replace(noise, walk_per_l=noise.walk_per_l + BLEND_PER_SOLD_L * share)


def _told_by_day(
    balance: Balance, dips: Dips, state: NDArray[np.int64], few: Floats, reporting: Sequence[Reporting]
) -> tuple[Floats, Floats]:
    """What the days up to each dip's own tell: SD in each state (k, 3) [l], and SD of what gauges hide (k,) [mm]."""
    second, is_calm = _second_differences(balance, few)
    worst = np.maximum(np.maximum(state[:-2], state[1:-1]), state[2:])
    levels, hidden_mm = np.empty((len(dips), 3)), np.empty(len(dips))
    surfaces = RunningMedian(dips.surface_l_per_mm)
    for today in np.unique(balance.known_day):
        here = slice(*np.searchsorted(balance.known_day, [today, today + 1]))
        recent = slice(*np.searchsorted(balance.known_day[2:], [today - WINDOW_DAYS + 1, today + 1]))
        calm = is_calm[recent]
        levels[here] = _levels_l(second[recent][calm], worst[recent][calm], surfaces.of_first(here.stop))
        hidden_mm[here] = most_hidden_mm(reporting, int(today)) / np.sqrt(12.0)
    return levels, hidden_mm


def _second_differences(balance: Balance, few: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Of three neighbouring dips, each `few` (k,) times as noisy as one of very many readings, and which are calm.

    Shape (k - 2,) each: in SDs of one dip of very many readings [l]; calm are those without a gap or a jump among them.
    """
    second = np.abs(np.diff(balance.y_l, 2)) / np.sqrt(few[:-2] ** 2 + 4.0 * few[1:-1] ** 2 + few[2:] ** 2)
    is_calm = (np.diff(balance.hours)[1:] < 1.1) & (np.diff(balance.hours)[:-1] < 1.1)
    return second, is_calm & (balance.jump_var_l2[1:-1] == 0) & (balance.jump_var_l2[2:] == 0)


def _levels_l(second_l: Floats, state: NDArray[np.int64], surface_l_per_mm: float) -> Floats:
    """SD of a dip of very many readings in each of the three states, from second differences so far. Shape (3,). [l]"""
    levels = DEFAULT_WHITE_MM * surface_l_per_mm * np.array([1.0, 2.0, 6.0])
    for kind in range(3):
        sample = second_l[state == kind]
        if len(sample) >= 15:
            levels[kind] = max(1.4826 * median(sample), 0.02 * surface_l_per_mm)
    return levels


def odd_shifts(balance: Balance, noise: Noise) -> NDArray[np.bool_]:
    """Dips from which on the stock stands elsewhere than just before, by more than its scatter gives. Shape (k,).

    The median of three dips against that of the three before, in SDs of the two, with what meters and chart may make of
    the sales between; both must be the same day's to see, without a drop or another jump among them. What goes on
    before or after at the same pace is a rate and no shift: the middle one of the paces before, here and after is taken
    off. The balance lets the stock jump there.
    """
    count = len(balance.y_l)
    odd = np.zeros(count, dtype=bool)
    if count < 6:
        return odd
    triples = np.lib.stride_tricks.sliding_window_view(balance.y_l, 3)
    shift = np.median(triples[3:], axis=1) - np.median(triples[:-3], axis=1)
    sold = balance.sold_15_l.sum(axis=1)[1:-1]
    doubt = np.hypot(noise.dip_sd_l[3:-2] * MEDIAN_OF_THREE, noise.walk_l[3:-2])
    doubt = np.hypot(doubt, noise.sway_l[3:-2])
    doubt = np.hypot(doubt, ODD_SHARE * (sold[3:] - sold[:-3]))
    day, jumps = balance.known_day, np.cumsum(balance.jump_var_l2 > 0)
    whole = (day[5:] == day[:-5]) & (jumps[5:] == jumps[:-5]) & (balance.hours[5:] - balance.hours[:-5] < 6.0)
    middle = balance.hours[1:-1]
    lasted = middle[3:] - middle[:-3]
    score = np.where(whole, np.abs(shift - lasted * _usual_pace(shift / lasted, whole)) / doubt, 0.0)
    for place in np.argsort(-score, kind="stable"):
        if score[place] < ODD_SHIFT_Z:
            break
        if not odd[max(place, 0) : place + 7].any():
            odd[place + 3] = True
    return odd


def _usual_pace(pace: Floats, is_whole: NDArray[np.bool_]) -> Floats:
    """The middle one of the pace three dips before, here and three dips after; none counts as no pace."""
    known = np.concatenate([np.zeros(3), np.where(is_whole, pace, 0.0), np.zeros(3)])
    return np.asarray(np.median(np.stack([known[:-6], known[3:-3], known[6:]]), axis=0))


def _layers_k(balance: Balance) -> Floats:
    """What each drop leaves the thermometer unsure by, at the first dip after it. Shape (k,). [K]"""
    warmer = np.abs(np.diff(balance.temp_c, prepend=balance.temp_c[:1]))
    untold = np.hypot(LAYER_SHARE * warmer, balance.coarse_c / np.sqrt(12.0))
    return np.where(balance.jump_var_l2 > 0, untold, 0.0)
