"""The frames that the report is made from, completed: a table or column that a run did not leave is there, empty."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

import polars as pl
import polars.selectors as cs

from pipeline.contract.dictionary import ALL_TABLES, polars_schema
from pipeline.said import believed

# Made by the query marts/prices; no table of the contract.
_PRICES = pl.Schema({"tank_id": pl.String(), "product": pl.String(), "price": pl.Float64(), "currency": pl.String()})

# By which the run's settings judged months; no table of the contract.
_LIMITS = pl.Schema({"detectable_l_per_h": pl.Float64(), "fail_l_per_h": pl.Float64()})
# Made by the query marts/last_readings.
_LAST_READINGS = pl.Schema(
    {"tank_id": pl.String(), "ts": pl.Datetime("us", "UTC"), "level_mm": pl.Float64(), "water_mm": pl.Float64(),
     "temp_c": pl.Float64()}
)  # fmt: skip

# Made by the query marts/hose_days.
_HOSE_DAYS = pl.Schema(
    {"meter_id": pl.String(), "tank_id": pl.String(), "trading_day": pl.Date(), "sold_l": pl.Float64()}
)

# Tanks that the run judged by another chart than the lake's; no table of the contract.
_OTHER_CHARTS = pl.Schema({"tank_id": pl.String()})

# What the run before this one showed of each case, and its last day of data; no tables of the contract.
_BEFORE = pl.Schema(
    {"case_id": pl.String(), "litres": pl.Float64(), "litres_low": pl.Float64(), "litres_high": pl.Float64(),
     "urgency": pl.String(), "state": pl.String(), "is_over": pl.Boolean()}
)  # fmt: skip
# Of each case what the runs so far believed, a row where that changed; no table of the contract.
_BELIEVED = believed.SCHEMA
_LAST_RUN = pl.Schema({"day": pl.Date()})

# Keys first, so that the same rows in another order give the same pages.
_SORTED_BY: dict[str, list[str]] = {
    "sites": ["site_id"], "tanks": ["site_id", "tank_id"], "meters": ["meter_id"],
    "meter_feeds": ["meter_id", "valid_from", "tank_id"], "deliveries": ["tank_id", "ts_ticket", "delivery_id"],
    "cases": ["case_id"], "tank_days": ["tank_id", "trading_day"], "variance_parts": ["tank_id", "trading_day", "part"],
    "statements": ["tank_id", "month"], "quarantine": ["table", "reason", "row"], "ledger": ["tank_id", "ts_start"],
    "drops": ["tank_id", "ts_start"], "draws": ["tank_id", "ts_start"], "evidence": ["case_id", "seq"],
    "meter_estimates": ["tank_id", "meter_id", "day"], "health": ["tank_id", "day"], "prices": ["tank_id", "product"],
    "data_health": ["site_id", "tank_id", "kind"], "expected_false": ["cause"], "sayings": ["seq"],
    "strapping": ["tank_id", "valid_from", "level_mm"],
    "events": ["tank_id", "ts", "kind"], "limits": ["detectable_l_per_h"], "last_readings": ["tank_id"],
    "drop_left": ["tank_id", "drop_id"], "other_charts": ["tank_id"],
    "drop_tickets": ["tank_id", "drop_id", "delivery_id"],
    "hose_days": ["tank_id", "meter_id", "trading_day"],
    "before": ["case_id"], "believed": ["case_id", "day"], "last_run": ["day"],
}  # fmt: skip
_SCHEMAS: dict[str, pl.Schema] = {
    name: polars_schema(table) for name, table in ALL_TABLES.items() if name in _SORTED_BY
} | {
     "prices": _PRICES, "limits": _LIMITS, "last_readings": _LAST_READINGS, "other_charts": _OTHER_CHARTS,
     "hose_days": _HOSE_DAYS,
     "before": _BEFORE, "believed": _BELIEVED, "last_run": _LAST_RUN}  # fmt: skip


def completed(name: str, frame: pl.DataFrame | None) -> pl.DataFrame:
    """The table `name` with every column that the report reads, sorted by its key; empty where `frame` is None."""
    schema = _SCHEMAS[name]
    if frame is None:
        return pl.DataFrame(schema=schema)
    have = set(frame.columns)
    filled = frame.with_columns(
        (pl.col(c).cast(t) if c in have else pl.lit(None, t).alias(c)) for c, t in schema.items()
    ).with_columns(cs.float().fill_nan(None))
    return filled.sort(_SORTED_BY[name], nulls_last=True, maintain_order=True)


Made = TypeVar("Made")
SAID = frozenset({"sayings", "before", "believed", "last_run"})
"""Tables that are not the run's own: they change between runs, when somebody speaks."""


@dataclass(frozen=True)
class Tables:
    """A run's tables by name, completed, with the rows of any one tank at hand."""

    frames: Mapping[str, pl.DataFrame]
    _spans: Mapping[str, Mapping[str, tuple[int, int]]]
    _of_run: dict[str, Any] = field(default_factory=dict, compare=False)

    @classmethod
    def of(cls, frames: Mapping[str, pl.DataFrame]) -> "Tables":
        """Complete `frames`; whatever else is in there is left alone."""
        complete = {name: completed(name, frames.get(name)) for name in _SCHEMAS}
        by_tank = {n: _spans(f) for n, f in complete.items() if _SORTED_BY[n][0] == "tank_id"}
        return cls(complete, by_tank)

    def with_said(self, frames: Mapping[str, pl.DataFrame]) -> "Tables":
        """The same run with other frames in the place of some of `SAID`."""
        if not frames.keys() <= SAID:
            raise ValueError(f"a run's own tables: {sorted(frames.keys() - SAID)}")
        said = {name: completed(name, frame) for name, frame in frames.items()}
        return Tables({**self.frames, **said}, self._spans, self._of_run)

    def once(self, name: str, make: Callable[[], Made]) -> Made:
        """What `make` gives, which reads none of `SAID`: it is asked once a run, however often somebody speaks."""
        if name not in self._of_run:
            self._of_run[name] = make()
        made: Made = self._of_run[name]
        return made

    def __getitem__(self, name: str) -> pl.DataFrame:
        """The table `name`."""
        return self.frames[name]

    def of_tank(self, name: str, tank_id: str) -> pl.DataFrame:
        """Rows of the table `name` that are about `tank_id`, in the order of its key."""
        start, length = self._spans[name].get(tank_id, (0, 0))
        return self.frames[name].slice(start, length)

    def rows(self, name: str) -> Iterator[dict[str, Any]]:
        """Rows of the table `name` as dicts."""
        return self.frames[name].iter_rows(named=True)


def _spans(frame: pl.DataFrame) -> dict[str, tuple[int, int]]:
    """Where each tank's rows start and how many they are, in a frame sorted by tank."""
    runs = frame.group_by("tank_id", maintain_order=True).len()
    starts = (runs["len"].cum_sum() - runs["len"]).to_list()
    return {t: (s, n) for t, s, n in zip(runs["tank_id"], starts, runs["len"], strict=True) if t is not None}
