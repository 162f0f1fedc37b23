"""Features of a tank's trading day: what an analyst would look at first, each against the tank's own past.

Every value comes from what the day's run had seen. Names end in their unit; those without one are in standard
deviations or shares.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimate.unit_walk import UnitWalk
from pipeline.features.trading_days import DAY_S
from pipeline.ledger.gauge import GaugeSeries
from pipeline.physics.losses import vapour_pressure_ratio
from pipeline.scoring.drop_rises import day_views, known_mismatches
from pipeline.scoring.member_days import change_since_known
from pipeline.scoring.physics import FEWEST_DIPS, surprises
from pipeline.scoring.unit_days import UnitDays
from pipeline.scoring.unit_sheet import UnitSheet

Floats = NDArray[np.float64]

FLOORS: Final[Mapping[str, float]] = {
    "idle_loss_l_per_h": 0.03,
    "idle_excess_l_per_h": 0.03,
    "drop_mismatch_l": 10.0,
    "meter_residual_pct": 0.1,
    "book_variance_l": 5.0,
    "residual_l": 3.0,
    "totaliser_excess_l": 3.0,
    "water_change_mm": 1.0,
    "density_15_kg_m3": 0.7,
    "density_change_kg_m3": 0.7,
    "gap_hours": 0.25,
    "bad_share": 0.01,
    "scatter_mm": 0.03,
    "clock_lag_s": 15.0,
    "surprise_sum": 0.7,
    "surprise_spread": 0.15,
}
"""Least spread by which a feature is standardised, so that a past of equal values does not make a trifle odd. No
source: about what a sound gauge and sound books show by themselves."""
PAST_DAYS: Final = 60
FEWEST_PAST: Final = 7
METER_PRIOR: Final = 0.03
WALK_L: Final = 0.1
"""Wander of the stock within a rest, SD in an hour [l/√h]; 0.05 to 0.15 (common practice, no source)."""
SHORTEST_REST_H: Final = 1.5
FEWEST_RESTS: Final = 4
"""A rest shorter than this tells no slope [h], and fewer of them tell no usual one. No source."""


@dataclass(frozen=True)
class Rest:
    """The longest rest of a day: hours, litres lost an hour and the SD of that. [h], [l/h]"""

    hours: float
    loss_l_per_h: float
    sd_l_per_h: float


def longest_rests(days: UnitDays, walked: UnitWalk) -> list[Rest | None]:
    """The loss over the longest run of settled dips of each day without a sale or a drop; None where there is none.

    Slope of the stock at 15 °C by least squares; its variance 12 s²/(n T²) for the dips' own scatter and 1.2 q²/T for
    a wander of q (for a straight line through a random walk).
    """
    balance, dips = walked.walk.balance, walked.dips
    stock = balance.stock_15_l
    sold = dips.sold_l.sum(axis=1)
    joined = (dips.state[1:] == 0) & (dips.state[:-1] == 0) & (np.diff(sold) < 0.01) & (balance.jump_var_l2[1:] == 0)
    joined &= np.diff(balance.hours) < 1.1
    found: list[Rest | None] = []
    for low, high in pairwise(days.last_dip + 1):
        best = _longest(joined[low : max(high - 1, low)])
        if best is None or best[1] - best[0] + 1 < FEWEST_RESTS:
            found.append(None)
            continue
        here = slice(int(low) + best[0], int(low) + best[1] + 1)
        hours = balance.hours[here] - balance.hours[here].mean()
        lasts = float(hours[-1] - hours[0])
        if lasts < SHORTEST_REST_H:
            found.append(None)
            continue
        slope = float((hours * stock[here]).sum() / (hours**2).sum())
        white = float(np.median(walked.noise.dip_sd_l[here]))
        sd = float(np.sqrt(12.0 * white**2 / (len(hours) * lasts**2) + 1.2 * WALK_L**2 / lasts))
        found.append(Rest(lasts, -slope, sd))
    return found


def _longest(joined: NDArray[np.bool_]) -> tuple[int, int] | None:
    """First and last place of the longest run of joined neighbours."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], joined, [False]]).astype(np.int8)))
    if not len(edges):
        return None
    lengths = edges[1::2] - edges[0::2]
    best = int(np.argmax(lengths))
    return int(edges[0::2][best]), int(edges[1::2][best])


