"""A fleet of any size, of the results of a smaller one: its tables again and again, under other names."""

from collections.abc import Mapping

import polars as pl

NAMED = (
    "site_id", "tank_id", "meter_id", "delivery_id", "drop_id", "case_id", "event_id", "manifold_id", "ticket_id",
)  # fmt: skip
"""Columns of names, each of which is another in each copy."""


def many_tanks(frames: Mapping[str, pl.DataFrame], tanks: int) -> dict[str, pl.DataFrame]:
    """The frames with so many tanks, or a few more; what names nothing stays as it is."""
    copies = -(-tanks // frames["tanks"].height)
    many = {name: pl.concat([_copy(name, frame, k) for k in range(copies)]) for name, frame in frames.items()}
    return {name: frames[name] if not {*NAMED} & {*frame.columns} else frame for name, frame in many.items()}


def _copy(name: str, frame: pl.DataFrame, number: int) -> pl.DataFrame:
    if number == 0:
        return frame
    renamed = [*(c for c in NAMED if c in frame.columns), *(["name"] if name == "sites" else [])]
    return frame.with_columns(
        pl.col(c).cast(pl.String) + f" {number + 1}" if c == "name" else pl.col(c) + f"-{number + 1}" for c in renamed
    )
