"""A tank as the calibration's benchmark judged it, and how its weeks close by each chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from scipy.special import ndtr

from pipeline.simulate.chart import TrueShape
from pipeline.simulate.model import Tank

FAR_OFF_PCT = 1.0
"""A chart is far off that is off by more of the tank between two levels seen: such a one's weeks are looked at."""
CLOSES_PCT = 0.1
"""A week closes where the chart leaves no more of the throughput in its variance."""

Row = dict[str, Any]


@dataclass(frozen=True)
class Truth:
    """A tank as it is, its true shape, and what is wrong with its chart."""

    tank: Tank
    shape: TrueShape
    kind: str

    def litres(self, level_mm: np.ndarray) -> np.ndarray:
        """Litres that the tank truly holds where its gauge says so much."""
        return self.shape.volume_at(level_mm - self.tank.gauge.offset_mm)


@dataclass(frozen=True)
class Judged:
    """One tank's chart held against the truth; errors of the chart in % of the capacity, over the levels seen.

    `row` of the command's `charts`, `figures` by name; `weeks_before` and `weeks_after` what the site's and the
    corrected chart leave in each week's variance, in % of a week's throughput; `weeks_noise` the SD of what the gauge's
    noise at the week's two ends puts there.
    """

    kind: str
    row: Row
    figures: dict[str, Row]
    before: np.ndarray
    after: np.ndarray
    covered: np.ndarray
    true: dict[str, float]
    weeks_before: np.ndarray
    weeks_after: np.ndarray
    weeks_noise: np.ndarray

    @property
    def half_width(self) -> float:
        """Half of the stock's interval, in % of the capacity."""
        stock = self.figures["stock_l"]
        return self.row["_part"] * (stock["high"] - stock["low"]) / 2.0


def share(flags: Sequence[bool] | np.ndarray) -> str:
    """A share in per cent with its count."""
    return f"{100.0 * np.mean(flags):5.1f} % of {len(flags)}" if len(flags) else "    - of 0"


def ends_sd_l(one: Truth, level_mm: np.ndarray) -> np.ndarray:
    """SD of each week's variance by what one reading at either end is off, the chart being perfect. [l]"""
    gauge = one.tank.gauge
    noise_mm = np.sqrt(gauge.white_mm**2 + gauge.coloured_mm**2 + gauge.resolution_mm**2 / 12.0)
    noise_l = noise_mm * (one.litres(level_mm + 1.0) - one.litres(level_mm - 1.0)) / 2.0
    return np.hypot(noise_l[1:], noise_l[:-1])


def weeks_mm(readings: pl.DataFrame) -> np.ndarray:
    """The level at the first reading of each seventh day."""
    good = readings.filter(pl.col("quality") == "good").drop_nulls("level_mm").sort("ts")
    week = (pl.col("ts") - pl.col("ts").min()).dt.total_days() // 7
    return good.group_by(week, maintain_order=True).agg(pl.col("level_mm").first())["level_mm"].to_numpy()


def far_off(tanks: Sequence[Judged]) -> list[Judged]:
    """Those whose site's chart is far off."""
    return [tank for tank in tanks if np.ptp(tank.before) > FAR_OFF_PCT]


def sold_l(tanks: Sequence[Judged]) -> np.ndarray:
    """A week's throughput, for each week of each tank. [l]"""
    return np.concatenate([np.full(len(tank.weeks_after), tank.row["sold_l"] * 7.0 / 30.4375) for tank in tanks])


def closing(tanks: Sequence[Judged]) -> None:
    """Print what the charts that are far off leave in their weeks' variance, before and after."""
    far = far_off(tanks)
    print(f"  charts off by more than {FAR_OFF_PCT:g} % of the tank: {len(far)}")
    if not far:
        return
    for words, weeks in (
        ("by the site's chart", [tank.weeks_before for tank in far]),
        ("by the corrected chart", [tank.weeks_after for tank in far]),
    ):
        each, root = np.abs(np.concatenate(weeks)), [float(np.sqrt(np.mean(one**2))) for one in weeks]
        print(
            f"    {words}: weeks within {CLOSES_PCT} % of throughput {share(each <= CLOSES_PCT)}, median "
            f"{np.median(each):.3f} %, 95 of 100 within {np.quantile(each, 0.95):.3f} %; tanks whose weeks' root mean "
            f"square is within {share([one <= CLOSES_PCT for one in root])}"
        )
    _reach(far)
    _left_open(far)


def _reach(tanks: Sequence[Judged]) -> None:
    """Print what a perfect chart would close, by the gauges' own noise."""
    noise = np.concatenate([tank.weeks_noise for tank in tanks])
    within = ndtr(CLOSES_PCT / noise) - ndtr(-CLOSES_PCT / noise)
    print(
        f"    by a perfect chart, each week's ends read once by these gauges: {100.0 * np.mean(within):.1f} % of the "
        f"weeks; the two readings' noise is {np.median(noise):.3f} % of throughput (median SD)"
    )


def _left_open(tanks: Sequence[Judged]) -> None:
    """Print by how many litres the weeks are off that the corrected chart does not close."""
    off, may_l = np.abs(np.concatenate([tank.weeks_after for tank in tanks])), CLOSES_PCT / 100.0 * sold_l(tanks)
    pairs = zip(off[off > CLOSES_PCT] / CLOSES_PCT, may_l[off > CLOSES_PCT], strict=True)
    said = ", ".join(f"{times * most:.1f} of {most:.1f}" for times, most in pairs)
    print(f"    left in the weeks that the corrected chart does not close, of what may be, in litres: {said or 'none'}")
