"""Local wall-clock times brought to UTC, through the hour that a clock change repeats and the one that it skips.

In the repeated hour the second pass is told from the first by the order of the rows: once a series' clock has gone
back, its times belong to the second pass. Where rows come ordered by local time no clock goes back; a time's second row
then belongs to the second pass. A time that the change skips does not exist; it becomes null, and the contract refuses
the row with its reason.
"""

from collections.abc import Sequence

import polars as pl


def to_utc(frame: pl.DataFrame, column: str, zone: str, series: Sequence[str]) -> pl.Series:
    """Instants in UTC of a column of naive local times.

    Parameters
    ----------
    frame : DataFrame
        Rows in the order in which they were written. Two that are alike may be two passes at a level that stood still.
    column : str
        Column of `Datetime('us')` without a zone.
    zone : str
        IANA name.
    series : sequence of str
        Columns that tell one clock's rows from another's, such as the tank.
    """
    local = pl.col(column)
    early = local.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null").dt.convert_time_zone("UTC")
    late = local.dt.replace_time_zone(zone, ambiguous="latest", non_existent="null").dt.convert_time_zone("UTC")
    both = frame.with_columns(_early=early, _late=late)
    if both.select((pl.col("_early").ne_missing(pl.col("_late"))).any()).item():
        both = _with_second_pass(both, column, series)
    else:
        both = both.with_columns(_utc=pl.col("_early"))
    return both["_utc"].alias(column)


def _with_second_pass(frame: pl.DataFrame, column: str, series: Sequence[str]) -> pl.DataFrame:
    numbered = frame.with_row_index("_at")
    folded = numbered.filter(pl.col("_early").ne_missing(pl.col("_late")))
    clock = [*series, pl.col(column).dt.date()]
    went_back = (pl.col(column) < pl.col(column).shift()).over(clock, order_by="_at").fill_null(False)
    shown = pl.col("_at").rank("ordinal").over([*series, column]) > 1
    since = went_back.cum_max().over(clock, order_by="_at")
    passes = folded.select("_at", _again=pl.when(went_back.any().over(clock)).then(since).otherwise(shown))
    again = numbered.join(passes, on="_at", how="left", maintain_order="left")
    return again.with_columns(_utc=pl.when(pl.col("_again")).then("_late").otherwise("_early")).drop("_at")
