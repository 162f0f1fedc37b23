"""The balance of one unit written as a regression: the book-corrected stock at 15 °C and what could move it.

y = gauge stock + litres sold − litres ticketed, all at 15 °C, is constant but for what nobody recorded. Each regressor
is the course over time of one such thing, a litre of loss being negative: a meter that gives g more than it records
adds −g·sold to y, a leak −rate·hours, a chart's shape its litres below the surface. Between a chart's rows the stock is
read from a smooth curve.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.regression import Prior
from pipeline.estimate.warmth import (
    BEHIND_SHARE,
    DAILY_SD_K,
    LATE_SD_H,
    WARMTH_SD_K,
    by_the_hour,
    coarseness_c,
    smoothed_temp_c,
    thermometer_columns,
)
from pipeline.ledger.dips import Dips
from pipeline.ledger.drops import Drop
from pipeline.ledger.fleet import Unit
from pipeline.physics.products import expansion_per_k, product_vcf

Floats = NDArray[np.float64]

METER_SD = 0.002
"""Prior SD of a meter's error (true ÷ recorded − 1). Common practice, no source: 0.15 to 0.2 % in service."""
BANDS = 32
"""Equal bands of level, each with a slope error of its own, over the chart's height."""
SHAPES = 16
"""Regressors of the bands together: the ways in which neighbouring bands are wrong alike, strongest first."""
CHART_COLUMNS = 2 + SHAPES
"""Regressors of one chart: its scale, its offset, its shapes."""
BAND_SD = 0.004
BAND_REACH_MM = 200.0
"""SD of a chart's local slope error, and how far it keeps. Common practice, no source: 0.3 %, 200 to 400 mm."""
SCALE_SD = 0.003
"""Share by which a sound chart is off as a whole, SD. Common practice, no source: 0.3 % (0.1 to 1)."""
APART_SD = 0.5
"""Share of what joined tanks seem to hold beyond level ones that is not there, SD: their gauges are not read at one
instant, and each stands where the siphon draws the surface down or away from it. No source."""
OFFSET_SD_MM = 14.0
"""How far a sound chart lies off along the level, SD: a tank laid with a fall of 0.5 to 1 % whose probe stands 1 to
2.5 m from its middle reads 5 to 25 mm off, which its chart need not know. Common practice, no source."""
SHIFT_SD_MM = 25.0
"""Prior SD of how far a gauge that jumped reads off afterwards; jumps of 2 to 50 mm are common practice, no source."""
TICKET_SHARE_SD = 0.0015
TICKET_SD_L = 8.0
"""What a ticket is off by from drop to drop: the loading meter, and what stays in hoses. Common practice, no source:
0.05 to 0.3 %, 5 to 20 l of which most is the same each time."""
SHELL_H = 2.5
SHELL_SHARE = 0.0004
"""Hours in which a shell yields to a fill, and by what share of it. From memory: 1 to 5 h, 1 to 10 l in 10,000."""
STEADY_SHARE, STEADY_TEMP_SHARE = 0.05, 0.3
"""Share of each dip, and of each temperature, in the running mean that tells its noise: some ten hours, which is longer
than gauges sway, and an hour and a half. No source."""
CALIBRATED_SD = 0.0035
"""How much a calibration changes a meter, as a share: two usual errors. No source."""
TICKETS_MEAN, TICKETS_SD = -0.0005, 0.001
"""A carrier's lasting bias, as a share: 0 to 0.3 %, mostly in the carrier's favour (common practice, no source)."""
BASIS_SD = 0.35
"""Of a terminal's tickets, 0 where they tell litres as loaded and 1 where at 15 °C, SD: one terminal in seven or so
writes them so, with nothing to say it. Common practice, no source."""
VAPOUR_SHARE = (0.0005, 0.0004)
BREATHING_L_PER_H = (0.03, 0.02)
"""Petrol's losses, mean and SD: with sales, as a share (0.01 to 0.1 %), and at rest (0.01 to 0.06 l/h). Common
practice, no source."""
DAY_H = 24.0
"""A tank's first day, of which every later one knows. [h]"""
HOLES = tuple(0.025 * number for number in range(16))
"""Heights above the bottom at which a tank may leak, as shares of its depth. No source."""
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


