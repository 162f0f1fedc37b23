"""How far a sound meter is off at each sale, and how warm the product is that runs through it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.simulate.laws.spreads import Floats, Rng, Spread


@dataclass(frozen=True)
class Pours:
    """A meter's sales in the order of their ends, or a tank's draws: when, how long, how much. [s, s, l]"""

    start_s: Floats
    lasts_s: Floats
    litres: Floats

    @property
    def l_per_min(self) -> Floats:
        """Mean flow of each. [l/min]"""
        return 60.0 * np.abs(self.litres) / np.maximum(self.lasts_s, 1.0)


MeterLaw = Callable[[Pours, Rng], Floats]
"""Takes a meter's sales and random numbers; returns what is added to its error, recorded ÷ true − 1, at each."""

WarmthLaw = Callable[[Pours, Rng], Floats]
"""Takes a tank's draws; returns how far from the tank's temperature to the air's the product was at the meter, 0..1."""


@dataclass(frozen=True)
class FlowSlope:
    """A meter's error curve, straight in the logarithm of flow about 35 l/min. [share per decade of flow]"""

    per_decade: Spread

    def __call__(self, pours: Pours, rng: Rng) -> Floats:
        """Return the error by each sale's flow."""
        return self.per_decade.draw(rng) * np.log10(np.maximum(pours.l_per_min, 1.0) / 35.0)


@dataclass(frozen=True)
class Slippage:
    """Product that slips past the pistons unmetered: litres a minute whatever the flow, so slow sales give away."""

    l_per_min: Spread

    def __call__(self, pours: Pours, rng: Rng) -> Floats:
        """Return the error by each sale's flow: −slip ÷ flow."""
        return -self.l_per_min.draw(rng) / np.maximum(pours.l_per_min, 1.0)


@dataclass(frozen=True)
class ErrorWalk:
    """An error that walks with what has run through: its SD after 100 m³, either way."""

    sd_at_100_m3: Spread

    def __call__(self, pours: Pours, rng: Rng) -> Floats:
        """Return the walk at each sale."""
        shares = np.abs(pours.litres) / 100_000.0
        return np.cumsum(self.sd_at_100_m3.draw(rng) * np.sqrt(shares) * rng.normal(0.0, 1.0, shares.size))


@dataclass(frozen=True)
class SteadyWarmth:
    """Product that takes on a fixed share of the way from the tank's temperature to the air's."""

    share: Spread

    def __call__(self, pours: Pours, rng: Rng) -> Floats:
        """Return the same share for every draw."""
        return np.full(pours.start_s.size, self.share.draw(rng))


@dataclass(frozen=True)
class LineContent:
    """The pipe's own litres take on the air's temperature while nobody draws; the first of them leave with a sale.

    share = min(1, pipe's litres ÷ sale) × (1 − exp(−idle ÷ tau)).
    """

    line_l: Spread
    tau_min: Spread

    def __call__(self, pours: Pours, rng: Rng) -> Floats:
        """Return each draw's share, by its size and by how long the pipe stood before it."""
        line_l, tau_s = self.line_l.draw(rng), 60.0 * self.tau_min.draw(rng)
        order = np.argsort(pours.start_s, kind="stable")
        start_s = pours.start_s[order]
        free_s = np.maximum.accumulate(start_s + pours.lasts_s[order])
        idle_s = (
            np.maximum(start_s - np.concatenate([[start_s[0] - tau_s], free_s[:-1]]), 0.0) if order.size else start_s
        )
        shares = np.empty_like(start_s)
        shares[order] = -np.expm1(-idle_s / tau_s)
        return shares * np.minimum(line_l / np.maximum(np.abs(pours.litres), 1e-6), 1.0)
