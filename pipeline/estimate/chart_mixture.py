"""Several ways for a chart to be wrong summed up: means, 95 % intervals, and what the data could not tell."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from pipeline.estimate.chart_fit import CHART, Fit, Told, odds_of, ways_of
from pipeline.estimate.chart_shape import TankModel
from pipeline.estimate.chart_terms import NAMES, Estimate, Terms

Floats = NDArray[np.float64]

NO_PROBE = "the papers do not say where the probe stands: a tilt shows in the offset alone"
NO_POSE = "an upright tank holds as much a millimetre at every height: a shift of its levels does not show"
NO_ROLL = "an upright tank has no roll"
TOLD_RATIO = 0.5
"""A figure is told when the data leave at most this share of the SD that was before them."""
STOCK_SHARE = 0.0015
"""The litres below a level are told when their 95 % interval is no wider than this share of the capacity to a side."""
UNTOLD_STOCK = "sales and drops show litres between levels; what lies below them rests on the tank's shape"
MOVES_WITH = 0.7
"""Correlation from which two figures are said to move together."""


@dataclass(frozen=True)
class Mixture:
    """Figures by several fits.

    `weight` (m,) of each fit, their `value` and `sd` (m, n), `correlation` (n, n) of all, and `prior_sd` (n,).
    """

    weight: Floats
    value: Floats
    sd: Floats
    correlation: Floats
    prior_sd: Floats

    def mean(self, place: int) -> float:
        """Mean of one figure."""
        return float(self.weight @ self.value[:, place])

    def spread(self, place: int) -> float:
        """SD of one figure, all fits taken together."""
        second = float(self.weight @ (self.sd[:, place] ** 2 + self.value[:, place] ** 2))
        return float(np.sqrt(max(second - self.mean(place) ** 2, 0.0)))

    def quantile(self, place: int, share: float) -> float:
        """Where the share of one figure's mixture of normal curves lies below."""
        value, sd = self.value[:, place], np.maximum(self.sd[:, place], 1e-12)
        low, high = float((value - 9.0 * sd).min()), float((value + 9.0 * sd).max())

        def beyond(at: float) -> float:
            return float(self.weight @ np.asarray(ndtr((at - value) / sd))) - share

        return float(brentq(beyond, low, high, xtol=1e-9 * (high - low)))


def weights_of(fits: list[Fit]) -> Floats:
    """The fits' shares by their evidence, shape (m,)."""
    log = np.array([fit.log_evidence for fit in fits])
    weight = np.exp(log - log.max())
    return np.asarray(weight / weight.sum())


def mixture_of(model: TankModel, fits: list[Fit], terms: list[Terms]) -> Mixture:
    """The fits weighed by their evidence."""
    weight = weights_of(fits)
    value = np.array([one.value for one in terms])
    spreads = [one.spread(fit.belief) for fit, one in zip(fits, terms, strict=True)]
    mean = weight @ value
    cov = np.einsum("m,mij->ij", weight, np.array(spreads)) + (value - mean).T @ ((value - mean) * weight[:, None])
    sd = np.sqrt(np.maximum(np.diag(cov), 1e-30))
    return Mixture(
        weight=weight,
        value=value,
        sd=np.sqrt(np.maximum(np.array([np.diag(one) for one in spreads]), 0.0)),
        correlation=cov / sd[:, None] / sd[None, :],
        prior_sd=_prior_sd(model, fits, terms),
    )


def _prior_sd(model: TankModel, fits: list[Fit], terms: list[Terms]) -> Floats:
    """SD of each figure of the chart before any data, over the ways by their usual odds. Shape (n,).

    Charts of another shape aside: so rare and so wide, they would make any figure pass for told.
    """
    usual = dict(ways_of(model, Told()))
    odds = odds_of(model, Told())
    shares = np.array([0.0 if fit.way == "shape" else odds[fit.key] for fit in fits])
    own = np.array(
        [
            ((one.slopes[:, : len(CHART)] ** 2) * usual[fit.key].sd ** 2).sum(axis=1)
            for fit, one in zip(fits, terms, strict=True)
        ]
    )
    return np.asarray(np.sqrt((shares / shares.sum()) @ own))