def meter_residuals_pct(days: UnitDays, walked: UnitWalk) -> Floats:
    """Each meter's error, recorded ÷ true − 1, by one day's own balance and a wide prior. Shape (n, meters). [%]

    NaN on days on which the meter sold nothing.
    """
    balance = walked.walk.balance
    moved = balance.stock_15_l + balance.sold_15_l.sum(axis=1)
    out = np.full((len(days), len(balance.meters)), np.nan)
    for number, (low, high) in enumerate(pairwise(days.last_dip + 1)):
        here = slice(int(low), int(high))
        still = balance.jump_var_l2[here][1:] == 0
        sold = np.diff(balance.sold_15_l[here], axis=0)[still]
        if len(sold) < FEWEST_DIPS:
            continue
        white = walked.noise.dip_sd_l[here]
        weight = 1.0 / (white[1:][still] ** 2 + white[:-1][still] ** 2)
        gram = (sold * weight[:, None]).T @ sold + np.eye(sold.shape[1]) / METER_PRIOR**2
        gives = -np.linalg.solve(gram, (sold * weight[:, None]).T @ np.diff(moved[here])[still])
        busy = sold.sum(axis=0) > 1.0
        out[number, busy] = 100.0 * (1.0 / (1.0 + np.clip(gives[busy], -0.5, 0.5)) - 1.0)
    return out


def unit_features(sheet: UnitSheet) -> dict[str, Floats]:
    """Features of a unit's days that its tanks share, shape (n,) each; NaN where the data do not give them."""
    days, walked = sheet.days, sheet.walked
    nothing = np.full(len(days), np.nan)
    found = {
        "book_variance_l": np.where(book_is_known(sheet), days.variance_l, np.nan),
        "residual_l": np.where(book_is_known(sheet), sheet.unexplained_l, np.nan),
        "clock_lag_s": days.lag_s[1:],
        "totaliser_excess_l": _totaliser_excess_l(sheet) if sheet.has_totals else nothing,
    }
    if walked is None:
        return found
    rests = longest_rests(days, walked)
    loss = np.array([rest.loss_l_per_h if rest else np.nan for rest in rests])
    held = [np.clip(values, -4.0, 4.0) if len(values) >= FEWEST_DIPS else None for values in surprises(days, walked)]
    found |= {
        "idle_loss_l_per_h": loss,
        "idle_loss_sd_l_per_h": np.array([rest.sd_l_per_h if rest else np.nan for rest in rests]),
        "idle_excess_l_per_h": loss - explained_idle_l_per_h(days, walked),
        "drop_mismatch_l": _drop_mismatch_l(days, walked),
        "surprise_sum": np.array([v.sum() / np.sqrt(len(v)) if v is not None else np.nan for v in held]),
        "surprise_spread": np.array([v.std() if v is not None else np.nan for v in held]),
    }
    residuals = meter_residuals_pct(days, walked)
    return found | {f"meter_residual_pct:{name}": residuals[:, k] for k, name in enumerate(walked.dips.meters)}


def book_is_known(sheet: UnitSheet) -> NDArray[np.bool_]:
    """Whether the day's run had every ticket that is booked on the day, and the till's sales of it. Shape (n,)."""
    silent = [day for day, lag in sheet.seen.lags.items() if lag.is_silent]
    known = ~(np.isin(sheet.days.run_day[:-1], silent) | np.isin(sheet.days.run_day[1:], silent))
    for drop, day in zip(sheet.seen.drops, sheet.days.drop_day.tolist(), strict=True):
        if 0 <= day < len(known):
            run_day = int(sheet.days.run_day[day + 1])
            known[day] &= run_day > drop.day or (run_day == drop.day and bool(drop.tickets_then))
    return known


def explained_idle_l_per_h(days: UnitDays, walked: UnitWalk) -> Floats:
    """Loss at rest that each day's run could explain: breathing and a named leak. Shape (n,). [l/h]"""
    balance = walked.walk.balance
    base, breathing = len(balance.names), balance.names.index("breathing")
    pace = np.gradient(balance.leak_h[:, 0], balance.hours)
    out = np.zeros(len(days))
    for number, view in enumerate(day_views(days, walked)):
        if view is None:
            continue
        warm_c = balance.temp_c[max(int(days.last_dip[number + 1]), 0)]
        ratio = float(vapour_pressure_ratio(walked.seen.unit.product, float(warm_c)))
        out[number] = float(view.belief.mean[breathing]) * ratio
        for named in walked.walk.named:
            if named.hypothesis.cause == "tank_leak":
                places = [place for place, _ in named.pieces if place < base + len(view.pieces)]
                out[number] += float(view.belief.mean[places].sum()) * float(pace[max(days.last_dip[number + 1], 0)])
    return out


