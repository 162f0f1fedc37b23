"""Rules over several columns or rows. A rule's name is the reason that a row which breaks it is quarantined with."""

from bisect import bisect_right
from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contract.vocabulary import LITRES_TOLD

Floats = NDArray[np.float64]

LITRES: Final = r"(\d+(?:\.\d+)?)\s*l\b"
"""A figure of litres in somebody's note."""

_FEWEST_ROWS: Final = 7
_SLIP_OF_STEP: Final = 0.25
_SLIP_OF_CHART: Final = 0.001
_MOST_SLIPS: Final = 0.25
_ROUGH: Final = 6.0


def ends_after_start() -> pl.Expr:
    """True where `ts_end` is not before `ts_start`; null where either is."""
    return pl.col("ts_end") >= pl.col("ts_start")


def drawn_once() -> pl.Expr:
    """True where no sale of a lesser identifier has the same meter, start, end and litres: a meter draws one at a time.

    Sales that have no duration pass: a till that stamps them by the minute may write two alike.
    """
    is_first = pl.col("sale_id") == pl.col("sale_id").min().over(["meter_id", "ts_start", "ts_end", "volume_l"])
    return is_first | (pl.col("ts_end") <= pl.col("ts_start"))


def valid_to_after_valid_from() -> pl.Expr:
    """True where `valid_to` is after `valid_from`; null where either is."""
    return pl.col("valid_to") > pl.col("valid_from")


def cap_depth_given() -> pl.Expr:
    """True where an end of the shape `spherical_cap` says how deep it is."""
    return (pl.col("end_shape") != "spherical_cap") | pl.col("end_depth_mm").is_not_null()


def chart_rises() -> pl.Expr:
    """True on the rows of a chart that rise with the level: as many as can stand together.

    A chart is the rows with one `tank_id` and `valid_from`. Rows that fall behind the others are refused one by one;
    where fewer than two or no more than half are left (common practice, no source), or all that are left hold the same
    litres, there is no chart and all are refused. Equal neighbours pass: charts in whole litres have them at the
    bottom and at the top.
    """
    rising = pl.col("volume_l").map_batches(_rising, return_dtype=pl.Boolean)
    return rising.over(["tank_id", "valid_from"], order_by="level_mm")


def _rising(volume_l: pl.Series) -> pl.Series:
    """Which rows, ordered by level, make a chart: the longest run of them that never falls."""
    litres = volume_l.to_list()
    best = range(len(litres)) if volume_l.is_sorted() else longest_rise(litres)
    if len(best) < 2 or 2 * len(best) <= len(litres) or litres[best[0]] == litres[best[-1]]:
        best = []
    kept = [False] * len(litres)
    for place in best:
        kept[place] = True
    return pl.Series(volume_l.name, kept, dtype=pl.Boolean)


def longest_rise(values: Sequence[float]) -> list[int]:
    """Places of the longest subsequence that never falls; of several, one that ends lowest.

    References
    ----------
    .. [1] M. L. Fredman, "On computing the length of longest increasing subsequences", Discrete Mathematics 11 (1975)
       29-35, DOI 10.1016/0012-365X(75)90103-X.
    """
    lowest: list[float] = []
    ends: list[int] = []
    before: list[int] = []
    for place, value in enumerate(values):
        length = bisect_right(lowest, value)
        before.append(ends[length - 1] if length else -1)
        lowest[length : length + 1] = [value]
        ends[length : length + 1] = [place]
    found: list[int] = []
    place = ends[-1] if ends else -1
    while place >= 0:
        found.append(place)
        place = before[place]
    return found[::-1]


def chart_smooth() -> pl.Expr:
    """True on the rows of a chart that the rows around them bear out.

    A row is refused that lies off the line through the two rows below, off that through the two above and off that
    between its neighbours, by all three to the same side and by more than a quarter of a step, a thousandth of the
    chart's litres, and six times what three quarters of its rows are off by (common practice, no source). A jump that
    stays, or a dent of several rows, is no slip of one row. Where more than a quarter would be refused the chart is of
    another kind, and all stand.
    """
    smooth = pl.struct("level_mm", "volume_l").map_batches(_smooth, return_dtype=pl.Boolean)
    return smooth.over(["tank_id", "valid_from"], order_by="level_mm")


def _smooth(rows: pl.Series) -> pl.Series:
    """Which rows, ordered by level, are kept: the one furthest off goes first, and the others are asked anew."""
    level, litres = (rows.struct.field(name).to_numpy() for name in ("level_mm", "volume_l"))
    left = np.arange(len(level))
    while len(left) >= _FEWEST_ROWS:
        beyond = _beyond(level[left], litres[left])
        if beyond.max() <= 1.0:
            break
        left = np.delete(left, 2 + int(np.argmax(beyond)))
    kept = np.ones(len(level), dtype=bool)
    if len(left) >= (1.0 - _MOST_SLIPS) * len(level):
        kept[:] = False
        kept[left] = True
    return pl.Series(rows.name, kept)


def _beyond(level: Floats, litres: Floats) -> Floats:
    """How far each row but two at each end is off what the rows around it say, as a share of what is borne."""
    slope = np.diff(litres) / np.diff(level)
    at, here = level[2:-2], litres[2:-2]
    below = here - (litres[1:-3] + slope[:-3] * (at - level[1:-3]))
    above = here - (litres[3:-1] + slope[3:] * (at - level[3:-1]))
    share = (at - level[1:-3]) / (level[3:-1] - level[1:-3])
    between = here - (litres[1:-3] + share * (litres[3:-1] - litres[1:-3]))
    all_three = np.stack([below, above, between])
    is_alike = np.abs(np.sign(all_three).sum(axis=0)) == len(all_three)
    off = np.where(is_alike, np.abs(all_three).min(axis=0), 0.0)
    step = (litres[3:-1] - litres[1:-3]) / 2.0
    usual = _ROUGH * float(np.quantile(off, 1.0 - _MOST_SLIPS))
    return np.asarray(off / np.maximum(_SLIP_OF_STEP * step, max(_SLIP_OF_CHART * litres[-1], usual, 1e-9)))


def litres_in_note() -> pl.Expr:
    """True where an entry that tells litres has as many figures of them in its note as its kind asks for."""
    asked = pl.col("kind").replace_strict(LITRES_TOLD, default=0, return_dtype=pl.Int64)
    return pl.col("note").str.count_matches(LITRES).fill_null(0) >= asked


def interval_holds(low: str, point: str, high: str) -> pl.Expr:
    """True where low ≤ point ≤ high; null where any of them is."""
    return (pl.col(low) <= pl.col(point)) & (pl.col(point) <= pl.col(high))


def litres_only_where_meant(causes_without: tuple[str, ...]) -> pl.Expr:
    """True where a cause that has no litres gives none."""
    return ~pl.col("cause").is_in(causes_without) | pl.col("litres").is_null()


def raised_after_start() -> pl.Expr:
    """True where the UTC date of `ts_start` is not after `raised_on`."""
    return pl.col("ts_start").dt.date() <= pl.col("raised_on")


def first_of_month() -> pl.Expr:
    """True where `month` is the first day of one."""
    return pl.col("month").dt.day() == 1