def shape_columns(unit: Unit, level_mm: Floats, at_s: Floats) -> Floats:
    """What each of a chart's usual ways to be uneven adds below the surface, one usual size of each. (k, SHAPES). [l]

    Slope errors of SD `BAND_SD` in each of `BANDS` equal bands of level, alike over `BAND_REACH_MM`, by their principal
    components (a Gaussian process cut off after `SHAPES`).
    """
    bottom, top = _span_mm(unit)
    edges = np.linspace(bottom, top, BANDS + 1)
    below = np.column_stack([unit.stock_l(np.clip(level_mm, bottom, edge), at_s) for edge in edges])
    middle = 0.5 * (edges[1:] + edges[:-1])
    alike = np.exp(-0.5 * ((middle[:, None] - middle[None, :]) / BAND_REACH_MM) ** 2)
    size, shape = np.linalg.eigh(BAND_SD**2 * alike)
    return np.asarray(np.diff(below, axis=1) @ (shape * np.sqrt(np.maximum(size, 0.0)))[:, : -SHAPES - 1 : -1])


def _span_mm(unit: Unit) -> tuple[float, float]:
    """Lowest and highest level that every member's charts cover. [mm]"""
    spans = [strap.span_mm() for strap in unit.strappings]
    return max(low for low, _ in spans), min(high for _, high in spans)


def chart_changes_s(unit: Unit) -> Floats:
    """When a new chart came into force while there were readings. [s]"""
    if not len(unit.series):
        return np.empty(0)
    first, last = unit.series.ts_s[0], unit.series.ts_s[-1]
    changes = np.unique(np.concatenate([strap.valid_from_s for strap in unit.strappings]))
    return np.asarray(changes[(changes > first) & (changes <= last)])


def chart_columns(unit: Unit, level_mm: Floats, at_s: Floats) -> Floats:
    """What each chart's scale [share], offset [mm] and shapes would add at levels and instants, while in force.

    Shape (n, charts·`CHART_COLUMNS`), litres at ambient temperature a unit of each. Beyond what they add at the middle
    of the chart: a constant stays in the balance's own, and brought to 15 °C it would stand in for whatever goes with
    the temperature. All by the level: the gauge's litres carry the water float's noise too, and a scale of theirs
    beside a band of the same size would stand in for that. Books that are far off move a level out of the chart; it is
    taken for its end.
    """
    changes = chart_changes_s(unit)
    version = np.searchsorted(changes, at_s, "right")
    bottom, top = _span_mm(unit)

    def added(level_mm: Floats) -> Floats:
        litres, slope = unit.stock_l(level_mm, at_s), unit.surface_l_per_mm(level_mm, at_s)
        return np.column_stack([litres, slope, shape_columns(unit, level_mm, at_s)])

    one = added(np.clip(level_mm, bottom, top)) - added(np.full(len(level_mm), 0.5 * (bottom + top)))
    return np.column_stack([one * (version == number)[:, None] for number in range(len(changes) + 1)])


def chart_names(unit: Unit) -> tuple[str, ...]:
    """The names of `chart_columns`, in order."""
    parts = ["scale", "offset", *(f"shape:{number}" for number in range(SHAPES))]
    return tuple(f"chart{number}:{part}" for number in range(len(chart_changes_s(unit)) + 1) for part in parts)


def head_hours(unit: Unit, level_mm: Floats, hours: Floats) -> Floats:
    """Hours so far, each times √(head / head at the tank's mid-height): what a leak goes by (Torricelli). [h]

    One column for a hole at each of `HOLES`; a hole above the surface lets nothing out. Shape (k, holes).
    """
    depth = float(unit.tanks["diameter_mm"][0] if unit.tanks["shape"][0] == "horizontal_cylinder" else 4000.0)
    head = np.maximum(level_mm[:, None] / depth - np.array(HOLES), 0.0) / (0.5 - np.array(HOLES))
    speed = np.sqrt(head)
    steps = np.diff(hours, prepend=hours[:1])[:, None]
    return np.cumsum(0.5 * (speed + np.concatenate([speed[:1], speed[:-1]])) * steps, axis=0)


def steadied(values: Floats, jump_var_l2: Floats, share: float) -> Floats:
    """A course as the dips before each have it, begun anew at each jump: without the dip's own noise.

    The mean since the jump, and once that is of more than 1 / `share` dips an exponential one. Shape of `values`, and
    their unit.
    """
    out = np.array(values, dtype=np.float64)
    since = 0
    for k in range(1, len(out)):
        since = since + 1 if jump_var_l2[k] == 0.0 else 0
        if since:
            out[k] = out[k - 1] + max(share, 1.0 / since) * (values[k - 1] - out[k - 1])
    return out


