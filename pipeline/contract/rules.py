"""Rules over several columns or rows. A rule's name is the reason that a row which breaks it is quarantined with."""

from bisect import bisect_right
from collections.abc import Sequence

import polars as pl


def ends_after_start() -> pl.Expr:
    """True where `ts_end` is not before `ts_start`; null where either is."""
    return pl.col("ts_end") >= pl.col("ts_start")


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
