"""The balance of one unit written as a regression: the book-corrected stock at 15 °C and what could move it.

y = gauge stock + litres sold − litres ticketed, all at 15 °C, is constant but for what nobody recorded. Each regressor
is the course over time of one such thing, a litre of loss being negative: a meter that gives g more than it records
adds −g·sold to y, a leak −rate·hours, a chart's shape its litres below the surface. Between a chart's rows the stock is
read from a smooth curve.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.courses import head_hours, so_far, steadied, without_noise
from pipeline.estimate.regression import Prior
from pipeline.estimate.terms import (
    Term,
    apart_terms,
    behind_term,
    calibration_term,
    chart_term,
    expansion_term,
    meter_term,
    prior_of,
    shell_term,
    shift_term,
    thermometer_term,
    ticket_terms,
    vapour_terms,
    warmth_term,
    weather_terms,
)
from pipeline.estimate.warmth import coarseness_c, smoothed_temp_c
from pipeline.ledger.dips import Dips
from pipeline.ledger.drops import Drop
from pipeline.ledger.fleet import Unit
from pipeline.physics.products import expansion_per_k, held_in_range, product_vcf

Floats = NDArray[np.float64]

STEADY_SHARE = 0.05
"""Share of each dip in the running mean that tells its noise: some ten hours, longer than gauges sway. No source."""
DAY_H = 24.0
"""A tank's first day, of which every later one knows. [h]"""
FREE_L2 = 1e8
"""Variance of a jump of which nothing is known. [l²]"""


@dataclass(frozen=True)
class Balance:
    """A unit's dips as a regression, before whitening; k dips.

    `y_l` (k,) book-corrected stock at 15 °C; `columns` (k, p) the base regressors by `names`, with `prior`; `hours`
    (k,) time; `known_day` (k,) the UTC day number whose run first sees the dip; `jump_var_l2` (k,) doubt that drops add
    before each dip; `sold_15_l` (k, m) litres sold so far by meter; `leak_h` (k, holes) hours times √(head / mean head)
    so far, of a hole at each of `HOLES`; `open_h` hours with a hose open so far; `vcf` (k,) litres at 15 °C a litre;
    `coarse_c` (k,) by how much the thermometer steps; `surface_l_per_mm` (k,); `feigned_share`, SD of the share of all
    sales that a temperature may feign where it is not `told` (k,); None where it always is.
    """

    y_l: Floats
    columns: Floats
    names: tuple[str, ...]
    prior: Prior
    hours: Floats
    known_day: NDArray[np.int64]
    jump_var_l2: Floats
    sold_15_l: Floats
    leak_h: Floats
    open_h: Floats
    vcf: Floats
    temp_c: Floats
    coarse_c: Floats
    level_mm: Floats
    surface_l_per_mm: Floats
    stock_15_l: Floats
    meters: tuple[str, ...]
    feigned_share: float = 0.0
    told: NDArray[np.bool_] | None = None

    @property
    def feigned_l_per_h(self) -> float:
        """The same as a steady rate, by what was sold on the first day: of a later one no day before knows. [l/h]"""
        last = int(np.count_nonzero(self.hours - self.hours[:1] <= DAY_H)) - 1
        sold_l = float((self.sold_15_l[last] - self.sold_15_l[0]).sum()) if last > 0 else 0.0
        return self.feigned_share * sold_l / float(self.hours[last] - self.hours[0]) if last > 0 else 0.0

    def error_places(self, meter: str, dip: int) -> list[int]:
        """The coefficients that make up a meter's usual error at a dip: its own, and its calibrations' so far."""
        return [
            place
            for place, name in enumerate(self.names)
            if name == f"meter:{meter}" or (name == f"calibrated:{meter}" and self.columns[dip, place] != 0.0)
        ]


@dataclass(frozen=True)
class Delivered:
    """Ticketed litres at 15 °C of each of n drops known in time [l], their SD, and the hours when the drop began.

    `shrunk_l` (n, terminals) by how much the tickets of each of `terminals` were brought down to 15 °C: so many litres
    more came where a terminal writes litres at 15 °C and not as loaded; `loaded_l` (n,) litres of those that tell no
    temperature, `warm_lk` (n,) litres times kelvins above 15 °C of those that do.
    """

    hours: Floats
    litres_15: Floats
    sd_l: Floats
    shrunk_l: Floats
    terminals: tuple[str, ...]
    loaded_l: Floats
    warm_lk: Floats


@dataclass(frozen=True)
class Stock15:
    """A unit's dips and books brought to 15 °C by its temperature; k dips, m meters.

    `hours` (k,) time; `temp_c` (k,) smoothed, of a thermometer that steps by `coarse_c` (k,); `vcf` (k,) litres at
    15 °C a litre, `expansion_per_k` (k,); litres at 15 °C: `stock_l` (k,) by the gauge, and so far `sold_l` (k, m) and
    `came_l` (k,) by ticket.
    """

    hours: Floats
    temp_c: Floats
    coarse_c: Floats
    vcf: Floats
    expansion_per_k: Floats
    stock_l: Floats
    sold_l: Floats
    came_l: Floats

    @property
    def book_corrected_l(self) -> Floats:
        """What is left of the stock once sales are added back and tickets taken off. Shape (k,)."""
        return np.asarray(self.stock_l + self.sold_l.sum(axis=1) - self.came_l)


