"""Rules over several columns or rows. A rule's name is the reason that a row which breaks it is quarantined with."""

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
    """True on every row of a chart whose volume nowhere falls as the level rises.

    A chart is the rows with one `tank_id` and `valid_from`; one falling step refuses all of it. Equal neighbours pass:
    charts in whole litres have them at the bottom and at the top.
    """
    chart = ["tank_id", "valid_from"]
    falls = pl.col("volume_l").diff().over(chart, order_by="level_mm") < 0
    return ~falls.fill_null(False).any().over(chart)


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
