"""The terms of a unit's balance: what could move its stock, each a regressor with what is believed of it beforehand.

A litre of loss is negative: a meter that gives g more than it records takes g·sold from the stock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_columns import SHAPES, chart_changes_s, chart_columns, chart_names
from pipeline.estimate.courses import shell_lag_l, steadied
from pipeline.estimate.regression import Prior
from pipeline.estimate.warmth import (
    BEHIND_SHARE,
    DAILY_NAMES,
    DAILY_SD_K,
    LATE_SD_H,
    OPEN_DAILY_SD_K,
    WARMTH_SD_K,
    by_the_hour,
    daily_columns,
    thermometer_columns,
)
from pipeline.ledger.fleet import Unit
from pipeline.physics.losses import vapour_pressure_ratio

Floats = NDArray[np.float64]

METER_SD = 0.002
"""Prior SD of a meter's error (true ÷ recorded − 1). Common practice, no source: 0.15 to 0.2 % in service."""
CALIBRATED_SD = 0.0035
"""How much a calibration changes a meter, as a share: two usual errors. No source."""
VAPOUR_SHARE = (0.0005, 0.0004)
BREATHING_L_PER_H = (0.03, 0.02)
"""Petrol's losses, mean and SD: with sales, as a share (0.01 to 0.1 %), and at rest (0.01 to 0.06 l/h). Common
practice, no source."""
HARDLY_VAPOUR_SHARE = (0.0, 0.0001)
HARDLY_BREATHING_L_PER_H = (0.0, 0.02)
"""The same of what is no petrol. No source."""
EXPANSION_SD = 0.05
"""By what share a product may expand otherwise than is usual of it, SD. No source."""
STEADY_TEMP_SHARE = 0.3
"""Share of each temperature in the running mean that tells its noise: an hour and a half. No source."""
SCALE_SD = 0.003
"""Share by which a sound chart is off as a whole, SD. Common practice, no source: 0.3 % (0.1 to 1)."""
OFFSET_SD_MM = 14.0
"""How far a sound chart lies off along the level, SD: a tank laid with a fall of 0.5 to 1 % whose probe stands 1 to
2.5 m from its middle reads 5 to 25 mm off, which its chart need not know. Common practice, no source."""
SHIFT_SD_MM = 25.0
"""Prior SD of how far a gauge that jumped reads off afterwards; jumps of 2 to 50 mm are common practice, no source."""
APART_SD = 0.5
"""Share of what joined tanks seem to hold beyond level ones that is not there, SD: their gauges are not read at one
instant, and each stands where the siphon draws the surface down or away from it. No source."""
TICKETS_MEAN, TICKETS_SD = -0.0005, 0.001
"""A carrier's lasting bias, as a share: 0 to 0.3 %, mostly in the carrier's favour (common practice, no source)."""
BASIS_SD = 0.35
"""Of a terminal's tickets, 0 where they tell litres as loaded and 1 where at 15 °C, SD: one terminal in seven or so
writes them so, with nothing to say it. Common practice, no source."""
BEHIND_H = (0.5, 2.0)
BEHIND_SD = 0.05
"""What share of the litres sold lately a gauge may not show yet, SD, and over how long it comes to show them: a float
that clings and product that drains off a shaft hold back 0.2 to 1.5 mm while a tank sells fast. Common practice, no
source."""
SHELL_SHARE = 0.0004
"""By what share of a fill a shell yields to it. From memory: 1 to 10 l in 10,000."""


@dataclass(frozen=True)
class Term:
    """Regressors of one kind: `columns` (k, n) by `names`.

    `mean` and `sd` (n,) of each one's coefficient before any data; a number is that of all.
    """

    names: tuple[str, ...]
    columns: Floats
    sd: Floats | float
    mean: Floats | float = 0.0


def prior_of(terms: Sequence[Term]) -> Prior:
    """What is believed of the coefficients of all the terms, in order."""
    mean = [np.broadcast_to(term.mean, len(term.names)) for term in terms]
    sd = [np.broadcast_to(term.sd, len(term.names)) for term in terms]
    return Prior(np.concatenate(mean), np.concatenate(sd))


