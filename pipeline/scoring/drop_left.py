"""What is left of a drop against its tickets once the tank's own chart, meters and losses are taken out.

By these drops carriers are compared: a chart that is wrong by a per cent makes every carrier of its tank look short.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimate.design import TICKET_SHARE_SD
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.scoring.drop_rises import AROUND_DROP_S, DIPS_AROUND_DROP, DROP_SD_L
from pipeline.scoring.store_rows import drop_id, drop_rows
from pipeline.scoring.unit_sheet import UnitSheet

Floats = NDArray[np.float64]


_TICKET_FIGURES: Final = ("ticket_volume_l", "left_l", "left_sd_l", "chart_sd_l")


def drop_left_rows(sheet: UnitSheet) -> pl.DataFrame:
    """Rows of `drop_left`: the unit's drops that have tickets and settled dips on either side."""
    if sheet.walked is None:
        return pl.DataFrame()
    drops = drop_rows(sheet)
    if not drops.height:
        return drops
    left = {
        drop_id(sheet, known): one for known, one in zip(sheet.seen.drops, left_of_drops(sheet.walked), strict=True)
    }
    own = pl.DataFrame(
        [(name, one.litres, one.chart_sd_l) for name, one in left.items() if one],
        schema={"drop_id": pl.String, "left_l": pl.Float64, "chart_sd_l": pl.Float64},
        orient="row",
    )
    sd = (TICKET_SHARE_SD * pl.col("ticket_volume_l")).pow(2) + DROP_SD_L**2
    joined = drops.drop_nulls(["delivery_id", "ticket_volume_l"]).join(own, on="drop_id")
    told = joined.with_columns(sd.sqrt().alias("left_sd_l"))
    return told.select("tank_id", "drop_id", "delivery_id", *_TICKET_FIGURES)


@dataclass(frozen=True)
class Left:
    """Litres that came beyond the tickets, and the SD that the unit's drops share: that of its coefficients. [l]"""

    litres: float
    chart_sd_l: float


def left_of_drops(walked: UnitWalk) -> list[Left | None]:
    """One for each of the unit's drops, in their order; None where no settled dip lies on either side.

    The jump over the drop of the book-corrected stock, in which tickets are taken off and sales added back, less what
    every regressor but that of the tickets makes of it by the last day's belief.
    """
    balance = walked.walk.balance
    drops = walked.seen.drops
    if not walked.walk.views:
        return [None] * len(drops)
    belief, base = walked.walk.views[-1].belief, len(balance.names)
    own = np.array([name != "tickets" for name in balance.names])
    mean, cov = belief.mean[:base][own], belief.cov[:base, :base][np.ix_(own, own)]
    at_s = balance.hours * 3600.0
    edges = np.array([(known.drop.start_s, known.drop.end_s) for known in drops]).reshape(-1, 2)
    found: list[Left | None] = []
    for number in range(len(drops)):
        before, after = _dips_around(at_s, edges, number)
        if not len(before) or not len(after):
            found.append(None)
            continue
        columns = (balance.columns[after].mean(axis=0) - balance.columns[before].mean(axis=0))[own]
        jump = float(balance.y_l[after].mean() - balance.y_l[before].mean())
        vcf = float(balance.vcf[after[0]])
        shared = float(np.sqrt(max(columns @ cov @ columns, 0.0)))
        found.append(Left((jump - float(columns @ mean)) / vcf, shared / vcf))
    return found


def _dips_around(at_s: Floats, edges: Floats, number: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The last settled dips before a drop and the first after it, none beyond the drops next to it."""
    start_s, end_s = edges[number]
    low = max(start_s - AROUND_DROP_S, edges[number - 1, 1] if number else -np.inf)
    high = min(end_s + AROUND_DROP_S, edges[number + 1, 0] if number + 1 < len(edges) else np.inf)
    before = np.flatnonzero((at_s > low) & (at_s < start_s))[-DIPS_AROUND_DROP:]
    after = np.flatnonzero((at_s > end_s) & (at_s < high))[:DIPS_AROUND_DROP]
    return before, after