def estimates_of(model: TankModel, mixture: Mixture) -> tuple[Estimate, ...]:
    """The chart's figures with their intervals, in the units that people use."""
    lying = model.tank.shape == "horizontal_cylinder"
    hidden = {}
    if not lying:
        hidden = dict.fromkeys(("tilt", "offset", "datum"), NO_POSE) | {"roll": NO_ROLL}
    elif not model.knows_probe:
        hidden = {"tilt": NO_PROBE}
    capacity_l = float(model.nominal_l(np.array([model.tank.depth_mm]))[0])
    figures = [
        _estimate(mixture, place, unit, hidden.get(NAMES[place]))
        for place, unit in enumerate(_units(model.tilt_mm_per_m))
    ]
    return (*figures, _stock(mixture, capacity_l))


@dataclass(frozen=True)
class _Unit:
    """A figure's name with its unit, and what brings it into that unit: a rising function."""

    name: str
    of: Callable[[float], float]


def _units(tilt_mm_per_m: float) -> tuple[_Unit, ...]:
    return (
        _Unit("tilt_mm_per_m", lambda change: tilt_mm_per_m + change),
        _Unit("roll_deg", lambda lost: float(np.degrees(np.arccos(1.0 - np.clip(lost, 0.0, 2.0))))),
        _Unit("offset_mm", float),
        _Unit("datum_mm", float),
        _Unit("scale_pct", lambda share: 100.0 * share),
        _Unit("remainder_l", float),
    )


def _estimate(mixture: Mixture, place: int, unit: _Unit, hidden: str | None) -> Estimate:
    before = float(mixture.prior_sd[place])
    if hidden is not None:
        return Estimate(unit.name, np.nan, np.nan, np.nan, is_identified=False, doubt_left=1.0, note=hidden)
    left = mixture.spread(place) / before
    low, high = (unit.of(mixture.quantile(place, share)) for share in (0.025, 0.975))
    notes = [] if left <= TOLD_RATIO else [f"the data leave {100.0 * left:.0f} % of the doubt that was there before"]
    notes += _companions(mixture, place)
    return Estimate(
        unit.name,
        unit.of(mixture.mean(place)),
        low,
        high,
        is_identified=left <= TOLD_RATIO,
        doubt_left=left,
        note="; ".join(notes),
    )


def _stock(mixture: Mixture, capacity_l: float) -> Estimate:
    """The litres that the chart lacks where it is least sure: told by how sure, whatever was known before."""
    place = NAMES.index("stock")
    low, high = (mixture.quantile(place, share) for share in (0.025, 0.975))
    half_share = (high - low) / 2.0 / capacity_l
    told = half_share <= STOCK_SHARE
    return Estimate(
        "stock_l",
        mixture.mean(place),
        low,
        high,
        is_identified=told,
        doubt_left=mixture.spread(place) / float(mixture.prior_sd[place]),
        note=f"sure to {100.0 * half_share:.2f} % of the capacity" + ("" if told else f": {UNTOLD_STOCK}"),
    )


def _companions(mixture: Mixture, place: int) -> list[str]:
    """The other figure that this one moves with most, where it does; of tilt, offset and datum the sum is not one."""
    others = [at for at, name in enumerate(NAMES) if at != place and name not in ("datum", "stock")]
    if NAMES[place] == "datum":
        others = [at for at in others if NAMES[at] not in ("tilt", "offset")]
    most = max(others, key=lambda at: abs(mixture.correlation[place, at]))
    found = float(mixture.correlation[place, most])
    return [f"moves with {_SPOKEN[NAMES[most]]} (correlation {found:+.2f})"] if abs(found) >= MOVES_WITH else []


_SPOKEN = {name: name for name in NAMES} | {"meters": "the meters' common error", "tickets": "the tickets' common bias"}
