"""A drop's density: a batch of its grade, or another product?

Null: a batch of the grade, whose densities the site's tickets before tell, within what the standard allows; the gauge
agrees with the ticket but for its own bias and doubt. Alternative: any liquid fuel, and the ticket says so, or shows
the grade that was ordered. Under both a figure may be wrong outright.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

Floats = NDArray[np.float64]

DENSITY_RANGE_KG_M3 = {
    "gasoline_e0": (715.0, 780.0),
    "gasoline_e5": (715.0, 780.0),
    "gasoline_e10": (715.0, 782.0),
    "gasoline_e85": (765.0, 800.0),
    "diesel_b0": (800.0, 850.0),
    "diesel_b7": (800.0, 852.0),
    "diesel_b20": (805.0, 860.0),
    "kerosene": (770.0, 845.0),
    "heating_oil": (805.0, 890.0),
}
"""Densities at 15 °C that a product may have: EN 228 (720 to 775), EN 590 (820 to 845, arctic classes from 800), with
room for blends; E85, kerosene and heating oil common practice, no source. [kg/m³]"""
BATCH_SD_KG_M3, BATCHES = 5.0, 6.0
"""How far a refinery's batches of one grade differ, before the site's own tell, and how many tickets that is worth.
Common practice, no source."""
FUEL_KG_M3 = (715.0, 890.0)
"""What another product may have, petrol to heating oil."""
FIGURE_SD_KG_M3 = 1.5
"""What a ticket's figure, brought to 15 °C, and a gauge's bias are off by. Common practice, no source."""
WRONG_FIGURE = 2e-4
"""Share of tickets and of readings whose density is a wrong figure. Common practice, no source."""
FIGURES_KG_M3 = (600.0, 1000.0)
STEP_KG_M3 = 0.5
"""Where a figure that is wrong outright may lie, and how finely densities are looked at. [kg/m³]"""
FURTHEST_SDS = 1e3
"""Further off than so many SDs makes no figure less likely: a file may hold 1e300."""


@dataclass(frozen=True)
class Grade:
    """Where batches of a grade lie by a site's tickets: a Student-t of `freedom` about `mean`, within `low`..`high`."""

    mean: float
    scale: float
    freedom: float
    low: float
    high: float

    def density(self, value: float, sd: float) -> float:
        """Likelihood of a right figure that is off by `sd`. [per kg/m³]"""
        at = np.arange(self.low, self.high + STEP_KG_M3, STEP_KG_M3)
        share = _student_density((at - self.mean) / self.scale, self.freedom) + 1e-12
        return float((share / share.sum() * _normal_density(value - at, sd)).sum())


def _student_density(z: Floats, freedom: float) -> Floats:
    scale = np.exp(gammaln(0.5 * (freedom + 1.0)) - gammaln(0.5 * freedom)) / np.sqrt(freedom * np.pi)
    return np.asarray(scale * (1.0 + z**2 / freedom) ** (-0.5 * (freedom + 1.0)))


def _normal_density(off: Floats, sd: float) -> Floats:
    # A figure that no product has is as far off as need be.
    away = np.clip(off / sd, -FURTHEST_SDS, FURTHEST_SDS)
    return np.asarray(np.exp(-0.5 * away**2) / (sd * np.sqrt(2.0 * np.pi)))


def grade_of(product: str, tickets: Floats) -> Grade:
    """What a site's right tickets of one product, shape (n,), tell of the next batch (unknown mean and spread).

    A. Gelman and others, "Bayesian Data Analysis", 3rd ed. (2013), section 3.3.
    """
    low, high = DENSITY_RANGE_KG_M3[product]
    middle, count = 0.5 * (low + high), len(tickets)
    first = (BATCH_SD_KG_M3 / ((high - low) / 6.0)) ** 2
    known = first + count
    about = float(tickets.mean()) if count else middle
    squares = BATCHES * BATCH_SD_KG_M3**2 + float(((tickets - about) ** 2).sum())
    squares += first * count / known * (about - middle) ** 2
    freedom = BATCHES + count
    scale = float(np.sqrt(squares / freedom * (1.0 + 1.0 / known)))
    return Grade((first * middle + count * about) / known, scale, freedom, low, high)


def bias_of(differences: Floats, doubts: Floats) -> tuple[float, float]:
    """A gauge's density less the tickets', from drops before with the SD of each: mean and SD, shrunk to none."""
    weight = 1.0 / (doubts**2 + FIGURE_SD_KG_M3**2)
    precise = 1.0 / FIGURE_SD_KG_M3**2 + float(weight.sum())
    return float((weight * differences).sum()) / precise, float(precise**-0.5)


def other_product_log_bayes(grade: Grade, ticketed: tuple[float, float], measured: float, doubt: float) -> float:
    """Log Bayes factor of another product in a drop, by its tickets' density and the gauge's, either NaN if unknown.

    `ticketed` is that of the ticket farthest from the grade, and that of all together, which the gauge should show;
    `measured` with the gauge's bias taken off, `doubt` its SD. [kg/m³]
    """
    farthest, together = ticketed
    wrong = WRONG_FIGURE / (FIGURES_KG_M3[1] - FIGURES_KG_M3[0])
    other = 1.0 / (FUEL_KG_M3[1] - FUEL_KG_M3[0])
    apart = float(np.hypot(doubt, FIGURE_SD_KG_M3))
    by_ticket = grade.density(farthest, FIGURE_SD_KG_M3) if np.isfinite(farthest) else 1.0
    by_gauge = grade.density(measured, apart) if np.isfinite(measured) else 1.0
    if not np.isfinite(measured) or not np.isfinite(farthest):
        is_told = np.isfinite(measured) or np.isfinite(farthest)
        return float(np.log(other) - np.log(by_ticket * by_gauge + wrong)) if is_told else 0.0
    agrees = float(_normal_density(np.array(measured - together), apart))
    right = by_ticket * (agrees + wrong) + wrong * (by_gauge + wrong)
    shown, hidden = other * (agrees + wrong), (by_ticket + wrong) * other
    return float(np.log(0.5 * shown + 0.5 * hidden) - np.log(right))
