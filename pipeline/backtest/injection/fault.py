"""What is put in, where, from when and how large; and what it came to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.errors import ArgumentError

Floats = NDArray[np.float64]

HOUR_S: Final = 3600.0
DAY_S: Final = 86_400.0
"""Seconds in an hour and in a day."""


class CannotHoldError(ArgumentError):
    """A tank's history cannot hold a fault: there is no such drop, meter or neighbour, or not enough product."""


@dataclass(frozen=True, slots=True)
class Injection:
    """One fault to put in.

    `start_s` and `end_s` are seconds since 1970, `end_s` None while it lasts; faults of a drop fall on the first
    fitting one after `start_s`. `size` is in the unit of `sizes.SIZE_OF` and positive, but for causes that may go
    either way (`meter_drift`, `chart_error`, `wrong_product`, `probe_fault`, `clock_skew`).
    """

    cause: str
    tank_id: str
    start_s: float
    size: float
    end_s: float | None = None
    meter_id: str | None = None


@dataclass(slots=True)
class Outcome:
    """What an injection came to: the times and identifiers that a label names, and its litres."""

    injection: Injection
    site_id: str
    tank_id: str | None
    start_s: float
    end_s: float | None
    meter_id: str | None = None
    delivery_id: str | None = None
    litres: float | None = None


@dataclass(frozen=True, slots=True)
class Course:
    """Litres put into a tank (negative: taken out) up to each instant; straight between the knots, flat outside."""

    at_s: Floats
    litres: Floats

    def until(self, at_s: Floats) -> Floats:
        """Litres so far. Shape of `at_s`. [l]"""
        if not len(self.at_s):
            return np.zeros(len(at_s))
        return np.interp(at_s, self.at_s, self.litres, left=0.0)


class Tables:
    """The lake's tables while faults are put in; every step puts a new frame under a name.

    Readings are held by tank, each row with its place in `_row`, so that the lake's own order of rows is had again.
    """

    def __init__(self, frames: Mapping[str, pl.DataFrame]) -> None:
        self._frames = {name: frame for name, frame in frames.items() if name != "readings"}
        rows = frames["readings"].with_row_index("_row").with_columns(pl.col("_row").cast(pl.Float64))
        self.readings = {
            str(key[0]): part for key, part in rows.partition_by("tank_id", as_dict=True, maintain_order=True).items()
        }
        self._none = rows.clear()

    def __getitem__(self, name: str) -> pl.DataFrame:
        """The table as it now stands."""
        return self._frames[name]

    def put(self, name: str, frame: pl.DataFrame) -> None:
        """Let `frame` be the table from now on."""
        self._frames[name] = frame

    def copy(self) -> Tables:
        """These tables as they now stand, to be changed apart from them; the frames are shared."""
        twin = object.__new__(Tables)
        twin._frames, twin.readings, twin._none = dict(self._frames), dict(self.readings), self._none
        return twin

    def readings_of(self, tank_id: str) -> pl.DataFrame:
        """A tank's readings with `_row`, in the lake's order."""
        return self.readings.get(tank_id, self._none)

    def joined(self) -> dict[str, pl.DataFrame]:
        """All tables, each in the lake's order of rows."""
        rows = pl.concat([self._none, *self.readings.values()]).sort("_row", "ts", maintain_order=True)
        return self._frames | {"readings": rows.drop("_row")}


def stamp(at_s: float) -> pl.Expr:
    """The instant as a literal of the contract's type."""
    return pl.lit(round(at_s * 1e6)).cast(pl.Datetime("us", "UTC"))
