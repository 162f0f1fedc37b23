"""A tank without a thermometer, or with one that died: what a temperature that nobody measures does to its balance.

Everything is then taken as if it were at 15 °C. Product that came warm shrinks as it takes on its soil's temperature,
and meters give litres out as they are: at 10 K that is a per cent of all that is sold, far more than a leak. So the
temperature's course is made of regressors, and what they can hold is no leak:

    temperature = soil, as far as the tank has taken it on + what is left of the warmth that each drop brought

Litres mix by their volumes, and what they bring is lost to the soil at a steady rate (Newton's law of cooling).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.courses import so_far
from pipeline.estimate.design import Balance, Delivered
from pipeline.estimate.regression import Prior
from pipeline.estimate.warmth import DAILY_NAMES, UNTOLD_DAILY_SD_K, daily_columns
from pipeline.ledger.fleet import Unit
from pipeline.ledger.gauge import REFERENCE_TEMP_C
from pipeline.physics.products import expansion_15_per_k

Floats = NDArray[np.float64]

EQUATOR_C = 27.0
"""Annual mean at the equator; it goes with the square of the latitude's cosine (the air's, from memory)."""
SOIL_SWING_K, AIR_SWING_K = 0.11, 0.2
"""By how much soil at two metres and the air swing to either side in a year, for a degree of latitude. From memory."""
SOIL_COLDEST_DAY, AIR_COLDEST_DAY = 60.0, 22.0
"""Days of the year on which they are coldest in the north: soil lags by some six weeks. From memory."""
PLACED_SD_K, UNPLACED_SD_K = (4.0, 4.0, 4.0), (8.0, 6.0, 6.0)
"""SD of how far soil, or product as it is loaded, is from that over the year, and of the cosine and sine of its turn;
and where nobody says at which latitude a site is. Common practice, no source."""
UNPLACED_C = 12.0
"""Usual temperature of a tank whose latitude is unknown. No source: most of them stand where winters are cold."""
TOLD_SD, PACE_SD = 0.1, 0.6
"""SD of what share of the warmth that a ticket tells arrives, about all of it, and of how much more of it goes at the
faster of `SOIL_H` than at the slower: 1 all, -1 none. No source."""
SOIL_H = (25.0, 90.0)
MIDDLE_H = 45.0
"""How fast a tank comes to its soil's temperature: one to four days, the fuller the slower (common practice)."""
FEIGNED_K = 1.5
"""How far the product's temperature goes from all these courses for weeks, SD. No source."""
YEAR_H = 8766.0
"""Hours of a Julian year."""
NAMES: tuple[str, ...] = (
    "thermometer:soil:mean",
    "thermometer:soil:cosine",
    "thermometer:soil:sine",
    "thermometer:told:all",
    "thermometer:told:pace",
    "thermometer:untold:mean",
    "thermometer:untold:cosine",
    "thermometer:untold:sine",
)
"""The regressors: soil and its seasons, the warmth that tickets tell, loading racks and their seasons."""
OPEN_NAMES = tuple(f"thermometer:untold:day:{name}" for name in DAILY_NAMES)
"""Those of a tank in the open besides: how it warms by day."""


def with_untold_temperature(balance: Balance, delivered: Delivered, unit: Unit, told: NDArray[np.bool_]) -> Balance:
    """The balance of a tank with what its temperature may do at the dips at which it was not `told`, shape (k,)."""
    if told.all():
        return balance
    per_k = expansion_15_per_k(unit.product)
    names, columns = NAMES, per_k * untold_columns(balance, delivered)
    season_sd = UNPLACED_SD_K if unit.latitude_deg is None else PLACED_SD_K
    soil = year_k(unit.latitude_deg, SOIL_SWING_K, SOIL_COLDEST_DAY)
    loaded = year_k(unit.latitude_deg, AIR_SWING_K, AIR_COLDEST_DAY)
    mean = np.array([*soil, 1.0, 0.0, *loaded])
    sd = np.array([*season_sd, TOLD_SD, PACE_SD, *season_sd])
    if not bool(unit.tanks["buried"].all()):
        daily = daily_columns(per_k * np.maximum(balance.stock_15_l, 0.0), balance.hours)
        names, columns = NAMES + OPEN_NAMES, np.column_stack([columns, daily])
        mean, sd = (
            np.append(mean, np.zeros(len(OPEN_NAMES))),
            np.append(sd, np.full(len(OPEN_NAMES), UNTOLD_DAILY_SD_K)),
        )
    return replace(
        balance,
        columns=np.column_stack([balance.columns, columns * ~told[:, None]]),
        names=balance.names + names,
        prior=Prior(np.concatenate([balance.prior.mean, mean]), np.concatenate([balance.prior.sd, sd])),
        feigned_share=FEIGNED_K * per_k,
        told=told,
    )


