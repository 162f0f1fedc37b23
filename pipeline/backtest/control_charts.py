"""The two classic charts for small shifts that go on, over each tank's daily variance.

References
----------
.. [1] D. C. Montgomery, "Introduction to Statistical Quality Control", Wiley, chapter 9 (tabular CUSUM, EWMA).
.. [2] J. M. Lucas, M. S. Saccucci, "Exponentially weighted moving average control schemes", Technometrics 32 (1990)
   1-12, DOI 10.1080/00401706.1990.10484583.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

ALARMS: Final = {
    "tank_id": pl.String, "day": pl.Date, "cause": pl.String, "score": pl.Float64, "note": pl.String,
}  # fmt: skip
LOSING: Final = "losing"


def cusum(
    tables: Mapping[str, pl.DataFrame], *, threshold: float, allowance: float, baseline_days: float, sd_l: float
) -> pl.DataFrame:
    """Alarms of the two-sided tabular CUSUM of `variance_l`: `tank_id`, `day`, `cause`, `score`, `note`.

    Reads tank_days: tank_id, day, trading_day, variance_l. The score is the larger of the two sums, in standard
    deviations; both begin at nought again after an alarm. `note` says since when, by the sum's own count of days.
    """

    def chart(z: Floats) -> tuple[Whole, Floats, list[str]]:
        return tabular_cusum(z, threshold=threshold, allowance=allowance)

    return _charted(tables["tank_days"], chart, baseline_days=int(baseline_days), sd_l=sd_l)


def tabular_cusum(z: Floats, *, threshold: float, allowance: float) -> tuple[Whole, Floats, list[str]]:
    """Places, sums and words of each alarm in a series of standardised values, shape (n,)."""
    places, scores, notes = [], [], []
    up = down = 0.0
    up_since = down_since = 0
    for place, value in enumerate(z.tolist()):
        up, down = max(0.0, value - allowance + up), max(0.0, -value - allowance + down)
        up_since, down_since = (up_since + 1 if up else 0), (down_since + 1 if down else 0)
        if up > threshold or down > threshold:
            lost = down > up
            places.append(place)
            scores.append(down if lost else up)
            notes.append(f"{LOSING if lost else 'gaining'} for {down_since if lost else up_since} days")
            up = down = 0.0
            up_since = down_since = 0
    return np.array(places, dtype=np.int64), np.array(scores, dtype=np.float64), notes


def ewma(
    tables: Mapping[str, pl.DataFrame], *, threshold: float, weight: float, baseline_days: float, sd_l: float
) -> pl.DataFrame:
    """Alarms of the exponentially weighted moving average of `variance_l`: `tank_id`, `day`, `cause`, `score`, `note`.

    Reads tank_days: tank_id, day, trading_day, variance_l. The score is the average in standard deviations of its long
    run, σ √(weight / (2 − weight)); it is not begun anew after an alarm.
    """

    def chart(z: Floats) -> tuple[Whole, Floats, list[str]]:
        average = np.asarray(lfilter([weight], [1.0, weight - 1.0], z))
        score = average / np.sqrt(weight / (2.0 - weight))
        places = np.flatnonzero(np.abs(score) > threshold)
        return places, np.abs(score[places]), [LOSING if score[place] < 0 else "gaining" for place in places]

    return _charted(tables["tank_days"], chart, baseline_days=int(baseline_days), sd_l=sd_l)


def _charted(
    tank_days: pl.DataFrame,
    chart: Callable[[Floats], tuple[Whole, Floats, list[str]]],
    *,
    baseline_days: int,
    sd_l: float,
) -> pl.DataFrame:
    known = tank_days.filter(pl.col("variance_l").is_finite()).sort("tank_id", "trading_day")
    found = []
    for (tank_id,), rows in known.group_by("tank_id", maintain_order=True):
        variance = rows["variance_l"].to_numpy()
        first = 0 if sd_l > 0.0 else baseline_days
        if len(variance) <= first:
            continue
        mean, spread = (0.0, sd_l) if sd_l > 0.0 else _usual(variance[:first])
        places, scores, notes = chart((variance[first:] - mean) / spread)
        days = rows["day"].gather(places + first)
        found.append(
            pl.DataFrame(
                {
                    "tank_id": [str(tank_id)] * len(places),
                    "day": days,
                    # A gain is no leak; of what else it may be the chart cannot say.
                    "cause": ["tank_leak" if note.startswith(LOSING) else "unexplained" for note in notes],
                    "score": scores,
                    "note": notes,
                },
                schema=ALARMS,
            )
        )
    return pl.concat(found) if found else pl.DataFrame(schema=ALARMS)


def _usual(variance: Floats) -> tuple[float, float]:
    """Median and robust spread of a tank's first days; a litre at the least."""
    middle = float(np.median(variance))
    return middle, max(1.4826 * float(np.median(np.abs(variance - middle))), 1.0)
