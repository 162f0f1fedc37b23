"""Courses over the dips of what moves a tank's stock, and courses without their dips' own noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.dips import Dips
from pipeline.ledger.fleet import Unit

Floats = NDArray[np.float64]

HOLES = tuple(0.025 * number for number in range(16))
"""Heights above the bottom at which a tank may leak, as shares of its depth. No source."""
SHELL_H = 2.5
"""Hours in which a shell yields to a fill. From memory: 1 to 5 h."""


def head_hours(unit: Unit, level_mm: Floats, hours: Floats) -> Floats:
    """Hours so far, each times √(head / head at the tank's mid-height): what a leak goes by (Torricelli). [h]

    One column for a hole at each of `HOLES`; a hole above the surface lets nothing out. Shape (k, holes).
    """
    depth = float(unit.tanks["diameter_mm"][0] if unit.tanks["shape"][0] == "horizontal_cylinder" else 4000.0)
    head = np.maximum(level_mm[:, None] / depth - np.array(HOLES), 0.0) / (0.5 - np.array(HOLES))
    speed = np.sqrt(head)
    steps = np.diff(hours, prepend=hours[:1])[:, None]
    return np.cumsum(0.5 * (speed + np.concatenate([speed[:1], speed[:-1]])) * steps, axis=0)


def steadied(values: Floats, jump_var_l2: Floats, share: float) -> Floats:
    """A course as the dips before each have it, begun anew at each jump: without the dip's own noise.

    The mean since the jump, and once that is of more than 1 / `share` dips an exponential one. Shape of `values`, and
    their unit.
    """
    out = np.array(values, dtype=np.float64)
    since = 0
    for k in range(1, len(out)):
        since = since + 1 if jump_var_l2[k] == 0.0 else 0
        if since:
            out[k] = out[k - 1] + max(share, 1.0 / since) * (values[k - 1] - out[k - 1])
    return out


def without_noise(dips: Dips, noise_l: Floats) -> Dips:
    """The dips with `noise_l`, shape (k,), taken off their levels and litres.

    A regressor that carried the gauge's noise would explain that noise by itself, and its coefficient with it.
    """
    level = dips.level_mm - noise_l / np.maximum(dips.surface_l_per_mm, 1e-6)
    return replace(dips, level_mm=level, gauge_l=dips.gauge_l - noise_l)


def shell_lag_l(stock_l: Floats, hours: Floats) -> Floats:
    """By how much the stock is ahead of a shell that follows it, a first-order lag of `SHELL_H`; it starts settled. [l]

    A shell that has just been filled still gives, and the level sinks for hours.
    """
    keep = np.exp(-np.diff(hours, prepend=hours[:1]) / SHELL_H)
    out = np.empty_like(stock_l)
    followed = float(stock_l[0]) if len(stock_l) else 0.0
    for place, stock in enumerate(stock_l):
        followed = stock + (followed - stock) * keep[place]
        out[place] = stock - followed
    return out


def so_far(event_h: Floats, litres: Floats, hours: Floats) -> Floats:
    """What events of so many litres, shape (n,), add up to before each of k hours. Shape (k,). [l]"""
    order = np.argsort(event_h, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(litres[order])])
    return total[np.searchsorted(event_h[order], hours, "left")]