def year_k(latitude_deg: float | None, swing_k: float, coldest_day: float) -> tuple[float, float, float]:
    """How far a place is from 15 °C over the year, and the cosine and sine of its turn, the other way in the south. [K]

    `swing_k` to either side for a degree of latitude.
    """
    if latitude_deg is None:
        return UNPLACED_C - REFERENCE_TEMP_C, 0.0, 0.0
    mean_c = EQUATOR_C * float(np.cos(np.radians(latitude_deg))) ** 2
    turn = 2.0 * np.pi * 24.0 * coldest_day / YEAR_H
    swing = -swing_k * latitude_deg
    return mean_c - REFERENCE_TEMP_C, swing * float(np.cos(turn)), swing * float(np.sin(turn))


def untold_columns(balance: Balance, delivered: Delivered) -> Floats:
    """Litre-kelvins of the stock, and of what was sold of it, for a unit of each of `NAMES`. Shape (k, 8).

    Tickets without a temperature are taken as loaded; what they were warmer is taken off again.
    """
    hours, stock_l = balance.hours, np.maximum(balance.stock_15_l, 1.0)
    events = (delivered.litres_15, delivered.warm_lk, delivered.loaded_l)
    came_l, warm_lk, loaded_l = (np.diff(so_far(delivered.hours, one, hours), prepend=0.0) for one in events)
    new = np.minimum(came_l / stock_l, 1.0)
    turn = seasons(hours)
    untold = kept(loaded_l[:, None] / stock_l[:, None] * turn, new, hours, MIDDLE_H)
    soon, late = (kept(warm_lk[:, None] / stock_l[:, None], new, hours, lasts_h) for lasts_h in SOIL_H)
    soil = (1.0 - kept(new[:, None], new, hours, MIDDLE_H)) * turn
    warmer = np.column_stack([soil, 0.5 * (soon + late), 0.5 * (soon - late), untold])
    sold_l = balance.sold_15_l.sum(axis=1)
    drawn = np.cumsum(warmer * np.diff(sold_l, prepend=sold_l[:1])[:, None], axis=0)
    columns = warmer * stock_l[:, None] + drawn
    columns[:, -turn.shape[1] :] -= np.cumsum(loaded_l[:, None] * turn, axis=0)
    return np.asarray(columns)


def seasons(hours: Floats) -> Floats:
    """One, and the cosine and the sine of the year. Shape (k, 3)."""
    turn = 2.0 * np.pi * hours / YEAR_H
    return np.column_stack([np.ones_like(turn), np.cos(turn), np.sin(turn)])


def kept(brought: Floats, new: Floats, hours: Floats, lasts_h: float) -> Floats:
    """What a tank has left at each dip of what drops brought, mixed in by litres and lost over `lasts_h`. Shape (k, c).

    `brought` (k, c) adds to the tank at each dip, `new` (k,) is the share of its litres that have just come.
    """
    keep = np.exp(-np.diff(hours, prepend=hours[:1]) / lasts_h) * (1.0 - new)
    found = np.array(brought, dtype=np.float64)
    for place in range(1, len(found)):
        found[place] += keep[place] * found[place - 1]
    return found


def arrived_share(balance: Balance) -> Floats:
    """Share of the stock that has just come, at each dip after a drop; none elsewhere. Shape (k,)."""
    rose = np.diff(balance.stock_15_l, prepend=balance.stock_15_l[:1])
    share = np.clip(rose / np.maximum(balance.stock_15_l, 1.0), 0.0, 1.0)
    return np.where(balance.jump_var_l2 > 0.0, share, 0.0)
