"""Tickets brought to 15 °C: by the temperature they tell, or by what their drop did to the tank's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.ledger.drops import Drop
from pipeline.ledger.fleet import Unit
from pipeline.ledger.gauge import REFERENCE_TEMP_C, seconds
from pipeline.physics.products import expansion_15_per_k, held_in_range, product_vcf
from pipeline.physics.ranks import median

Floats = NDArray[np.float64]

TICKET_SHARE_SD = 0.0015
TICKET_SD_L = 8.0
"""What a ticket is off by from drop to drop: the loading meter, and what stays in hoses. Common practice, no source:
0.05 to 0.3 %, 5 to 20 l of which most is the same each time."""
MIXED_C, UNTOLD_C = 0.5, 3.0
"""SD of a ticket's temperature that is told from what its drop did to the tank's, at the least, and of one that nothing
tells. Common practice, no source."""
LAYER_SHARE = 0.08
"""Share of a drop's temperature step by which the probe may misjudge the bulk just after. No source."""
USUAL_READINGS = 2000
"""By so many of the tank's temperatures before it a ticket that nothing tells of is brought to 15 °C."""
BEFORE_S = 3600.0
AFTER_S = (1500.0, 2700.0)
"""The tank's temperature before a drop is that of the hour before it; after it, that of these seconds after its end:
when the level has settled, and before the drop counts as seen."""
LONGEST_S = 3 * 3600.0
"""Over a longer drop, with a silence in it, the tank's own cooling is mixed in."""


@dataclass(frozen=True)
class Mixing:
    """A tank's bulk temperature before and after a drop [°C], and its litres before it."""

    before_c: float
    after_c: float
    stock_l: float

    def came_at_c(self, ticket_l: float) -> float:
        """Temperature at which so many litres came, by the heat that they brought. [°C]"""
        return float(self.after_c + (self.after_c - self.before_c) * self.stock_l / ticket_l)

    def sd_c(self, ticket_l: float) -> float:
        """SD of that temperature: a probe sees a tank that has just been filled by some of its layers alone. [°C]"""
        layers = LAYER_SHARE * abs(self.after_c - self.before_c) * (1.0 + self.stock_l / ticket_l)
        return float(np.hypot(MIXED_C, layers))


def mixing_of(unit: Unit, drop: Drop) -> Mixing | None:
    """What the tank's thermometer tells of a drop, by the readings that the run which first sees it has; or None."""
    ts, temp = unit.series.ts_s, unit.series.temp_c
    early = slice(*np.searchsorted(ts, [drop.start_s - BEFORE_S, drop.start_s]))
    late = slice(*np.searchsorted(ts, [drop.end_s + AFTER_S[0], drop.end_s + AFTER_S[1]]))
    if drop.end_s - drop.start_s > LONGEST_S:
        return None
    if not (np.isfinite(temp[early]).any() and np.isfinite(temp[late]).any()):
        return None
    stock = float(np.median(unit.series.gauge_l[early]))
    return Mixing(float(np.nanmedian(temp[early])), float(np.nanmedian(temp[late])), stock)


def tickets_15_l(unit: Unit, tickets: tuple[int, ...], mixing: Mixing | None) -> tuple[Floats, float]:
    """Litres at 15 °C of each of a drop's tickets, shape (n,), and the SD of their sum [l].

    Where neither ticket nor tank tells a temperature, as ticketed. What a thermometer says wrongly after a drop is
    wrong of the stock and of the ticket alike, and cancels in their difference; the SD does not count on it.
    """
    rows = unit.tickets[list(tickets)]
    volume = rows["ticket_volume_l"].to_numpy()
    temp = rows["ticket_temp_c"].cast(float).to_numpy().astype(np.float64)
    told = np.isfinite(temp)
    per_k = expansion_15_per_k(unit.product)
    whole = float(np.sqrt(len(volume)) * TICKET_SD_L)
    known_s, known_c = unit.series.told_temp
    before = int(np.searchsorted(known_s, seconds(rows["ts_ticket"]).min(initial=np.inf)))
    measured = known_c[max(before - USUAL_READINGS, 0) : max(before, 1)]
    usual, doubt = median(measured) if len(measured) else REFERENCE_TEMP_C, UNTOLD_C
    if mixing is not None and volume.sum() > 0:
        usual, doubt = mixing.came_at_c(float(volume.sum())), min(mixing.sd_c(float(volume.sum())), UNTOLD_C)
    factor = np.asarray(product_vcf(unit.product, held_in_range(np.where(told, temp, usual))))
    share = np.where(told, 0.0, doubt * per_k)
    # What a thermometer tells wrongly of one ticket it tells of all; what meters and hoses do is each ticket's own.
    own = np.sqrt(((TICKET_SHARE_SD * volume) ** 2).sum())
    return volume * factor, float(np.hypot(np.hypot(own, (share * volume).sum()), whole))