def meter_term(meters: Sequence[str], sold_15_l: Floats) -> Term:
    """What each meter gives beyond what it records, of its litres sold so far at 15 °C. Shape (k, m). [l]"""
    return Term(tuple(f"meter:{name}" for name in meters), -sold_15_l, METER_SD)


def calibration_term(
    calibrated_s: Mapping[str, Sequence[float]], meters: Sequence[str], ts_s: Floats, sold_15_l: Floats
) -> Term:
    """What each calibration of a meter changes: its litres at 15 °C since then, one column each. Shape (k, n). [l]

    A meter may be visited some time before its record says so, or after: its error is free anew from the record on.
    """
    columns, names = [np.zeros((len(ts_s), 0))], []
    for number, meter in enumerate(meters):
        for at_s in calibrated_s.get(meter, ()):
            before = np.interp(at_s, ts_s, sold_15_l[:, number]) if len(ts_s) else 0.0
            columns.append(-np.where(ts_s > at_s, sold_15_l[:, number] - before, 0.0)[:, None])
            names.append(f"calibrated:{meter}")
    return Term(tuple(names), np.concatenate(columns, axis=1), CALIBRATED_SD)


def vapour_terms(product: str, sold_l: Floats, hours: Floats, temp_c: Floats) -> list[Term]:
    """What leaves as vapour, a share of `sold_l` (k,) so far at 15 °C, and so much an hour at rest, for stock of 15 °C.

    Warmer stock of `temp_c` (k,) loses more, as its vapour pressure is higher.
    """
    is_petrol = product.startswith("gasoline")
    share, rate = (VAPOUR_SHARE, BREATHING_L_PER_H) if is_petrol else (HARDLY_VAPOUR_SHARE, HARDLY_BREATHING_L_PER_H)
    return [
        Term(("vapour",), -_evaporating(product, sold_l, temp_c)[:, None], share[1], share[0]),
        Term(("breathing",), -_evaporating(product, hours - hours[:1], temp_c)[:, None], rate[1], rate[0]),
    ]


def _evaporating(product: str, so_far: Floats, temp_c: Floats) -> Floats:
    """What rises step by step, (k,), each step as much larger as vapour pressure is higher than at 15 °C."""
    ratio = np.asarray(vapour_pressure_ratio(product, temp_c))
    return np.asarray(np.cumsum(np.diff(so_far, prepend=0.0) * ratio))


def expansion_term(expansion_per_k: Floats, gauge_l: Floats, temp_c: Floats, jump_var_l2: Floats) -> Term:
    """What a product adds that expands otherwise than is usual, by how far it is from 15 °C. Shape (k, 1). [l]"""
    beyond_k = steadied(temp_c, jump_var_l2, STEADY_TEMP_SHARE) - 15.0
    return Term(("expansion",), (expansion_per_k * gauge_l * beyond_k)[:, None], EXPANSION_SD)


def chart_term(unit: Unit, level_mm: Floats, ts_s: Floats, vcf: Floats) -> Term:
    """How each chart of a unit may be off, in litres at 15 °C. Shape (k, charts·`CHART_COLUMNS`)."""
    columns = chart_columns(unit, level_mm, ts_s) * vcf[:, None]
    one_chart = np.concatenate([[SCALE_SD, OFFSET_SD_MM], np.ones(SHAPES)])
    return Term(chart_names(unit), columns, np.tile(one_chart, len(chart_changes_s(unit)) + 1))


def shift_term(hours: Floats, chart: Term, shifts_h: Floats) -> Term:
    """Litres at 15 °C of a millimetre by which a gauge reads off since each of its jumps. Shape (k, jumps). [l/mm]

    As the offset of its `chart`, beyond the middle of it: the stock may jump there to any value, and what is left of a
    constant would stand in for whatever goes with the temperature. Jumps between the same two dips are one; before the
    first dip one is the chart's own offset.
    """
    offset = chart.columns[:, [name.endswith(":offset") for name in chart.names]].sum(axis=1)
    first = np.unique(np.searchsorted(hours, shifts_h))
    first = first[(first > 0) & (first < len(hours))]
    names = tuple(f"shift{number}:offset" for number in range(len(first)))
    return Term(names, offset[:, None] * (np.arange(len(hours))[:, None] >= first[None, :]), SHIFT_SD_MM)


