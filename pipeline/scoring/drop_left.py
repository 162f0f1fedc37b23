"""What is left of a drop against its tickets once the tank's own chart, meters and losses are taken out.

By these drops carriers are compared: a chart that is wrong by a per cent makes every carrier of its tank look short.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.estimate.tickets import TICKET_SHARE_SD
from pipeline.estimate.unit_walk import UnitWalk
from pipeline.scoring.drop_rises import AROUND_DROP_S, DIPS_AROUND_DROP, DROP_SD_L
from pipeline.scoring.store_rows import drop_id, drop_rows
from pipeline.scoring.unit_sheet import UnitSheet

Floats = NDArray[np.float64]


_OF_BALANCE: Final = ("left_l", "chart_sd_l", "temperature_l", "chart_l", "meters_l")
_PARTS: Final = {
    "temperature": ("expansion", "basis:", "warmth:", "thermometer:"),
    "chart": ("chart", "shift", "apart"),
    "meters": ("meter:", "calibrated:"),
}
"""Beginnings of the names of the regressors that speak of each."""


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
        [
            (name, one.litres, one.chart_sd_l, one.temperature_l, one.chart_l, one.meters_l)
            for name, one in left.items()
            if one
        ],
        schema={"drop_id": pl.String, **dict.fromkeys(_OF_BALANCE, pl.Float64)},
        orient="row",
    )
    sd = (TICKET_SHARE_SD * pl.col("ticket_volume_l")).pow(2) + DROP_SD_L**2
    joined = drops.drop_nulls(["delivery_id", "ticket_volume_l"]).join(own, on="drop_id")
    told = joined.with_columns(sd.sqrt().alias("left_sd_l"))
    return told.select("tank_id", "drop_id", "delivery_id", "ticket_volume_l", "left_sd_l", *_OF_BALANCE)


@dataclass(frozen=True)
class Left:
    """Litres that came beyond the tickets, and the SD that the unit's drops share: that of its coefficients. [l]

    Beside them what temperature, the tank's chart and its meters make of the drop. All at the tank's temperature.
    """

    litres: float
    chart_sd_l: float
    temperature_l: float
    chart_l: float
    meters_l: float


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
    names = [name for name in balance.names if name != "tickets"]
    mean, cov = belief.mean[:base][own], belief.cov[:base, :base][np.ix_(own, own)]
    at_s = balance.hours * 3600.0
    edges = np.array([(known.drop.start_s, known.drop.end_s) for known in drops]).reshape(-1, 2)
    found: list[Left | None] = []
    for number in range(len(drops)):
        before, after = _dips_around(at_s, edges, number)
        if not len(before) or not len(after):
            found.append(None)
            continue
        columns = _jump(balance.columns, before, after)[own]
        jump = float(_jump(balance.y_l, before, after))
        vcf = float(balance.vcf[after[0]])
        shared = float(np.sqrt(max(columns @ cov @ columns, 0.0)))
        part = _parts(names, columns * mean / vcf)
        raw_l, curve_l = _raw_l(walked, number, before, after)
        found.append(
            Left(
                (jump - float(columns @ mean)) / vcf, shared / vcf,
                temperature_l=raw_l + curve_l - jump / vcf + part["temperature"],
                chart_l=part["chart"] - curve_l, meters_l=part["meters"],
            )
        )  # fmt: skip
    return found


def _jump(course: Floats, before: NDArray[np.int64], after: NDArray[np.int64]) -> Floats:
    """By how much a course is higher after a drop than before it."""
    return np.asarray(course[after].mean(axis=0) - course[before].mean(axis=0))


def _parts(names: list[str], litres: Floats) -> dict[str, float]:
    """Litres of regressors by what they speak of; vapour and a shell that yields to the fill are of none."""
    return {part: float(litres[[name.startswith(starts) for name in names]].sum()) for part, starts in _PARTS.items()}


def _raw_l(walked: UnitWalk, number: int, before: NDArray[np.int64], after: NDArray[np.int64]) -> tuple[float, float]:
    """Litres that came beyond the tickets as read and booked, and what the curve between chart rows adds. [l]"""
    dips, unit = walked.dips, walked.seen.unit
    ticketed = unit.tickets["ticket_volume_l"].to_numpy()[list(walked.seen.drops[number].drop.tickets)].sum()
    moved = float(_jump(dips.gauge_l + dips.sold_l.sum(axis=1), before, after))
    return moved - float(ticketed), float(_jump(unit.between_rows_l(dips.level_mm, dips.ts_s), before, after))


def _dips_around(at_s: Floats, edges: Floats, number: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The last settled dips before a drop and the first after it, none beyond the drops next to it."""
    start_s, end_s = edges[number]
    low = max(start_s - AROUND_DROP_S, edges[number - 1, 1] if number else -np.inf)
    high = min(end_s + AROUND_DROP_S, edges[number + 1, 0] if number + 1 < len(edges) else np.inf)
    before = np.flatnonzero((at_s > low) & (at_s < start_s))[-DIPS_AROUND_DROP:]
    after = np.flatnonzero((at_s > end_s) & (at_s < high))[:DIPS_AROUND_DROP]
    return before, after
