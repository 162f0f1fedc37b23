"""What a tank's dips say of its chart: book-corrected stock by the best chart so far, and what else moves it.

Litres drawn against metered litres teach the chart; a drop teaches it only through its ticket, with the ticket's doubt
and a lasting bias of each carrier.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.chart_proof import METERED_SHARE, Dipped, Proof, metered_l, proof_of
from pipeline.estimate.chart_shape import TankModel
from pipeline.estimate.courses import steadied, without_noise
from pipeline.estimate.design import FREE_L2, STEADY_SHARE, Balance
from pipeline.estimate.known_drops import KnownDrop
from pipeline.estimate.observe import UnitObserved
from pipeline.estimate.regression import Prior
from pipeline.estimate.terms import TICKETS_MEAN, Term, prior_of, shell_term
from pipeline.estimate.tickets import Mixing, tickets_15_l
from pipeline.estimate.unit_walk import jump_hours
from pipeline.estimate.whiten import Filter, Noise, filter_of
from pipeline.ledger.dips import Dips
from pipeline.physics.losses import VAPOUR_LOSS
from pipeline.physics.products import expansion_per_k, held_in_range, product_vcf

Floats = NDArray[np.float64]

METER_SD = 0.00175
METERS_SD = 0.0003
"""Prior SD of a meter's error in service (0.15 to 0.2 %), and of the fleet's mean error. Common practice, no source."""
ADJUSTED_SD = 0.001
"""SD of the error that a calibration leaves a meter with. Common practice, no source."""
CARRIER_SD = 0.001
TICKETS_SD = 0.0003
"""Prior SD of a carrier's lasting bias about the trade's mean (`TICKETS_MEAN`: mostly in the carrier's favour), and of
what a probe's temperature (0.2 K) does to every ticket of a tank. Common practice, no source."""
METERS = "meters"
"""Name of the error that all of the fleet's meters share."""
EXPANSION_SD = 0.03
"""SD of an expansion coefficient, as a share, of a grade that is not listed below. Common practice, no source."""
EXPANSION_SDS = {"gasoline_e0": 0.02, "diesel_b0": 0.02, "kerosene": 0.02, "heating_oil": 0.02, "gasoline_e85": 0.05}
"""SD of a product's expansion, as a share: 2 % for hydrocarbons (the standard's own), more for what is blended."""
SMOOTH_H, SMOOTH_OPEN_H = 18.0, 2.0
"""Hours either side over which the temperature runs straight, in the ground and in the open. No source. In the open two
hours leave 98 % of a day's swing, which is as well as its expansion is known; five left 88 %, and what they took passed
for a constant of the chart: litres that warm and cool unseen."""


@dataclass(frozen=True)
class ChartData:
    """Dips as the fit sees them; k dips.

    `y_l` (k,) book-corrected stock at 15 °C by the base chart; `others` (k, q) what else moves it, by `names`, with
    `prior`; `weight` (k,) of each whitened row; `cycle` (k,) number of the stretch between drops; `free` (k,) dips
    before which the stock may have taken any value; `by_chart_l` (k,) `y_l` by the chart in force instead; `still_mm`
    (k,) the levels without their own noise, for the regressors; `proof` what somebody measured besides.
    """

    y_l: Floats
    by_chart_l: Floats
    level_mm: Floats
    still_mm: Floats
    vcf: Floats
    others: Floats
    names: tuple[str, ...]
    prior: Prior
    hours: Floats
    filter: Filter
    weight: Floats
    cycle: NDArray[np.int64]
    free: NDArray[np.bool_]
    proof: Proof = field(default_factory=Proof)


@dataclass(frozen=True)
class Known:
    """What else is known to have moved the stock.

    `unbooked_l` (k,), litres so far that left unbooked, are added to it; `named` are courses of what was named as
    moving it besides: a leak, a drifting meter, a short drop.
    """

    unbooked_l: Floats | float = 0.0
    named: tuple[Term, ...] = ()


NOTHING = Known()


def chart_data(
    seen: UnitObserved, dips: Dips, balance: Balance, noise: Noise, model: TankModel, known: Known = NOTHING
) -> ChartData:
    """The dips of a single tank, tickets as known at the end, carriers apart.

    `seen`, `dips`, `balance` and `noise` are the tank as observed, its dips, and what `balance_of` and `dip_noise` make
    of them; k dips.
    """
    came, jump_var = _came(seen, balance)
    ticketed = np.sum(list(came.values()), axis=0)
    cycle = np.cumsum(jump_var > 0, dtype=np.int64)
    balance = _steadied(seen, dips, balance, cycle)
    sold = balance.sold_15_l.sum(axis=1)
    by_chart = balance.stock_15_l + sold - ticketed + known.unbooked_l
    better = model.base_l(dips.level_mm) - seen.unit.stock_l(dips.level_mm, dips.ts_s)
    terms = [
        _kept_term(balance, seen.unit.product),
        Term((METERS,), -sold[:, None], METERS_SD),
        Term(("tickets",), ticketed[:, None], TICKETS_SD),
        shell_term(balance.stock_15_l, balance.hours),
        *(Term((f"carrier:{one}",), came[one][:, None], CARRIER_SD, TICKETS_MEAN) for one in sorted(came) if one),
        *known.named,
    ]
    names = tuple(name for term in terms for name in term.names)

    def surface(level_mm: Floats) -> Floats:
        return (model.base_l(level_mm + 1.0) - model.base_l(level_mm - 1.0)) / 2.0

    return ChartData(
        y_l=by_chart + balance.vcf * better,
        by_chart_l=by_chart,
        level_mm=dips.level_mm,
        still_mm=without_noise(dips, (by_chart - steadied(by_chart, jump_var, STEADY_SHARE)) / balance.vcf).level_mm,
        vcf=balance.vcf,
        others=np.column_stack([term.columns for term in terms]),
        names=names,
        prior=prior_of(terms),
        hours=balance.hours,
        filter=filter_of(balance.hours, noise, jump_var, sold),
        weight=np.ones(len(by_chart)),
        cycle=cycle,
        free=jump_var >= FREE_L2,
        proof=proof_of(seen.unit, Dipped(balance.hours, dips.level_mm, sold), surface, names),
    )


def _kept_term(balance: Balance, product: str) -> Term:
    """The balance's own regressors but the chart's, the thermometer's and those that the fit has of its own.

    By its prior, with meters as they are in service and petrol's losses in their known ranges.
    """
    keep = np.array([not name.startswith(("chart", "thermometer:", "tickets", "shell")) for name in balance.names])
    names = tuple(name for name, is_kept in zip(balance.names, keep, strict=True) if is_kept)
    mean, sd = balance.prior.mean[keep], balance.prior.sd[keep]
    sd = np.where([name.startswith("meter:") for name in names], METER_SD, sd)
    sd = np.where([name.startswith("calibrated:") for name in names], ADJUSTED_SD, sd)
    sd[names.index("expansion")] = EXPANSION_SDS.get(product, EXPANSION_SD)
    loss = VAPOUR_LOSS[product]
    for name, low, high in (
        ("vapour", loss.throughput_low, loss.throughput_high),
        ("breathing", loss.breathing_low, loss.breathing_high),
    ):
        if high > low:
            place = names.index(name)
            mean[place], sd[place] = (low + high) / 2.0, (high - low) / 3.0
    return Term(names, _fresh(balance.columns[:, keep], names), sd, mean)


def _fresh(columns: Floats, names: tuple[str, ...]) -> Floats:
    """The columns with each meter's litres ending where its calibration's begin: its error is a new one from there."""
    out = columns.copy()
    for meter in {name.removeprefix("calibrated:") for name in names if name.startswith("calibrated:")}:
        spans = [names.index(f"meter:{meter}")]
        spans += [place for place, name in enumerate(names) if name == f"calibrated:{meter}"]
        for before, after in pairwise(spans):
            out[:, before] -= columns[:, after]
    return out


def _steadied(seen: UnitObserved, dips: Dips, balance: Balance, cycle: NDArray[np.int64]) -> Balance:
    """The balance with a temperature smoothed from both sides within each cycle.

    A thermometer's noise and steps move the corrected stock and the regressor of expansion alike, and would pass for an
    expansion that is too small; and what expansion there is acts on a mean difference from 15 °C, like a scale.
    """
    half_h = SMOOTH_H if bool(seen.unit.tanks["buried"].all()) else SMOOTH_OPEN_H
    temp = balance.temp_c.copy()
    for number in np.unique(cycle):
        mine = cycle == number
        temp[mine] = local_lines(balance.hours[mine], balance.temp_c[mine], half_h)
    held = held_in_range(temp)
    vcf = np.asarray(product_vcf(seen.unit.product, held), dtype=np.float64)
    columns = balance.columns.copy()
    beta = np.asarray(expansion_per_k(seen.unit.product, held), dtype=np.float64)
    columns[:, balance.names.index("expansion")] = beta * dips.gauge_l * (temp - 15.0)
    return replace(balance, temp_c=temp, vcf=vcf, stock_15_l=dips.gauge_l * vcf, columns=columns)


def local_lines(at: Floats, values: Floats, half: float) -> Floats:
    """Each value by a line through those within `half` either side, near ones counting more (tricube weights)."""
    apart = at[None, :] - at[:, None]
    weight = np.clip(1.0 - np.abs(apart / half) ** 3, 0.0, None) ** 3
    total = weight.sum(axis=1)
    middle = (weight * apart).sum(axis=1) / total
    spread = (weight * apart**2).sum(axis=1) / total - middle**2
    mean = (weight @ values) / total
    slope = ((weight * apart) @ values) / total - middle * mean
    return np.asarray(mean - np.where(spread > 1e-6, slope / np.maximum(spread, 1e-6), 0.0) * middle)


def _came(seen: UnitObserved, balance: Balance) -> tuple[dict[str, Floats], Floats]:
    """Litres at 15 °C ticketed up to each dip by carrier ("" if not told), and the doubt before each dip [l²]."""
    hours = balance.hours
    came = {"": np.zeros(len(hours))}
    var = np.zeros(len(hours))
    events = seen.unit.events
    carrier = seen.unit.tickets["carrier"].to_list()
    for known in seen.drops:
        dip = int(np.searchsorted(hours, known.drop.start_s / 3600.0, "right"))
        if dip >= len(hours):
            continue
        litres, doubt = _tickets_15_l(seen, known, balance, dip)
        metered = metered_l(events, known.drop.start_s, known.drop.end_s) if known.drop.tickets else None
        if metered is not None:
            written = float(seen.unit.tickets["ticket_volume_l"].gather(list(known.drop.tickets)).sum())
            came[""][dip:] += litres.sum() * metered / written
            var[dip] += (METERED_SHARE * metered) ** 2
            continue
        for ticket, volume in zip(known.drop.tickets, litres, strict=True):
            came.setdefault(carrier[ticket] or "", np.zeros(len(hours)))[dip:] += volume
        var[dip] += doubt**2 if known.drop.tickets else FREE_L2
    np.add.at(var, np.minimum(np.searchsorted(hours, jump_hours(seen), "right"), len(hours) - 1), FREE_L2)
    var = np.where((var == 0) & (balance.jump_var_l2 >= FREE_L2), FREE_L2, var)
    return came, var


def _tickets_15_l(seen: UnitObserved, known: KnownDrop, balance: Balance, dip: int) -> tuple[Floats, float]:
    """Litres at 15 °C of each of a drop's tickets and the SD of their sum, by temperatures smoothed from both sides."""
    before = balance.temp_c[dip - 1] if dip > 0 else np.nan
    told = np.isfinite(before) and np.isfinite(seen.unit.series.temp_c).any()
    stock_l = float(balance.stock_15_l[dip - 1] / balance.vcf[dip - 1]) if dip > 0 else np.nan
    mixing = Mixing(float(before), float(balance.temp_c[dip]), stock_l) if told else None
    return tickets_15_l(seen.unit, known.drop.tickets, mixing)