def balance_of(
    unit: Unit,
    dips: Dips,
    drops: Sequence[Drop],
    delivered: Delivered,
    extra_jumps_h: Floats,
    shifts_h: Floats,
) -> Balance:
    """The regression of one unit from its dips.

    `shifts_h` are the hours from which the gauge reads off by some millimetres, after a jump; `extra_jumps_h` those of
    moves that are explained elsewhere (a theft, a jump of the gauge): the stock may take any value after each.
    """
    at_15 = stock_at_15(unit, dips, drops, delivered)
    jumps = jump_var_l2(at_15.hours, delivered, extra_jumps_h)
    terms = _terms(unit, dips, at_15, jumps, delivered, shifts_h)
    return Balance(
        y_l=at_15.book_corrected_l,
        columns=np.column_stack([term.columns for term in terms]),
        names=tuple(name for term in terms for name in term.names),
        prior=prior_of(terms),
        hours=at_15.hours,
        known_day=np.floor((dips.ts_s + 1800.0) / 86400.0).astype(np.int64),
        jump_var_l2=jumps,
        sold_15_l=at_15.sold_l,
        leak_h=head_hours(unit, dips.level_mm, at_15.hours),
        open_h=dips.open_h,
        vcf=at_15.vcf,
        temp_c=at_15.temp_c,
        coarse_c=at_15.coarse_c,
        level_mm=dips.level_mm,
        surface_l_per_mm=dips.surface_l_per_mm,
        stock_15_l=at_15.stock_l,
        meters=dips.meters,
    )


def stock_at_15(unit: Unit, dips: Dips, drops: Sequence[Drop], delivered: Delivered) -> Stock15:
    """A unit's dips and books at 15 °C, each sale at the temperature of the dip after it."""
    hours = dips.ts_s / 3600.0
    began = np.array([drop.start_s / 3600.0 for drop in drops])
    coarse = coarseness_c(unit.series.ts_s, unit.series.temp_c, dips.ts_s)
    temp = smoothed_temp_c(dips.temp_c, hours, began, coarse, in_the_open=not bool(unit.tanks["buried"].all()))
    vcf = np.asarray(product_vcf(unit.product, held_in_range(temp)), dtype=np.float64)
    steps = np.diff(dips.sold_l, axis=0, prepend=dips.sold_l[:1] * 0.0)
    return Stock15(
        hours=hours,
        temp_c=temp,
        coarse_c=coarse,
        vcf=vcf,
        expansion_per_k=np.asarray(expansion_per_k(unit.product, held_in_range(temp)), dtype=np.float64),
        stock_l=(dips.gauge_l + unit.between_rows_l(dips.level_mm, dips.ts_s)) * vcf,
        sold_l=np.cumsum(steps * vcf[:, None], axis=0),
        came_l=so_far(delivered.hours, delivered.litres_15, hours),
    )


def jump_var_l2(hours: Floats, delivered: Delivered, extra_jumps_h: Floats) -> Floats:
    """The doubt before each dip that its drops add, and jumps to any value at `extra_jumps_h`. Shape (k,). [l²]"""
    jumps = np.zeros(len(hours))
    _add_after(jumps, hours, delivered.hours, delivered.sd_l**2)
    _add_after(jumps, hours, extra_jumps_h, np.full(len(extra_jumps_h), FREE_L2))
    return jumps


def _add_after(var: Floats, hours: Floats, event_h: Floats, more: Floats) -> None:
    """Adds each event's variance at the first dip after it; an event after the last dip is not felt yet."""
    place = np.searchsorted(hours, event_h, "right")
    felt = place < len(hours)
    np.add.at(var, place[felt], more[felt])


def _terms(unit: Unit, dips: Dips, at_15: Stock15, jumps: Floats, delivered: Delivered, shifts_h: Floats) -> list[Term]:
    """Everything that could move the stock, in the order of the regression's columns."""
    hours, vcf, temp, beta = at_15.hours, at_15.vcf, at_15.temp_c, at_15.expansion_per_k
    y, sold = at_15.book_corrected_l, at_15.sold_l.sum(axis=1)
    noise_l = (y - steadied(y, jumps, STEADY_SHARE)) / vcf
    l_per_k = beta * np.maximum(at_15.stock_l, 0.0)
    shrunk = [so_far(delivered.hours, litres, hours) for litres in delivered.shrunk_l.T]
    chart = chart_term(unit, without_noise(dips, noise_l).level_mm, dips.ts_s, vcf)
    return [
        meter_term(dips.meters, at_15.sold_l),
        *vapour_terms(unit.product, sold, hours, temp),
        expansion_term(beta, dips.gauge_l, temp, jumps),
        chart,
        shift_term(hours, chart, shifts_h),
        calibration_term(unit.calibrated_s, dips.meters, dips.ts_s, at_15.sold_l),
        *apart_terms(unit, dips.apart_l * vcf),
        *ticket_terms(delivered.terminals, shrunk, at_15.came_l),
        shell_term(at_15.stock_l, hours),
        behind_term(sold, hours, jumps),
        warmth_term(unit.product, sold, hours),
        thermometer_term(l_per_k, temp, at_15.coarse_c, hours, jumps),
        *weather_terms(unit, l_per_k, hours),
    ]