def without_noise(dips: Dips, noise_l: Floats) -> Dips:
    """The dips with `noise_l`, shape (k,), taken off their levels and litres.

    A regressor that carried the gauge's noise would explain that noise by itself, and its coefficient with it.
    """
    level = dips.level_mm - noise_l / np.maximum(dips.surface_l_per_mm, 1e-6)
    return replace(dips, level_mm=level, gauge_l=dips.gauge_l - noise_l)


def calibration_columns(unit: Unit, dips: Dips, sold_15: Floats) -> tuple[Floats, tuple[str, ...]]:
    """What each calibration of a meter changes: its litres at 15 °C since then, one column each. Shape (k, n). [l]

    A meter may be visited some time before its record says so, or after: its error is free anew from the record on.
    """
    columns, names = [np.zeros((len(dips), 0))], []
    for number, meter in enumerate(dips.meters):
        for at_s in unit.calibrated_s.get(meter, ()):
            before = np.interp(at_s, dips.ts_s, sold_15[:, number]) if len(dips) else 0.0
            columns.append(-np.where(dips.ts_s > at_s, sold_15[:, number] - before, 0.0)[:, None])
            names.append(f"calibrated:{meter}")
    return np.concatenate(columns, axis=1), tuple(names)


def shell_lag_l(stock_l: Floats, hours: Floats) -> Floats:
    """By how much the stock is ahead of a shell that follows it, a first-order lag of `SHELL_H`; it starts settled. [l]

    A shell that has just been filled still gives, and the level sinks for hours.
    """
    keep = np.exp(-np.diff(hours, prepend=hours[:1]) / SHELL_H)
    out = np.empty_like(stock_l)
    followed = float(stock_l[0]) if len(stock_l) else 0.0
    for place, stock in enumerate(stock_l):
        followed = stock + (followed - stock) * keep[place]
        out[place] = stock - followed
    return out


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


