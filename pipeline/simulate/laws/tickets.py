"""What a lorry really brings, and what its ticket says of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from pipeline.simulate.laws.spreads import Rng, Spread

_DAY_S = 86_400.0


class Dice(Protocol):
    """Gives the generator of a name: the same name has the same draws wherever it is asked for."""

    def __call__(self, *keys: str | int) -> Rng:
        """Return the generator."""
        ...


@dataclass(frozen=True)
class Bill:
    """A load as it is, and as its ticket has it: litres at its temperature, and its density at 15 °C."""

    litres: float
    temp_c: float
    density_15_kg_m3: float
    paper_l: float
    paper_temp_c: float
    paper_density_15_kg_m3: float


@dataclass(frozen=True)
class Loading:
    """Where a load comes from, when, and what it is: `usual_density` is its product's own. [kg/m³]"""

    at_s: float
    terminal: str
    carrier: str
    product: str
    is_gasoline: bool
    usual_density_15_kg_m3: float
    vcf: Callable[[float], float]


TicketLaw = Callable[[Bill, Loading, Dice], Bill]
"""Takes a bill, where it comes from and named random numbers; returns the bill that comes of it."""


@dataclass(frozen=True)
class Batches:
    """A terminal's batches: each product's density is drawn anew every few days, about the terminal's own."""

    gasoline_sd_kg_m3: float
    distillate_sd_kg_m3: float
    terminal_sd_kg_m3: float
    days: float

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with its batch's density, on paper too."""
        place = (loading.terminal, loading.product)
        phase = dice(*place).uniform(0.0, 1.0)
        batch = int(np.floor(loading.at_s / _DAY_S / self.days + phase)) + 1_000
        sd = self.gasoline_sd_kg_m3 if loading.is_gasoline else self.distillate_sd_kg_m3
        own = self.terminal_sd_kg_m3 * dice(*place, "own").normal()
        density = loading.usual_density_15_kg_m3 + own + sd * dice(*place, batch).normal()
        return replace(bill, density_15_kg_m3=density, paper_density_15_kg_m3=density)


@dataclass(frozen=True)
class BlendedDepot:
    """A depot whose tank takes a cargo every few days into what is left of the last ones: densities creep.

    `renewed` is the share of the tank that a cargo renews; SDs are the resulting densities'.
    """

    gasoline_sd_kg_m3: float
    distillate_sd_kg_m3: float
    days: float
    renewed: float

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with the depot's density, on paper too."""
        place = (loading.terminal, loading.product)
        last = int(np.floor(loading.at_s / _DAY_S / self.days + dice(*place).uniform(0.0, 1.0))) + 1_000
        ages = np.arange(25)
        weights = self.renewed * (1.0 - self.renewed) ** ages
        cargoes = np.array([dice(*place, last - int(age)).normal() for age in ages])
        sd = self.gasoline_sd_kg_m3 if loading.is_gasoline else self.distillate_sd_kg_m3
        shift = sd * float(weights @ cargoes) / float(np.sqrt((weights**2).sum()))
        density = loading.usual_density_15_kg_m3 + shift
        return replace(bill, density_15_kg_m3=density, paper_density_15_kg_m3=density)


@dataclass(frozen=True)
class TerminalBias:
    """A lasting bias of a terminal's loading meters: litres are off their ticket by it. [share]"""

    bias: Spread

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with other litres."""
        return replace(bill, litres=bill.litres * (1.0 + self.bias.draw(dice(loading.terminal))))


@dataclass(frozen=True)
class FifteenBasis:
    """Terminals, a share of them, that write litres at 15 °C where litres as loaded are meant."""

    among: float

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with the paper's litres on the wrong basis."""
        if dice(loading.terminal).random() >= self.among:
            return bill
        return _at_15(bill, loading)


@dataclass(frozen=True)
class BasisChanges:
    """Terminals, a share of them, that go over to litres at 15 °C one day, with nothing on the ticket to say so. [d]"""

    among: float
    day: Spread

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill, from that day on with the paper's litres at 15 °C."""
        rng = dice(loading.terminal)
        changes, day = rng.random() < self.among, self.day.draw(rng)
        if not changes or loading.at_s < day * _DAY_S:
            return bill
        return _at_15(bill, loading)


@dataclass(frozen=True)
class Rounded:
    """Carriers, a share of them, whose tickets go by a round number of litres."""

    among: float
    grid_l: float

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with round litres on paper."""
        if dice(loading.carrier).random() >= self.among:
            return bill
        return replace(bill, paper_l=float(np.round(bill.paper_l / self.grid_l) * self.grid_l))


@dataclass(frozen=True)
class NominalWarmth:
    """Terminals, a share of them, whose tickets show the depot's usual temperature in whole degrees for days."""

    among: float
    off_k: Spread
    days: float

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with a temperature that is not the load's."""
        if dice(loading.terminal).random() >= self.among:
            return bill
        spell = int(loading.at_s / _DAY_S / self.days) + 1_000
        off = self.off_k.draw(dice(loading.terminal, spell))
        return replace(bill, paper_temp_c=float(np.round(bill.temp_c + off)))


@dataclass(frozen=True)
class StaleCertificate:
    """A share of tickets whose density is that of an earlier batch's certificate. [kg/m³ apart, SD]"""

    share: float
    apart_sd_kg_m3: float

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with a density that is not the load's."""
        rng = dice(loading.terminal, loading.product, int(loading.at_s))
        if rng.random() >= self.share:
            return bill
        shift = self.apart_sd_kg_m3 * rng.normal()
        return replace(bill, paper_density_15_kg_m3=bill.paper_density_15_kg_m3 + shift)


@dataclass(frozen=True)
class LeftBehind:
    """Litres that stay in a carrier's hose and compartments, as often more as fewer than were there before.

    A give and take of heavy tails (Laplace) about nought. [l]
    """

    scale_l: Spread

    def __call__(self, bill: Bill, loading: Loading, dice: Dice) -> Bill:
        """Return the bill with other litres."""
        scale_l = self.scale_l.draw(dice(loading.carrier))
        off = dice(loading.carrier, loading.product, int(loading.at_s)).laplace(0.0, scale_l)
        return replace(bill, litres=bill.litres + float(np.clip(off, -6.0 * scale_l, 6.0 * scale_l)))


def _at_15(bill: Bill, loading: Loading) -> Bill:
    """Return the bill with the paper's litres at 15 °C, and nothing on it to say so."""
    return replace(bill, paper_l=float(np.round(bill.paper_l * loading.vcf(bill.temp_c))))
