"""Share found by size: in bins with exact intervals, as a curve, and the smallest fault that each tank shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit

from pipeline.backtest.intervals import share_interval

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_SIZES: Final = 8
"""Distinct sizes up to which each is a bin of its own; more are parted into bins of equal number."""
SLOPE_PRIOR: Final = (np.log(2.5), 0.7)
"""Mean and SD of the log of the slope: a test of normal noise that needs z sizes to see has about this one."""
TANK_SD: Final = 1.0
"""SD of a tank's own shift on the log scale of size: most tanks within a factor of three of the fleet's."""
MIDDLE_SD: Final = 3.0
"""SD of the logarithm of the size that is found half the time. A weak prior, no source."""


def power_bins(size: Floats, is_found: Bools) -> pl.DataFrame:
    """Share found by size: `size` (the bin's median), `size_low`, `size_high`, `truths`, `found`, `share` with bounds.

    Faults without a size, or of none, are left out.
    """
    known = np.isfinite(size) & (size > 0.0)
    size, is_found = size[known], is_found[known]
    schema = {
        "size": pl.Float64, "size_low": pl.Float64, "size_high": pl.Float64, "truths": pl.Int64, "found": pl.Int64,
        "share": pl.Float64, "share_low": pl.Float64, "share_high": pl.Float64,
    }  # fmt: skip
    if not len(size):
        return pl.DataFrame(schema=schema)
    values = np.unique(size)
    if len(values) <= MOST_SIZES:
        bins = np.searchsorted(values, size)
    else:
        order = np.argsort(size, kind="stable")
        count = min(MOST_SIZES, max(len(size) // 5, 1))
        bins = np.empty(len(size), dtype=np.int64)
        bins[order] = np.arange(len(size)) * count // len(size)
    rows = []
    for number in np.unique(bins):
        here = bins == number
        low, high = share_interval(int(is_found[here].sum()), int(here.sum()))
        rows.append(
            {
                "size": float(np.median(size[here])), "size_low": float(size[here].min()),
                "size_high": float(size[here].max()), "truths": int(here.sum()), "found": int(is_found[here].sum()),
                "share": float(is_found[here].mean()), "share_low": low, "share_high": high,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


@dataclass(frozen=True, slots=True)
class PowerFit:
    """Share found = expit(slope · (ln size − middle − shift of the tank)); `cov` of (middle, ln slope, shifts…)."""

    middle: float
    slope: float
    shifts: Floats
    cov: Floats

    def share(self, size: Floats) -> Floats:
        """Share of faults of a size that is found in a usual tank. Shape of `size`."""
        return np.asarray(expit(self.slope * (np.log(size) - self.middle)))

    def share_interval(self, size: Floats, *, z: float = 1.96) -> tuple[Floats, Floats]:
        """The curve's 95 % interval."""
        distance = np.log(size) - self.middle
        gradient = np.stack([np.full_like(distance, -self.slope), self.slope * distance])
        sd = np.sqrt(np.einsum("in,ij,jn->n", gradient, self.cov[:2, :2], gradient))
        at = self.slope * distance
        return np.asarray(expit(at - z * sd)), np.asarray(expit(at + z * sd))

    def size_found(self, share: float, tank: int | None = None, *, z: float = 1.96) -> tuple[float, float, float]:
        """Smallest size of which `share` is found, in a usual tank or in that of a number, with its 95 % interval."""
        reach = float(logit(share)) / self.slope
        shift = 0.0 if tank is None else float(self.shifts[tank])
        gradient = np.zeros(len(self.cov))
        gradient[0], gradient[1] = 1.0, -reach
        if tank is not None:
            gradient[2 + tank] = 1.0
        sd = float(np.sqrt(gradient @ self.cov @ gradient))
        at = self.middle + shift + reach
        return float(np.exp(at)), float(np.exp(at - z * sd)), float(np.exp(at + z * sd))


def fit_power(
    size: Floats, is_found: Bools, tank: NDArray[np.int64] | None = None, *, tanks: int = 0
) -> PowerFit | None:
    """A logistic curve of log size, with a shift for each tank where `tank` numbers them; None without sizes.

    The most probable curve under weak priors (`SLOPE_PRIOR`, `TANK_SD`, `MIDDLE_SD`), which matter only where all or
    none of a tank's faults were found; its covariance is that of the likelihood's curvature there.
    """
    known = np.isfinite(size) & (size > 0.0)
    if not known.any():
        return None
    x, y = np.log(size[known]), is_found[known].astype(np.float64)
    place = None if tank is None else tank[known]
    centre = float(np.mean(x))

    def parts(at: Floats) -> tuple[Floats, Floats, float]:
        slope = float(np.exp(at[1]))
        distance = x - at[0] - (at[2:][place] if place is not None else 0.0)
        return distance, np.asarray(expit(slope * distance)), slope

    def loss(at: Floats) -> tuple[float, Floats]:
        distance, share, slope = parts(at)
        odds = slope * distance
        value = float(np.sum(np.logaddexp(0.0, odds) - y * odds))
        off = share - y
        gradient = np.zeros_like(at)
        gradient[0], gradient[1] = -slope * off.sum(), slope * float(off @ distance)
        if place is not None:
            np.add.at(gradient[2:], place, -slope * off)
        prior = np.array([centre, SLOPE_PRIOR[0], *np.zeros(tanks)])
        sd = np.array([MIDDLE_SD, SLOPE_PRIOR[1], *np.full(tanks, TANK_SD)])
        value += float(np.sum(((at - prior) / sd) ** 2)) / 2.0
        return value, gradient + (at - prior) / sd**2

    start = np.array([centre, SLOPE_PRIOR[0], *np.zeros(tanks)])
    best = minimize(loss, start, jac=True, method="L-BFGS-B", options={"gtol": 1e-9, "ftol": 1e-14}).x
    return PowerFit(
        float(best[0]), float(np.exp(best[1])), best[2:], np.asarray(np.linalg.inv(_curvature(loss, best)), np.float64)
    )


def _curvature(loss: object, at: Floats) -> Floats:
    """Second derivatives of the loss, by central differences of its gradient, made symmetric."""
    step, count = 1e-4, len(at)
    out = np.empty((count, count))
    for number in range(count):
        move = np.zeros(count)
        move[number] = step
        out[number] = (loss(at + move)[1] - loss(at - move)[1]) / (2.0 * step)  # type: ignore[operator]
    return (out + out.T) / 2.0
