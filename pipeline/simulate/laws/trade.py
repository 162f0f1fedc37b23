"""How customers come and pay: demand that swings, sales at round figures, tills that stamp late or early."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.simulate.laws.level import remembering
from pipeline.simulate.laws.spreads import Floats, Rng, Spread

DemandLaw = Callable[[int, Rng], Floats]
"""Takes a number of days; returns by how much each day's demand is more than usual."""

SizeLaw = Callable[[Floats, Floats, float, Rng], Floats]
"""Takes sales [l], their prices [money/l] and the smallest note [money]; returns what customers then take [l]."""

FlowLaw = Callable[[Floats, Floats, Rng], Floats]
"""Takes flows [l/min] and litres of sales; returns the mean flows of nozzles that are not always open [l/min]."""

TillLaw = Callable[[Floats, Floats, Rng], tuple[Floats, Floats]]
"""Takes starts and ends of sales; returns the instants that the till writes down. [s]"""


@dataclass(frozen=True)
class Swings:
    """Demand that is high or low for days: its logarithm is Gaussian and forgets itself exponentially."""

    sd: Spread
    tau_d: Spread

    def __call__(self, days: int, rng: Rng) -> Floats:
        """Return each day's factor."""
        return np.exp(self.sd.draw(rng) * remembering(rng, days, 1.0 / self.tau_d.draw(rng)))


@dataclass(frozen=True)
class Closures:
    """Whole days on which the site is shut: works, feasts, a storm."""

    a_month: Spread
    lasts_d: Spread

    def __call__(self, days: int, rng: Rng) -> Floats:
        """Return 0 on closed days, else 1."""
        factor = np.ones(days)
        for first in rng.uniform(0.0, days, rng.poisson(self.a_month.draw(rng) * days / 30.0)):
            factor[int(first) : int(first) + max(1, round(self.lasts_d.draw(rng)))] = 0.0
        return factor


@dataclass(frozen=True)
class MarketDays:
    """One day of the week, the site's own, on which far more is sold than on the others."""

    times: Spread

    def __call__(self, days: int, rng: Rng) -> Floats:
        """Return each day's factor."""
        day, times = int(rng.integers(7)), self.times.draw(rng)
        return np.where(np.arange(days) % 7 == day, times, (7.0 - times) / 6.0)


@dataclass(frozen=True)
class RoundMoney:
    """A share of sales that are set beforehand to a round sum."""

    share: float
    notes: tuple[float, ...]

    def __call__(self, litres: Floats, price: Floats, note: float, rng: Rng) -> Floats:
        """Return the litres, some for a multiple of a note."""
        sums = note * rng.choice(np.array(self.notes), litres.size)
        money = np.maximum(np.round(litres * price / sums), 1.0) * sums
        return np.where(rng.random(litres.size) < self.share, money / price, litres)


@dataclass(frozen=True)
class RoundLitres:
    """A share of sales that are set beforehand to a round number of litres."""

    share: float
    grid_l: float

    def __call__(self, litres: Floats, price: Floats, note: float, rng: Rng) -> Floats:
        """Return the litres, some of them round."""
        whole = np.maximum(np.round(litres / self.grid_l), 1.0) * self.grid_l
        return np.where(rng.random(litres.size) < self.share, whole, litres)


@dataclass(frozen=True)
class HalfOpen:
    """A share of sales in which the nozzle is not fully open: a fraction of the flow."""

    share: float
    fraction: Spread

    def __call__(self, l_per_min: Floats, litres: Floats, rng: Rng) -> Floats:
        """Return the flows."""
        slow = rng.random(l_per_min.size) < self.share
        fractions = np.array([self.fraction.draw(rng) for _ in range(l_per_min.size)])
        return np.where(slow, fractions * l_per_min, l_per_min)


@dataclass(frozen=True)
class ToppingUp:
    """The last litres of a sale at a trickle, so that small sales run slower on the whole. [l, l/min]"""

    last_l: Spread
    trickle_l_per_min: Spread

    def __call__(self, l_per_min: Floats, litres: Floats, rng: Rng) -> Floats:
        """Return the mean flows."""
        slow_l = np.minimum(self.last_l.draw(rng), litres)
        minutes = (litres - slow_l) / l_per_min + slow_l / np.minimum(self.trickle_l_per_min.draw(rng), l_per_min)
        return np.where(litres > 0.0, litres / np.maximum(minutes, 1e-9), l_per_min)


@dataclass(frozen=True)
class StampedAtPayment:
    """A till that writes the end of a sale when it is paid: lognormal about a median. [s]"""

    median_s: Spread
    log_sd: float

    def __call__(self, start_s: Floats, end_s: Floats, rng: Rng) -> tuple[Floats, Floats]:
        """Return the starts as they are, the ends late."""
        late_s = self.median_s.draw(rng) * rng.lognormal(0.0, self.log_sd, end_s.size)
        return start_s, end_s + np.minimum(late_s, 900.0)


@dataclass(frozen=True)
class StampedAtStart:
    """A till that knows only when it let a pump go: a sale starts and ends with that."""

    lasts_s: float

    def __call__(self, start_s: Floats, end_s: Floats, rng: Rng) -> tuple[Floats, Floats]:
        """Return the starts as they are, the ends right after them."""
        return start_s, start_s + self.lasts_s


@dataclass(frozen=True)
class WholeMinutes:
    """A till whose clock shows minutes alone, cut off."""

    def __call__(self, start_s: Floats, end_s: Floats, rng: Rng) -> tuple[Floats, Floats]:
        """Return starts and ends on the minute, an end at least a minute after its start."""
        start = np.floor(start_s / 60.0) * 60.0
        return start, np.maximum(np.floor(end_s / 60.0) * 60.0, start + 60.0)