def apart_terms(unit: Unit, apart_15_l: Floats) -> list[Term]:
    """What joined tanks seem to hold beyond level ones, (k,), and may not; none of a single tank. [l]"""
    return [Term(("apart",), apart_15_l[:, None], APART_SD)] if len(unit.members) > 1 else []


def ticket_terms(terminals: Sequence[str], shrunk_15_l: Sequence[Floats], came_15_l: Floats) -> list[Term]:
    """What tickets are off by: how far each terminal's were shrunk so far, and a share of all that came. [l]"""
    basis = np.column_stack([np.zeros((len(came_15_l), 0)), *shrunk_15_l])
    return [
        Term(tuple(f"basis:{name}" for name in terminals), basis, BASIS_SD),
        Term(("tickets",), came_15_l[:, None], TICKETS_SD, TICKETS_MEAN),
    ]


def shell_term(stock_15_l: Floats, hours: Floats) -> Term:
    """What a shell that yields to a fill takes and gives back. Shape (k, 1). [l]"""
    return Term(("shell",), shell_lag_l(stock_15_l, hours)[:, None], SHELL_SHARE, SHELL_SHARE)


def behind_term(sold_15_l: Floats, hours: Floats, jump_var_l2: Floats) -> Term:
    """What a gauge that stays behind falling product does not show yet of the litres sold so far. Shape (k, 2). [l]

    Each time it is as much as the litres sold and not shown; a drop's wash takes it away. While nothing is sold it
    comes to show, as a leak would, and alike on every night.
    """
    return Term(tuple(f"behind:{over_h}" for over_h in BEHIND_H), sold_lately(sold_15_l, hours, jump_var_l2), BEHIND_SD)


def sold_lately(sold_l: Floats, hours: Floats, jump_var_l2: Floats) -> Floats:
    """Litres sold lately, each fading over `BEHIND_H` since it was sold, none from before a jump. Shape (k, 2). [l]"""
    steps = np.diff(hours, prepend=hours[:1])[:, None] / np.array(BEHIND_H)
    fades = np.where((jump_var_l2 > 0.0)[:, None], 0.0, np.exp(-steps))
    # Sold evenly since the dip before.
    comes = np.diff(sold_l, prepend=sold_l[:1])[:, None] * -np.expm1(-steps) / np.maximum(steps, 1e-9)
    lately = np.where((jump_var_l2 > 0.0)[:, None], 0.0, comes)
    for place in range(1, len(lately)):
        lately[place] += fades[place] * lately[place - 1]
    return lately


def warmth_term(product: str, sold_l: Floats, hours: Floats) -> Term:
    """What the meters gave of a product warmer than the tank's, by the hour of the day. Shape (k, 2). [l/K]"""
    return Term(("warmth:cosine", "warmth:sine"), by_the_hour(sold_l, hours, product), WARMTH_SD_K)


def weather_terms(unit: Unit, l_per_k: Floats, hours: Floats) -> list[Term]:
    """What the day's swing feigns of a tank in the open, beyond what its thermometer tells; else none. [l]"""
    if bool(unit.tanks["buried"].all()):
        return []
    names = tuple(f"thermometer:day:{name}" for name in DAILY_NAMES)
    return [Term(names, daily_columns(l_per_k, hours), OPEN_DAILY_SD_K)]


def thermometer_term(l_per_k: Floats, temp_c: Floats, coarse_c: Floats, hours: Floats, jump_var_l2: Floats) -> Term:
    """What a thermometer feigns that is late, lacks some of a drop's warmth, or goes by the hour. Shape (k, 4). [l]"""
    # A coarse thermometer hides how a tank in the open warms by day.
    daily_k = float(np.hypot(DAILY_SD_K, coarse_c[:1].sum() / np.sqrt(12.0)))
    names = ("thermometer:late", "thermometer:behind", "thermometer:cosine", "thermometer:sine")
    columns = l_per_k[:, None] * thermometer_columns(temp_c, hours, jump_var_l2)
    return Term(names, columns, np.array([LATE_SD_H, BEHIND_SHARE, daily_k, daily_k]))