def balance_of(
    unit: Unit,
    dips: Dips,
    drops: list[Drop],
    delivered: Delivered,
    extra_jumps_h: Floats,
    shifts_h: Floats,
) -> Balance:
    """The regression of one unit from its dips.

    `shifts_h` are the hours from which the gauge reads off by some millimetres, after a jump; `extra_jumps_h` those of
    moves that are explained elsewhere (a theft, a jump of the gauge): the stock may take any value after each.
    """
    hours = dips.ts_s / 3600.0
    began = np.array([drop.start_s / 3600.0 for drop in drops])
    coarse = coarseness_c(unit.series.ts_s, unit.series.temp_c, dips.ts_s)
    temp = smoothed_temp_c(dips.temp_c, hours, began, coarse, in_the_open=not bool(unit.tanks["buried"].all()))
    vcf = np.asarray(product_vcf(unit.product, np.clip(temp, -20.0, 40.0)), dtype=np.float64)
    steps = np.diff(dips.sold_l, axis=0, prepend=dips.sold_l[:1] * 0.0)
    sold_15 = np.cumsum(steps * vcf[:, None], axis=0)
    came_15 = so_far(delivered.hours, delivered.litres_15, hours)
    stock_15 = (dips.gauge_l + unit.between_rows_l(dips.level_mm, dips.ts_s)) * vcf
    y = stock_15 + sold_15.sum(axis=1) - came_15
    shrunk = [so_far(delivered.hours, litres, hours) for litres in delivered.shrunk_l.T]
    basis = np.column_stack([np.zeros((len(hours), 0)), *shrunk])
    jumps = np.zeros(len(hours))
    _add_after(jumps, hours, delivered.hours, delivered.sd_l**2)
    _add_after(jumps, hours, extra_jumps_h, np.full(len(extra_jumps_h), FREE_L2))
    beta = np.asarray(expansion_per_k(unit.product, np.clip(temp, -19.0, 39.0)), dtype=np.float64)
    noise_l = (y - steadied(y, jumps, STEADY_SHARE)) / vcf
    level_mm = without_noise(dips, noise_l).level_mm
    charts = chart_columns(unit, level_mm, dips.ts_s) * vcf[:, None]
    shifted = (vcf * dips.surface_l_per_mm)[:, None] * (hours[:, None] >= shifts_h[None, :])
    leak_h = head_hours(unit, dips.level_mm, hours)
    is_petrol = unit.product.startswith("gasoline")
    apart = (dips.apart_l * vcf)[:, None] if len(unit.members) > 1 else np.zeros((len(hours), 0))
    calibrated, calibrated_names = calibration_columns(unit, dips, sold_15)
    names = (
        *(f"meter:{name}" for name in dips.meters),
        "vapour",
        "breathing",
        "expansion",
        *chart_names(unit),
        *(f"shift{number}:offset" for number in range(len(shifts_h))),
        *calibrated_names,
        *("apart",) * apart.shape[1],
        *(f"basis:{name}" for name in delivered.terminals),
        "tickets",
        "shell",
        "warmth:cosine",
        "warmth:sine",
        "thermometer:late",
        "thermometer:behind",
        "thermometer:cosine",
        "thermometer:sine",
    )
    columns = np.column_stack(
        [
            -sold_15,
            -sold_15.sum(axis=1),
            -(hours - hours[:1]) if len(hours) else hours,
            beta * dips.gauge_l * (steadied(temp, jumps, STEADY_TEMP_SHARE) - 15.0),
            charts,
            shifted,
            calibrated,
            apart,
            basis,
            came_15,
            shell_lag_l(stock_15, hours),
            by_the_hour(sold_15.sum(axis=1), hours, unit.product),
            (beta * np.maximum(stock_15, 0.0))[:, None] * thermometer_columns(temp, hours, jumps),
        ]
    )
    count = len(dips.meters)
    versions = charts.shape[1] // CHART_COLUMNS
    losses = np.array([VAPOUR_SHARE, BREATHING_L_PER_H]) if is_petrol else np.array([[0.0, 0.0001], [0.0, 0.02]])
    others = 1 + charts.shape[1] + len(shifts_h) + len(calibrated_names) + apart.shape[1] + basis.shape[1]
    usual = [TICKETS_MEAN, SHELL_SHARE]
    mean = np.concatenate([np.zeros(count), losses[:, 0], np.zeros(others), usual, np.zeros(6)])
    # A coarse thermometer hides how a tank in the open warms by day.
    daily_k = float(np.hypot(DAILY_SD_K, coarse[:1].sum() / np.sqrt(12.0)))
    one_chart = np.concatenate([[SCALE_SD, OFFSET_SD_MM], np.ones(SHAPES)])
    sd = np.concatenate(
        [
            np.full(count, METER_SD),
            [*losses[:, 1], 0.05],
            np.tile(one_chart, versions),
            np.full(len(shifts_h), SHIFT_SD_MM),
            np.full(len(calibrated_names), CALIBRATED_SD),
            np.full(apart.shape[1], APART_SD),
            np.full(basis.shape[1], BASIS_SD),
            [TICKETS_SD, SHELL_SHARE, WARMTH_SD_K, WARMTH_SD_K, LATE_SD_H, BEHIND_SHARE, daily_k, daily_k],
        ]
    )
    return Balance(
        y_l=y,
        columns=columns,
        names=names,
        prior=Prior(mean, sd),
        hours=hours,
        known_day=np.floor((dips.ts_s + 1800.0) / 86400.0).astype(np.int64),
        jump_var_l2=jumps,
        sold_15_l=sold_15,
        leak_h=leak_h,
        open_h=dips.open_h,
        vcf=vcf,
        temp_c=temp,
        coarse_c=coarse,
        level_mm=dips.level_mm,
        surface_l_per_mm=dips.surface_l_per_mm,
        stock_15_l=stock_15,
        meters=dips.meters,
    )


def _add_after(var: Floats, hours: Floats, event_h: Floats, more: Floats) -> None:
    """Adds each event's variance at the first dip after it; an event after the last dip is not felt yet."""
    place = np.searchsorted(hours, event_h, "right")
    felt = place < len(hours)
    np.add.at(var, place[felt], more[felt])


def so_far(event_h: Floats, litres: Floats, hours: Floats) -> Floats:
    """What events of so many litres, shape (n,), add up to before each of k hours. Shape (k,). [l]"""
    order = np.argsort(event_h, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(litres[order])])
    return total[np.searchsorted(event_h[order], hours, "left")]
