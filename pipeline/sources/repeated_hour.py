"""Which pass of the hour that a clock change repeats a row belongs to, judged by the orders that rows were written in.

An order (the file's, that of sale numbers, that of a totaliser) is believed where its rows' times rise outside that
hour. Inside, some first of its rows belong to the first pass and the rest to the second: of all the ways to part them,
those count that let the clock go back no further than it does elsewhere. A row that falls on one side in all of them is
told; one that does not stays open. Nothing is guessed.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]

AROUND: Final = timedelta(hours=3)
"""Rows so near the repeated hour show whether an order is one of time."""

DISORDER_S: Final = 1200.0
"""An order in which the clock goes back by more, outside the repeated hour, is none of time. No source."""

BACK_S: Final = 600.0
"""A clock that goes back by less has not been set back: tills write some sales so much later than others. No source."""

TWICE_S: Final = 3600.0
"""What it counts that one gauge speaks twice at one instant."""


@dataclass(frozen=True, slots=True)
class Order:
    """An order in which rows may have been written: by `along`, among rows that are alike in `within`."""

    within: pl.Expr
    along: pl.Expr
    is_one_clock: bool = True
    """Whether rows alike in `within` are of one gauge or meter; else rows around the hour must bear the order out."""


def settled(frame: pl.DataFrame, order: Order, series: pl.Expr, *, is_keyed: bool) -> pl.DataFrame:
    """Return the frame with `_early` and `_late` made equal where an order tells a row's pass.

    Parameters
    ----------
    frame : DataFrame
        `_early` and `_late`, the row's instant were it of the first or of the second pass, equal where it is known;
        `_at`, the row's number.
    order : Order
    series : Expr
        Names the gauge or meter of a row.
    is_keyed : bool
        Whether a gauge or meter says one thing an instant.
    """
    for near in _around_changes(frame):
        told = _told(near, order, series, is_keyed)
        frame = (
            frame.join(told, on="_at", how="left", maintain_order="left")
            .with_columns(
                _early=pl.when(pl.col("_again")).then("_late").otherwise("_early"),
                _late=pl.when(~pl.col("_again")).then("_early").otherwise("_late"),
            )
            .drop("_again")
        )
    return frame


def disorder_s(frame: pl.DataFrame, order: Order) -> float:
    """The furthest that the clock goes back along an order, over rows near the hour whose instant is known. [s]"""
    groups = [group for near in _around_changes(frame) for group in _groups(near, order)]
    return max((_back_s(_seconds(group, "_early"), _seconds(group, "_late")) for group in groups), default=0.0)


def _around_changes(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Rows near each repeated hour in which some row's pass is open."""
    is_open = pl.col("_early") != pl.col("_late")
    dates = frame.filter(is_open)["_early"].dt.truncate("12h").unique().sort()
    for half_day in dates:
        opened = frame.filter(is_open & (pl.col("_early").dt.truncate("12h") == half_day))
        first, last = opened["_early"].min(), opened["_late"].max()
        assert first is not None and last is not None
        yield frame.filter(pl.col("_early").is_between(first - AROUND, last + AROUND))  # type: ignore[operator]


def _groups(near: pl.DataFrame, order: Order) -> Iterator[pl.DataFrame]:
    keyed = near.with_columns(_within=order.within, _along=order.along).drop_nulls(["_within", "_along"])
    for group in keyed.sort("_along", "_at").partition_by("_within"):
        if (group["_early"] != group["_late"]).any():
            yield group


def _seconds(group: pl.DataFrame, column: str) -> Floats:
    return np.asarray(group[column].dt.epoch("us").to_numpy() / 1e6, dtype=np.float64)


def _back_s(early: Floats, late: Floats) -> float:
    known = early[early == late]
    return float(np.maximum(known[:-1] - known[1:], 0.0).max(initial=0.0))


def _told(near: pl.DataFrame, order: Order, series: pl.Expr, is_keyed: bool) -> pl.DataFrame:
    """Rows `_at` whose pass an order tells, and whether it is the second, `_again`."""
    found = [pl.DataFrame(schema={"_at": near.schema["_at"], "_again": pl.Boolean})]
    for group in _groups(near, order):
        early, late = _seconds(group, "_early"), _seconds(group, "_late")
        whose = group.select(series.alias("_series"))["_series"]
        alike = (whose[1:] == whose[:-1]).to_numpy() if is_keyed else np.zeros(max(len(early) - 1, 0), dtype=bool)
        again = _passes(early, late, alike, needs_context=not order.is_one_clock)
        if again is not None:
            found.append(group.select("_at").with_columns(_again=again).drop_nulls())
    return pl.concat(found)


def _passes(early: Floats, late: Floats, alike: NDArray[np.bool_], *, needs_context: bool) -> pl.Series | None:
    """True for the second pass, False for the first, null where it stays open; None where the order is none of time.

    `early` and `late` shape (n,) in the order of writing; `alike` shape (n - 1,): of one gauge as the row before.
    """
    wobble_s = _back_s(early, late)
    known = np.flatnonzero(early == late)
    opened = np.flatnonzero(early != late)
    has_context = len(known) and known[0] < opened[0] and known[-1] > opened[-1]
    if wobble_s > DISORDER_S or (needs_context and not has_context):
        return None

    is_twice = alike & ((early != late)[1:] | (early != late)[:-1])

    def cost(before: Floats, after: Floats) -> Floats:
        return np.asarray(np.maximum(before - after, 0.0) + TWICE_S * (is_twice & (before == after)), dtype=np.float64)

    # What it costs to part the rows before place p, p = 0..n: those before it first pass, the others second.
    first = np.concatenate([[0.0, 0.0], np.cumsum(cost(early[:-1], early[1:]))])
    second = np.concatenate([np.cumsum(cost(late[:-1], late[1:])[::-1])[::-1], [0.0, 0.0]])
    across = np.concatenate([[0.0], cost(early[:-1], late[1:]), [0.0]])
    total = first[: len(early) + 1] + across + second[: len(early) + 1]
    if total.min() > DISORDER_S:
        return None
    allowed = np.flatnonzero(total <= total.min() + max(BACK_S, wobble_s))
    place = np.arange(len(early))
    told = np.where(place < allowed[0], 0, np.where(place >= allowed[-1], 1, -1))
    told[early == late] = -1
    return pl.Series("_again", [None if one < 0 else bool(one) for one in told], dtype=pl.Boolean)
