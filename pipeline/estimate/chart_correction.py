"""A site's chart put right: litres at any level with their SD, and how much of it is the smooth remainder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.estimate.chart_fit import CHART, Fit
from pipeline.estimate.chart_mixture import weights_of
from pipeline.estimate.chart_shape import TankModel
from pipeline.estimate.chart_terms import correction_l, remainder_slopes

Floats = NDArray[np.float64]

_LEVELS = 120


@dataclass(frozen=True)
class CorrectedChart:
    """The site's chart put right at some levels; arrays of shape (n,).

    `chart_l` the site's litres, between its rows by the nominal tank's curve; `corrected_l` the corrected ones with
    their SD `sd_l`; `is_visited` whether the level has been there. Elsewhere the correction rests on the tank's shape
    and on what walls usually do: `sd_l` says so. `remainder_l` with `remainder_sd_l` is the part of the correction that
    is neither pose nor roll nor a straight share of the litres.
    """

    level_mm: Floats
    chart_l: Floats
    corrected_l: Floats
    sd_l: Floats
    is_visited: NDArray[np.bool_]
    remainder_l: Floats
    remainder_sd_l: Floats


@dataclass(frozen=True)
class Between:
    """Litres that the chart lacks between two levels, `low_mm` and `high_mm`, with their SD."""

    low_mm: float
    high_mm: float
    litres: float
    sd_l: float

    def chance_beyond(self, tolerance_l: float) -> float:
        """Probability that the chart is off by more than so many litres between the two. 0..1"""
        sd = max(self.sd_l, 1e-9)
        return float(ndtr((-tolerance_l - self.litres) / sd) + ndtr((self.litres - tolerance_l) / sd))


@dataclass(frozen=True)
class Correction:
    """Every way for a chart to be wrong, weighed: `fits` with their `weight` (m,); `span_mm` the levels seen."""

    model: TankModel
    fits: tuple[Fit, ...]
    weight: Floats
    span_mm: tuple[float, float]

    def litres(self, level_mm: Floats) -> Floats:
        """Mean litres that the chart lacks at each level. Shape (k,). [l]"""
        parts = [
            share * correction_l(self.model, fit, level_mm)[0]
            for fit, share in zip(self.fits, self.weight, strict=True)
            if share > 1e-3
        ]
        return np.asarray(np.sum(parts, axis=0))

    def at(self, level_mm: Floats) -> CorrectedChart:
        """The chart put right at levels in rising order; it never falls and never holds less than nothing."""
        mean, sd = self._mixed(lambda fit: correction_l(self.model, fit, level_mm))
        left, left_sd = self._mixed(lambda fit: self._remainder_l(fit, level_mm))
        chart = self.model.base_l(level_mm)
        low, high = self.span_mm
        return CorrectedChart(
            level_mm=level_mm,
            chart_l=chart,
            corrected_l=np.maximum.accumulate(np.maximum(chart + mean, 0.0)),
            sd_l=sd,
            is_visited=(level_mm >= low) & (level_mm <= high),
            remainder_l=left,
            remainder_sd_l=left_sd,
        )

    def widest(self) -> Between:
        """The two levels seen between which the site's chart is off most."""
        level = np.linspace(*self.span_mm, _LEVELS)
        lacks = self.litres(level)
        low, high = sorted((level[np.argmin(lacks)], level[np.argmax(lacks)]))
        ends = np.array([low, high])

        def between(fit: Fit) -> tuple[Floats, Floats]:
            litres, slopes = correction_l(self.model, fit, ends)
            return np.diff(litres), np.diff(slopes, axis=0)

        mean, sd = self._mixed(between)
        return Between(float(low), float(high), float(mean[0]), float(sd[0]))

    def table_levels_mm(self, step_mm: float | None) -> Floats:
        """The site's own levels, and where a step is given every multiple of it between its first and last. [mm]"""
        rows = self.model.rows_mm
        if step_mm is None:
            return rows
        first, last = np.ceil(rows[0] / step_mm), np.floor(rows[-1] / step_mm)
        return np.unique(np.concatenate([rows, np.arange(first, last + 1.0) * step_mm]))

    def _remainder_l(self, fit: Fit, level_mm: Floats) -> tuple[Floats, Floats]:
        slopes = remainder_slopes(self.model, level_mm, self.span_mm)
        return slopes @ fit.belief.mean[: len(CHART)], slopes

    def _mixed(self, litres_of: Callable[[Fit], tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
        """Mean and SD over all fits of litres (n,) with their slopes by `CHART` (n, c)."""
        found = [litres_of(fit) for fit in self.fits]
        cov = [fit.belief.cov[: len(CHART), : len(CHART)] for fit in self.fits]
        own = [np.einsum("kp,pq,kq->k", one, of, one, optimize=True) for (_, one), of in zip(found, cov, strict=True)]
        litres = np.array([one for one, _ in found])
        mean = self.weight @ litres
        return mean, np.sqrt(np.maximum(self.weight @ (np.array(own) + litres**2) - mean**2, 0.0))


def correction_of(model: TankModel, fits: list[Fit], span_mm: tuple[float, float]) -> Correction:
    """The fits weighed by their evidence."""
    return Correction(model, tuple(fits), weights_of(fits), span_mm)
