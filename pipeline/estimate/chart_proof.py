"""What somebody measured of a tank or of its meters, as a chart's fit reads it beside the dips.

Dips show litres between levels. How many lie below the lowest level is known where somebody measured what was in the
tank: it was emptied and filled by a meter, or pumped out by one. A proving can says what a meter gives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ledger.fleet import Unit, litres_of
from pipeline.ledger.gauge import seconds

Floats = NDArray[np.float64]
Litres = Callable[[Floats], Floats]

NEAR_H: Final = 1.0
"""A stock that was measured goes with the dip nearest to it, within so many hours. [h]"""
METERED_SHARE: Final = 0.001
"""SD of litres that a reference meter counted, as a share of them. Common practice, no source."""
LEVEL_SD_MM: Final = 1.0
"""SD of the level that goes with them, which was read by another dip. Common practice, no source. [mm]"""
PROVED_SD: Final = 0.0003
"""SD of what a proving can says of a meter: a can is good to 0.02 to 0.05 %. Common practice, no source."""
METERED_H: Final = 6.0
"""A metered drop is the one nearest to its entry, within so many hours. [h]"""


@dataclass(frozen=True)
class Proof:
    """`stock_l` (n,) litres in the tank at `level_mm` with their SD `sd_l`, and `given` (m,) what meters truly give.

    `given` is the share beyond what a meter shows, over the coefficients at `columns` (m, q) of the data's others.
    """

    level_mm: Floats = field(default_factory=lambda: np.zeros(0))
    stock_l: Floats = field(default_factory=lambda: np.zeros(0))
    sd_l: Floats = field(default_factory=lambda: np.zeros(0))
    given: Floats = field(default_factory=lambda: np.zeros(0))
    columns: Floats = field(default_factory=lambda: np.zeros((0, 0)))


@dataclass(frozen=True)
class Dipped:
    """A tank's dips, (k,) each: when, the level, and the litres sold so far."""

    hours: Floats
    level_mm: Floats
    sold_l: Floats


def proof_of(unit: Unit, dips: Dipped, surface: Litres, names: tuple[str, ...]) -> Proof:
    """What is told of a single tank: stock by the dip nearest in time, meters by their error's coefficient then.

    What was sold between the two, steadily as from dip to dip, is taken off.

    Parameters
    ----------
    unit : Unit
    dips : Dipped
    surface : callable
        Litres a millimetre at a level. [l/mm]
    names : tuple of str
        The coefficients of what else moves the stock; `meters` is the error common to all.
    """
    rows = unit.events.filter(pl.col("kind") == "stock_measured")
    at_h = seconds(rows["ts"]) / 3600.0
    litres = np.array([litres_of(note)[0] for note in rows["note"]])
    nearest = np.array([int(np.argmin(np.abs(dips.hours - one))) for one in at_h], dtype=np.int64)
    near = np.abs(dips.hours[nearest] - at_h) <= NEAR_H
    meanwhile = dips.sold_l[nearest] - np.interp(at_h, dips.hours, dips.sold_l)
    level, litres = dips.level_mm[nearest[near]], (litres - meanwhile)[near]
    given, columns = _given(unit, names)
    return Proof(level, litres, np.hypot(METERED_SHARE * litres, LEVEL_SD_MM * surface(level)), given, columns)


def _given(unit: Unit, names: tuple[str, ...]) -> tuple[Floats, Floats]:
    """What each proving says, and which coefficients make it: the meter's own of that time and the common one."""
    given, columns = [], []
    for meter_id, told in unit.proved.items():
        own = [place for place, name in enumerate(names) if name in (f"meter:{meter_id}", f"calibrated:{meter_id}")]
        for at_s, share in told if own else ():
            since = sum(one < at_s for one in unit.calibrated_s.get(meter_id, ()))
            row = np.zeros(len(names))
            row[[own[min(since, len(own) - 1)], names.index("meters")]] = 1.0
            given.append(share)
            columns.append(row)
    return np.array(given), np.array(columns).reshape(-1, len(names))


def metered_l(events: pl.DataFrame, start_s: float, end_s: float) -> float | None:
    """Litres that a meter counted of the drop from `start_s` to `end_s`, None where nobody says so. [l]"""
    rows = events.filter(pl.col("kind") == "drop_metered")
    if rows.is_empty():
        return None
    at_s = seconds(rows["ts"])
    apart = np.abs(at_s - np.clip(at_s, start_s, end_s))
    nearest = int(np.argmin(apart))
    return litres_of(rows["note"][nearest])[0] if apart[nearest] <= 3600.0 * METERED_H else None