def _drop_mismatch_l(days: UnitDays, walked: UnitWalk) -> Floats:
    out = np.full(len(days), np.nan)
    for one in known_mismatches(days, walked):
        out[one.day] = np.nansum([out[one.day], one.litres_15])
    return out


def _totaliser_excess_l(sheet: UnitSheet) -> Floats:
    ends = np.array([one.known_s for one in sheet.seen.unbooked])
    litres = np.array([one.litres for one in sheet.seen.unbooked])
    day = sheet.days.days.index_of(ends)
    inside = (day >= 0) & (day < len(sheet.days))
    total = np.bincount(day[inside], litres[inside], minlength=len(sheet.days))
    return np.asarray(total, dtype=np.float64)


def member_features(sheet: UnitSheet, tank_id: str) -> dict[str, Floats]:
    """Features of one tank's own gauge, shape (n,) each; NaN where the data do not give them."""
    days = sheet.days
    place = sheet.seen.unit.members.index(tank_id)
    series = sheet.seen.unit.member_series[place]
    own = sheet.members[tank_id]
    found = {
        "water_change_mm": change_since_known(own.water_mm),
        "density_15_kg_m3": own.density_15_kg_m3,
        "density_change_kg_m3": change_since_known(own.density_15_kg_m3),
        "gap_hours": _gaps_h(days, series),
    }
    middle = 0.5 * (days.days.bounds_s[1:] + days.days.bounds_s[:-1])
    by_day = {one.day: one for one in sheet.seen.probe.get(tank_id, [])}
    probe = [by_day.get(int(at // DAY_S)) for at in middle]
    found["bad_share"] = np.array([one.bad_share if one else np.nan for one in probe])
    found["scatter_mm"] = np.array([one.scatter_mm if one else np.nan for one in probe])
    return found


def _gaps_h(days: UnitDays, series: GaugeSeries) -> Floats:
    """The longest silence of each day. [h]"""
    edges = np.searchsorted(series.ts_s, days.days.bounds_s)
    return np.array(
        [
            float(np.diff(np.concatenate([[start], series.ts_s[low:high], [end]])).max()) / 3600.0
            for (low, high), (start, end) in zip(pairwise(edges), pairwise(days.days.bounds_s), strict=True)
        ]
    )


def feature_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `features` but for z: tank_id, trading_day, name, value; the unit's own under each of its tanks."""
    shared = unit_features(sheet)
    frames = []
    for tank_id in sheet.seen.unit.members:
        values = shared | member_features(sheet, tank_id)
        values = {name: np.where(sheet.days.is_over, value, np.nan) for name, value in values.items()}
        count = len(sheet.days)
        frames.append(
            pl.DataFrame(
                {
                    "tank_id": pl.repeat(tank_id, count * len(values), eager=True),
                    "trading_day": list(sheet.days.days.dates) * len(values),
                    "name": np.repeat(list(values), count),
                    "value": np.concatenate(list(values.values())),
                }
            ).filter(pl.col("value").is_finite())
        )
    return pl.concat(frames)


def with_z(features: pl.DataFrame) -> pl.DataFrame:
    """The features with `z`: each value against the median and the quartiles of the tank's own days before it.

    Reads tank_id, trading_day, name, value. Null before `FEWEST_PAST` days; the past is the last `PAST_DAYS` days
    that have the feature. The spread is never below `FLOORS`, and a feature that has none there gets no z.
    """
    floor = pl.col("name").str.split(":").list.first().replace_strict(FLOORS, default=None, return_dtype=pl.Float64)
    past = pl.col("value").shift(1)
    key = ["tank_id", "name"]
    low, middle, high = (
        past.rolling_quantile(q, "linear", window_size=PAST_DAYS, min_samples=FEWEST_PAST).over(key)
        for q in (0.25, 0.5, 0.75)
    )
    # 1.349: the quartiles of a normal distribution lie so many standard deviations apart.
    spread = pl.max_horizontal((high - low) / 1.349, floor)
    z = pl.when(floor.is_not_null()).then((pl.col("value") - middle) / spread)
    return features.sort("tank_id", "name", "trading_day").with_columns(z=z)
