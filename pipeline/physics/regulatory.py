"""US rules for underground tanks as numbers, and the statistics by which a leak test is judged.

References
----------
.. [1] 40 CFR part 280 (Technical standards for underground storage tanks), §§280.40 to 280.61.
.. [2] US EPA, "Standard Test Procedures for Evaluating Leak Detection Methods", EPA/530/UST-90/004, /006 and /007
   (1990): formulas, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import nctdtrit, ndtri, stdtr, stdtrit

from pipeline.physics.arrays import FloatArray, FloatOrArray, as_floats, like_inputs
from pipeline.units import L_PER_US_GAL

MONTHLY_SHARE: Final = 0.01
MONTHLY_CONSTANT_L: Final = 130.0 * L_PER_US_GAL
"""1 % of the month's flow-through and 130 US gal: what monthly inventory control has to find, §280.43(a)."""

TANK_TEST_L_PER_H: Final = 0.2 * L_PER_US_GAL
"""Monthly test of a tank by gauge or statistics, §280.43(d), (h)."""
TIGHTNESS_TEST_L_PER_H: Final = 0.1 * L_PER_US_GAL
"""Tank tightness test, §280.43(c); the same of a line at 1.5 times its operating pressure, §280.44(b)."""
LINE_DETECTOR_L_PER_H: Final = 3.0 * L_PER_US_GAL
"""Automatic line leak detector, at 10 psi and within an hour, §280.44(a)."""
LEAST_DETECTION: Final = 0.95
MOST_FALSE_ALARM: Final = 0.05
"""Probabilities that a method must hold, §280.40(a)."""
LEVEL_RESOLUTION_MM: Final = 3.175
"""An eighth of an inch, for level, §280.43(a)(2), and monthly for water, §280.43(a)(6)."""
INVESTIGATE_WITHIN_DAYS: Final = 7
"""To confirm a suspected release, §280.52."""
REPORT_WITHIN_H: Final = 24
"""To report a confirmed release, §280.61."""


@dataclass(frozen=True)
class ManualGauging:
    """A row of the table of manual tank gauging: up to what size, allowed weekly and monthly [US gal], rest [h]."""

    up_to_gal: float
    tank: str
    weekly_gal: float
    monthly_gal: float
    least_hours: float


MANUAL_GAUGING: Final = (
    ManualGauging(550.0, "any", 10.0, 5.0, 36.0),
    ManualGauging(1000.0, "64 in x 73 in", 9.0, 4.0, 44.0),
    ManualGauging(1000.0, "48 in x 128 in", 12.0, 6.0, 58.0),
    ManualGauging(2000.0, "any, with tightness tests", 26.0, 13.0, 36.0),
)
"""§280.43(b): weekly limit on one test, monthly on the mean of four."""


def monthly_allowance_l(
    throughput_l: ArrayLike, *, share: float = MONTHLY_SHARE, constant_l: float = MONTHLY_CONSTANT_L
) -> FloatOrArray:
    """Variance, either way, that a month of inventory control lets pass [l].

    The federal rule by default; a stricter state allows 0.5 % and no constant.

    References
    ----------
    .. [1] 40 CFR 280.43(a).

    Examples
    --------
    10 000 US gal sold allow 230 US gal:

    >>> round(monthly_allowance_l(10_000 * 3.785411784) / 3.785411784, 9)
    230.0
    """
    return like_inputs(share * as_floats(throughput_l) + constant_l, throughput_l)


@dataclass(frozen=True)
class MethodEvaluation:
    """How well a leak test did against induced leaks: bias, spread and what follows, in the unit of the rates.

    `detection` is the probability of finding the leak that was asked for, `false_alarm` that of calling a tight tank
    leaking, `least_detectable` the leak found with 95 % at 5 % false alarms, `threshold_5_pct` the threshold for 5 %.
    """

    tests: int
    bias: float
    spread: float
    mean_square: float
    bias_t: float
    bias_is_significant: bool
    false_alarm: float
    detection: float
    least_detectable: float
    threshold_5_pct: float


def method_evaluation(reported: ArrayLike, induced: ArrayLike, *, threshold: float, leak: float) -> MethodEvaluation:
    """Judge a leak test by pairs of reported and induced rates, both positive when product leaves.

    Parameters
    ----------
    reported, induced : array, shape (n,), n >= 2
        Rates in one unit.
    threshold, leak : float
        Rate from which the test says 'leaks', and the leak that it ought to find.

    Raises
    ------
    ValueError : if there are fewer than two pairs or the differences do not vary.

    References
    ----------
    .. [2] EPA/530/UST-90/006, §7.1 (from memory).
    """
    difference: FloatArray = as_floats(reported) - as_floats(induced)
    if difference.size < 2 or not float(np.std(difference)) > 0.0:
        raise ValueError(f"an evaluation needs two pairs or more that differ, got {difference.size}")
    bias, spread, tests = float(difference.mean()), float(difference.std(ddof=1)), difference.size
    bias_t = float(np.sqrt(tests) * bias / spread)
    significant = bool(abs(bias_t) > stdtrit(tests - 1, 0.975))
    shown = bias if significant else 0.0
    return MethodEvaluation(
        tests=tests,
        bias=bias,
        spread=spread,
        mean_square=float(np.mean(difference**2)),
        bias_t=bias_t,
        bias_is_significant=significant,
        false_alarm=false_alarm_probability(spread, tests, threshold=threshold, bias=bias),
        detection=detection_probability(spread, tests, threshold=threshold, leak=leak, bias=bias),
        least_detectable=least_detectable_rate(spread, tests),
        threshold_5_pct=float(stdtrit(tests - 1, 0.95)) * spread + shown,
    )


def false_alarm_probability(spread: float, tests: int, *, threshold: float, bias: float = 0.0) -> float:
    """Probability that a tight tank is called leaking: P(t > (C - B)/SD) with n - 1 degrees of freedom."""
    return float(stdtr(tests - 1, -(threshold - bias) / spread))


def detection_probability(spread: float, tests: int, *, threshold: float, leak: float, bias: float = 0.0) -> float:
    """Probability that a leak of `leak` is called one: P(t > (C - R - B)/SD) with n - 1 degrees of freedom."""
    return float(stdtr(tests - 1, -(threshold - leak - bias) / spread))


def least_detectable_rate(spread: float, tests: int) -> float:
    """Leak that is found with 95 % at 5 % false alarms, by a test without bias: 2 t(0.95) SD."""
    return 2.0 * float(stdtrit(tests - 1, 0.95)) * spread


def one_sided_tolerance_factor(tests: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Factor K by which mean + K SD lies above a share `coverage` of a normal population, with `confidence`.

    Judges a water float: the least water that it surely shows is mean + K SD of what it first showed.

    Notes
    -----
    Quantile of the non-central t distribution, over √n.
    """
    shift = float(ndtri(coverage)) * np.sqrt(tests)
    return float(nctdtrit(tests - 1, shift, confidence) / np.sqrt(tests))
